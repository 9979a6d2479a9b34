"""The filter: against sections whose inverse is known, on a messy response, and by laws."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blindtest.device import Response, correction_fir, taps_for

RATE = 48_000


def transfer_of(fir, frequency):
    """A filter's complex response by the definition of the discrete-time Fourier transform."""
    time = np.arange(len(fir)) / RATE
    return np.array([np.exp(-2j * np.pi * hz * time) @ fir for hz in frequency])


@pytest.mark.parametrize(
    "parameters",
    [
        [(1000, -6, 1), (3000, 6, 1.4)],
        [(800, 5, 0.7), (2500, -4, 1), (4000, 9, 2)],
        [(6000, -3, 1.2)],
    ],
)
def test_sections_are_inverted_with_their_phase(sections, flat, parameters):
    """Closed form: sections of minimum phase have an inverse of minimum phase, so that both together are 1.

    Aligned in the bass, where these sections do nothing, and corrected almost everywhere, so that no limit acts.
    """
    device = sections(*parameters)
    correction = correction_fir(device.response(), flat, RATE, align_hz=(20, 60), band_hz=(20, 22_000), max_boost_db=12)
    assert correction.held_back == ()
    frequency = np.geomspace(60, 18_000, 200)
    both = transfer_of(correction.fir, frequency) * device.transfer(frequency)
    assert np.max(np.abs(np.degrees(np.angle(both)))) < 0.1
    assert np.max(np.abs(20 * np.log10(np.abs(both)))) < 0.04
    assert correction.rms_error_db < 0.01
    assert correction.rms_before_db > 0.4


def test_a_known_device_becomes_the_target(sections):
    """A device corrected to another device: what is heard is the other one, within 0.5 dB RMS."""
    device = sections((100, 6, 0.7), (3000, 10, 3), (6000, -4, 2))
    target = sections((60, 5, 0.7), (2800, 8, 1))
    correction = correction_fir(device.response(), target.response(), RATE, band_hz=(20, 20_000), max_boost_db=9)
    assert correction.rms_before_db > 2.0
    assert correction.rms_error_db < 0.1
    heard = device.level(correction.frequency) + correction.gain_db - target.level(correction.frequency)
    assert np.ptp(heard) < 0.6
    # The reported error is that of this independent sum, up to the constant that alignment takes out.
    assert np.ptp(heard - correction.error_db) < 1e-3


def test_peaks_are_inverted_fully(sections, flat):
    """A resonance of 10 dB and Q 5 goes, and its flanks aren't taken for dips."""
    device = sections((2000, 10, 5))
    correction = correction_fir(device.response(), flat, RATE, align_hz=(20, 60))
    assert correction.worst_error_db == pytest.approx(0.0, abs=0.12)
    assert correction.headroom_db == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("taps", [64, 1024, 4096, 16_384, None])
@pytest.mark.parametrize("limit", [0.0, 1.0, 6.0, 12.0])
def test_the_filter_never_boosts_beyond_the_limit(sections, flat, taps, limit):
    """Also where it is so short that it overshoots its curve; read on bins that it was not made on."""
    device = sections((30, -18, 0.7), (700, -12, 1), (12_000, -15, 1))
    correction = correction_fir(device.response(), flat, RATE, taps, max_boost_db=limit, band_hz=(20, 20_000))
    level = 20 * np.log10(np.abs(np.fft.rfft(correction.fir, 3 * 2**17)))
    assert level.max() <= limit + 2e-4
    assert correction.headroom_db == pytest.approx(max(0.0, level.max()), abs=2e-4)
    if taps is None:
        assert correction.length.holds
    if taps is None and limit < 12:
        assert correction.headroom_db == pytest.approx(limit, abs=0.02)


def test_a_short_filter_says_what_it_leaves(sections, flat):
    device = sections((60, 9, 1))
    short, long = (
        correction_fir(device.response(), flat, RATE, taps, align_hz=(1000, 3000)) for taps in (256, taps_for(RATE))
    )
    assert long.rms_error_db < 0.05
    assert short.rms_error_db > 1.0
    assert not short.length.holds
    assert short.error_db == pytest.approx(
        device.level(short.frequency) + 20 * np.log10(np.abs(transfer_of(short.fir, short.frequency))), abs=0.02
    )


