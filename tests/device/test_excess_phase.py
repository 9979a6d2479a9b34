"""Excess phase against all-passes in closed form, and against the group delay of scipy.

All-pass of first order, pole at `a` (Oppenheim and Schafer, section 5.5, from memory): H(z) = (z^-1 - a)/(1 - a/z),
whose impulse response is -a, then (1 - a^2) a^(n - 1); its energy behind tap m is (1 - a^2) a^(2m).
"""

import numpy as np
import pytest
from scipy.signal import freqz, group_delay, lfilter

from blindtest.device import ExcessPhase, ImpulseResponse, excess_phase
from blindtest.device.excess_phase import mean_excess_phase
from blindtest.errors import BlindtestError

RATE = 48_000


def all_pass(a, count=4096, rate=RATE):
    """Return the impulse response (count,) whose phase at 0 Hz is 0."""
    impulse = np.zeros(count)
    impulse[0] = 1.0
    return lfilter([-a, 1.0], [1.0, -a], impulse)


def closed(a, rate=RATE, bins=131_073):
    """Return the excess phase of an all-pass, on a grid that reaches half the rate, where it is -pi."""
    frequency = np.arange(bins) * (rate / 2 / (bins - 1))
    phase = np.unwrap(np.angle(freqz([-a, 1.0], [1.0, -a], worN=frequency, fs=rate)[1]))
    phase[-1] = -np.pi
    return ExcessPhase(frequency=frequency, phase=phase, delay_s=0.0, inverted=False, band_hz=(20, 20_000), rate=rate)


@pytest.mark.parametrize(("a", "half", "words"), [(0.9, 20, "-26 dB outside"), (0.99, 480, "-59 dB outside")])
def test_what_a_filter_leaves_outside_is_what_the_geometric_series_says(a, half, words):
    """10 lg of (1 - a^2) a^(2 half): -25.5 and -58.9 dB, of -60 allowed."""
    with pytest.raises(BlindtestError, match=words):
        closed(a).fir(RATE, 2 * half + 1)
    with pytest.raises(ValueError, match=f"an odd number of taps has a middle, got {2 * half}"):
        closed(a).fir(RATE, 2 * half)


def test_a_filter_is_the_all_pass_itself_about_its_middle():
    """A pole at 0.99 leaves -60.7 dB behind 500 taps: allowed; a twentieth of the filter at each end is faded."""
    a, half, fade = 0.99, 500, 50
    kept = closed(a).fir(RATE, 2 * half + 1)
    wanted = np.concatenate([np.zeros(half), all_pass(a, half + 1)])
    assert kept[fade:-fade] == pytest.approx(wanted[fade:-fade], abs=1e-9)
    assert kept[-1] == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("rate", [6000, 12_000, 48_000, 96_000])
def test_the_delay_is_the_mean_over_2_to_8_khz_or_two_octaves(rate):
    """Against scipy's group delay; where half the rate is lower, from a quarter of the highest frequency."""
    a, late = 0.6, 37
    samples = np.concatenate([np.zeros(late), all_pass(a, 2048)])
    found = excess_phase(samples, rate, band_hz=(20.0, 20_000.0))
    top = min(8000.0, 0.49 * rate)
    at = np.linspace(min(2000.0, top / 4), top, 2001)
    delay = group_delay(([-a, 1.0], [1.0, -a]), w=at, fs=rate)[1]
    assert found.delay_s == pytest.approx((late + np.trapezoid(delay, at) / np.ptp(at)) / rate, abs=0.01 / rate)
    assert not found.inverted


def test_a_short_file_is_looked_at_as_finely_as_a_long_one():
    """Sixteen samples of zeros beyond the unit circle: (z^-1 - a) is minimum phase times the all-pass, exactly."""
    a = 0.995
    samples = np.zeros(16)
    samples[:2] = -a, 1.0
    found = excess_phase(samples, RATE)
    at = np.geomspace(30, 15_000, 60)
    wanted = np.unwrap(np.angle(freqz([-a, 1.0], [1.0, -a], worN=at, fs=RATE)[1]))
    # Less the delay that was taken out (from the peak, which is the second sample).
    wanted = wanted + 2 * np.pi * at * found.delay_s
    turned = (wanted - found.phase_at(at)) / np.pi
    assert turned - turned[0] == pytest.approx(0, abs=1e-4)
    assert turned[0] == pytest.approx(round(turned[0]), abs=1e-4)


def test_above_the_band_the_phase_is_led_to_a_multiple_of_pi_without_a_corner():
    """Else a filter rings: no jump at half the rate, no slope there, and none of the slope's own at the band's end."""
    found = excess_phase(all_pass(0.8, 2048), RATE, band_hz=(20.0, 12_000.0))
    half_turns = found.phase[-1] / np.pi
    assert half_turns == pytest.approx(round(half_turns), abs=1e-9)
    last = int(np.searchsorted(found.frequency, 12_000.0, side="right")) - 1
    slope = np.diff(found.phase)
    assert slope[last - 1] == pytest.approx(slope[last], rel=0.02)
    assert np.abs(slope[-1]) < 1e-3 * np.abs(slope[last])
    # Half of the band's slope is kept on the way: by hand, the integral of 1 - x over the rest.
    straight = slope[last] * (len(found.phase) - 1 - last)
    led = found.phase[-1] - found.phase[last]
    assert abs(led - straight / 2) <= np.pi / 2 * 1.02


def test_ears_are_turned_only_where_all_are():
    def both(left, right):
        frames = np.stack([left * all_pass(0.5, 512), right * all_pass(0.5, 512)], axis=1)
        return mean_excess_phase([ImpulseResponse(frames=frames, rate=RATE, channels=("left", "right"))])

    turned, one = both(-1, -1), both(-1, 1)
    assert turned.inverted
    assert not one.inverted
    # What is taken out with the polarity leaves the same phase.
    assert np.abs(turned.phase - one.phase).max() < 1e-9


@pytest.mark.parametrize(
    ("samples", "band", "match"),
    [
        (np.zeros(8), (20, 20_000), "not silent"),
        (np.ones((8, 2)), (20, 20_000), "of one channel"),
        (np.ones(0), (20, 20_000), "not silent"),
        (np.ones(8), (0, 20_000), "the band must rise"),
        (np.ones(8), (30_000, 40_000), "below half the rate"),
    ],
)
def test_what_has_no_excess_is_refused(samples, band, match):
    with pytest.raises(ValueError, match=match):
        excess_phase(samples, RATE, band_hz=band)