def test_a_deep_narrow_notch_is_not_filled(sections, flat):
    """The rule's bound: the surroundings, which a notch of 30 dB lowers by its own skirts, and half a dB more.

    The level half a quarter octave away from it is higher than the mean of the half octave about it.
    """
    device = sections((2000, -30, 30), (6000, 6, 1))
    correction = correction_fir(device.response(), flat, RATE, align_hz=(20, 60), max_boost_db=12, band_hz=(20, 20_000))
    at = int(np.argmin(np.abs(correction.frequency - 2000)))
    rim = -device.level([2000 * 2 ** (-1 / 8)])[0]
    assert correction.gain_db[at] <= rim + 0.5
    assert correction.gain_db[at] < 3.0
    assert correction.error_db[at] < -25.0
    assert [one.by for one in correction.held_back] == ["notch"]
    (notch,) = correction.held_back
    assert notch.low_hz < 2000 < notch.high_hz
    assert notch.high_hz / notch.low_hz < 2**0.5
    assert notch.worst_db == pytest.approx(-correction.error_db.min(), abs=0.1)
    outside = (correction.frequency < notch.low_hz / 1.2) | (correction.frequency > notch.high_hz * 1.2)
    assert np.abs(correction.error_db[outside]).max() < 0.6


def test_a_narrow_notch_of_one_twelfth_octave_gets_next_to_nothing(flat):
    """Without skirts: a Gaussian dip of 20 dB, 1/12 octave wide at half its depth, in a flat response."""
    frequency = np.geomspace(10, 24_000, 8000)
    octaves = np.log2(frequency / 3000)
    level = -20 * np.exp(-4 * np.log(2) * (octaves * 12) ** 2)
    device = Response(frequency=frequency, magnitude=level[:, None])
    correction = correction_fir(device, flat, RATE, align_hz=(100, 1000), max_boost_db=12)
    assert correction.gain_db.max() < 1.5


def test_nothing_is_done_outside_the_band(sections, flat):
    device = sections((50, 8, 1), (1000, -5, 1), (12_000, 8, 1))
    correction = correction_fir(device.response(), flat, RATE, align_hz=(300, 600), band_hz=(200, 5000))
    low, high = 200 * 2 ** (-1 / 3), 5000 * 2 ** (1 / 3)
    outside = np.concatenate((np.geomspace(20, low * 0.999, 40), np.geomspace(high * 1.001, 20_000, 40)))
    assert np.abs(20 * np.log10(np.abs(transfer_of(correction.fir, outside)))).max() < 0.01
    assert correction.frequency[[0, -1]] == pytest.approx([200, 5000])
    assert correction.rms_error_db < 0.1
    half = 200 * 2 ** (-1 / 6)  # half a cosine is at one half in the middle of its way
    full = -(device.level([half])[0] - np.mean(device.level(np.geomspace(300, 600, 2001))))
    assert correction.curve.gain_at([half])[0] == pytest.approx(full / 2, abs=0.02)


def test_the_remaining_error_of_a_messy_response(messy, house_target, record_property, capsys):
    """A headphone as the bench leaves it; the figure is printed, the bounds are what was measured, rounded up."""
    correction = correction_fir(messy, house_target, RATE, taps_for(RATE), band_hz=(20, 12_000), max_boost_db=6)
    free = np.ones(len(correction.frequency), dtype=bool)
    for band in correction.held_back:
        free &= (correction.frequency < band.low_hz / 1.15) | (correction.frequency > band.high_hz * 1.15)
    rms_free = float(np.sqrt(np.mean(correction.error_db[free] ** 2)))
    with capsys.disabled():
        print(
            f"\nmessy response, 20 Hz to 12 kHz: RMS error {correction.rms_before_db:.2f} dB before, "
            f"{correction.rms_error_db:.2f} dB after ({rms_free:.2f} dB where no limit acts), worst "
            f"{correction.worst_error_db:.1f} dB at {correction.worst_error_hz:.0f} Hz, "
            f"headroom {correction.headroom_db:.2f} dB"
        )
        for band in correction.held_back:
            print(f"  held back by {band.by}: {band.low_hz:.0f} to {band.high_hz:.0f} Hz, {band.worst_db:.1f} dB left")
    assert correction.rms_before_db > 4.0
    assert correction.rms_error_db < 2.1
    assert rms_free < 0.6
    assert correction.worst_error_hz == pytest.approx(6900, rel=0.01)
    assert correction.worst_error_db < -15
    assert correction.headroom_db <= 6.0
    assert {band.by for band in correction.held_back} == {"notch", "boost"}


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.tuples(st.floats(30, 15_000), st.floats(-20, 20), st.floats(0.5, 20)), min_size=1, max_size=5),
    st.floats(-60, 120),
    st.floats(-60, 120),
    st.floats(0, 12),
)
def test_constants_change_nothing_and_limits_hold(sections, flat, parameters, up, other, limit):
    """Laws: a level added to response or target moves nothing; the boost keeps its limit; no dip is overfilled."""
    device = sections(*parameters).response(points=1500)
    raised = Response(frequency=device.frequency, magnitude=device.magnitude + up)
    goal = Response(frequency=flat.frequency, magnitude=flat.magnitude + other)
    plain = correction_fir(device, flat, RATE, 8192, max_boost_db=limit)
    moved = correction_fir(raised, goal, RATE, 8192, max_boost_db=limit)
    for name in ("fir", "gain_db", "error_db", "response_db", "target_db"):
        assert getattr(moved, name) == pytest.approx(getattr(plain, name), abs=1e-8)
    assert plain.headroom_db <= limit + 1e-9
    assert plain.error_db == pytest.approx(plain.response_db + plain.gain_db - plain.target_db, abs=1e-12)
    assert np.abs(plain.fir).max() <= 10 ** (plain.headroom_db / 20) + 1e-9


def test_a_device_on_its_target_is_left_alone(house_target):
    """And one that is its target but for a level."""
    louder = Response(frequency=house_target.frequency, magnitude=house_target.magnitude + 94.0)
    for limit in (0.0, 6.0):
        correction = correction_fir(louder, house_target, RATE, 4096, max_boost_db=limit)
        assert correction.fir == pytest.approx(np.eye(1, 4096)[0], abs=1e-9)
        assert correction.headroom_db == pytest.approx(0.0, abs=1e-9)
        assert correction.rms_error_db == pytest.approx(0.0, abs=1e-9)


def test_both_ears_get_one_filter_from_their_mean(sections, flat):
    level = sections((500, 6, 1)).response()
    ears = Response(
        frequency=level.frequency,
        magnitude=np.hstack([level.magnitude + 2, level.magnitude - 2]),
        channels=("left", "right"),
    )
    assert correction_fir(ears, flat, RATE, 4096).fir == pytest.approx(correction_fir(level, flat, RATE, 4096).fir)


def test_other_rates_make_the_same_filter(sections, flat):
    """The level curve has no rate: at 44.1 and 96 kHz the filter does the same, and a band ends at half the rate."""
    device = sections((100, 6, 1), (3000, -5, 1)).response()
    frequency = np.geomspace(25, 15_000, 300)
    ends = (44_100, 96_000, 48_000)
    corrections = [correction_fir(device, flat, rate, band_hz=(20, 20_000)) for rate in ends]
    gains = [np.interp(frequency, one.frequency, one.gain_db) for one in corrections]
    assert gains[0] == pytest.approx(gains[2], abs=0.01)
    assert gains[1] == pytest.approx(gains[2], abs=0.01)
    assert correction_fir(device, flat, 16_000, band_hz=(20, 20_000)).band_hz == (20.0, 8000.0)


def test_to_dict_is_what_json_holds(messy, house_target):
    correction = correction_fir(messy, house_target, RATE, 4096)
    back = json.loads(json.dumps(correction.to_dict(), allow_nan=False))
    assert back["frequency_hz"] == pytest.approx(correction.frequency)
    assert back["error_db"] == pytest.approx(correction.error_db)
    assert back["headroom_db"] == correction.headroom_db
    assert back["held_back"][0]["by"] == correction.held_back[0].by
    assert back["taps"] == 4096


def test_arrays_are_read_only(sections, flat):
    correction = correction_fir(sections((500, 6, 1)).response(), flat, RATE, 512)
    with pytest.raises(ValueError, match="read-only"):
        correction.fir[0] = 0.0
