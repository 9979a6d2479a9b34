"""Impulse responses and their excess phase, against filters whose phase is known in closed form."""

import numpy as np
import pytest
import soundfile
from scipy.signal import lfilter

from blindtest.device import (
    ImpulseResponse,
    at_rate,
    excess_phase,
    impulse_facts,
    impulse_response_of,
    mean_excess_phase,
    read_impulse_responses,
    windowed,
)
from blindtest.errors import BlindtestError

RATE = 48_000


def impulse(count=RATE // 2, at=0):
    made = np.zeros(count)
    made[at] = 1.0
    return made


def peaking(hertz, gain_db, q, rate=RATE):
    """Audio EQ Cookbook (W3C Note 2021): a minimum-phase section."""
    w0, a = 2 * np.pi * hertz / rate, 10 ** (gain_db / 40)
    alpha = np.sin(w0) / (2 * q)
    b = np.array([1 + alpha * a, -2 * np.cos(w0), 1 - alpha * a])
    return b / (1 + alpha / a), np.array([1 + alpha / a, -2 * np.cos(w0), 1 - alpha / a]) / (1 + alpha / a)


def all_pass(hertz, q, rate=RATE):
    """Audio EQ Cookbook: an all-pass of second order; |H| = 1."""
    w0 = 2 * np.pi * hertz / rate
    alpha = np.sin(w0) / (2 * q)
    b = np.array([1 - alpha, -2 * np.cos(w0), 1 + alpha])
    return b / (1 + alpha), b[::-1] / (1 + alpha)


def group_delay_s(b, a, hertz, rate=RATE):
    """Group delay of b/a by the definition -d(phi)/dw: Re{(sum n b_n z^-n) / (sum b_n z^-n)} less that of a."""
    z = np.exp(-2j * np.pi * np.asarray(hertz) / rate)

    def own(c):
        powers = z[:, None] ** np.arange(len(c))
        return ((powers * np.arange(len(c))) @ c / (powers @ c)).real

    return (own(b) - own(a)) / rate


def test_a_minimum_phase_device_has_no_excess_whatever_its_delay_and_polarity():
    """Closed form: cookbook sections are minimum phase."""
    made = lfilter(*peaking(80, 8, 0.7), lfilter(*peaking(3000, -6, 2), impulse(at=1000)))
    found = excess_phase(-made, RATE)
    assert found.inverted
    assert found.delay_s == pytest.approx(1000 / RATE, abs=2e-6)
    grid = np.geomspace(25, 18_000, 200)
    assert np.abs(found.phase_at(grid)).max() < np.deg2rad(0.5)


@pytest.mark.parametrize(("hertz", "q"), [(200, 1.0), (1000, 3.0), (6000, 2.0)])
def test_the_excess_group_delay_is_that_of_the_all_pass(hertz, q):
    """Closed form: behind a minimum-phase section an all-pass is all of the excess, up to the delay taken out."""
    section = all_pass(hertz, q)
    made = lfilter(*section, lfilter(*peaking(500, 5, 1), impulse(at=300)))
    found = excess_phase(made, RATE)
    grid = np.geomspace(50, 15_000, 100)
    exact = group_delay_s(*section, grid)
    fine = np.linspace(2000, 8000, 20_000)
    taken = group_delay_s(*section, fine).mean()
    assert found.group_delay_s(grid) == pytest.approx(exact - taken, abs=0.02e-3)


def test_the_filter_of_the_excess_is_an_all_pass_with_its_phase():
    made = lfilter(*all_pass(300, 2.0), impulse(at=100))
    found = excess_phase(made, RATE)
    fir = found.fir(RATE, 16_385)
    at = np.geomspace(30, 15_000, 80)
    value = np.exp(-2j * np.pi * np.outer(at, np.arange(16_385) - 8192) / RATE) @ fir
    assert 20 * np.log10(np.abs(value)) == pytest.approx(0, abs=0.01)
    assert np.angle(value * np.exp(-1j * found.phase_at(at))) == pytest.approx(0, abs=np.deg2rad(0.1))
    with pytest.raises(BlindtestError, match="rings longer"):
        excess_phase(lfilter(*all_pass(40, 10.0), impulse(3 * RATE)), RATE).fir(RATE, 1025)


@pytest.mark.parametrize(("hertz", "q"), [(100, 0.7071), (800, 0.7071), (1000, 1.0), (2000, 0.5)])
@pytest.mark.parametrize("sign", [1, -1])
def test_a_crossover_is_not_taken_for_a_device_that_was_turned_round(hertz, q, sign):
    """Low-pass and high-pass of fourth order (Linkwitz and Riley 1976) sum to this all-pass: -1 at the crossover."""
    section = all_pass(hertz, q)
    found = excess_phase(sign * lfilter(*section, impulse(at=300)), RATE, band_hz=(20, 10_000))
    assert found.inverted is (sign < 0)
    grid = np.geomspace(40, 9000, 60)
    z = np.exp(-2j * np.pi * grid / RATE)[:, None] ** np.arange(3)
    left = np.unwrap(np.angle(np.exp(1j * found.phase_at(grid)) / ((z @ section[0]) / (z @ section[1]))))
    slope, constant = np.polyfit(grid, left, 1)  # the delay that was taken out, and what is left at 0 Hz
    assert np.abs(left - slope * grid - constant).max() < np.deg2rad(0.2)
    assert np.cos(constant) > 0.9999


@pytest.mark.parametrize(
    ("measured", "rate"), [(48_000, 44_100), (96_000, 48_000), (192_000, 44_100), (44_100, 96_000)]
)
def test_what_was_measured_at_one_rate_is_an_all_pass_at_another(measured, rate):
    """Closed form: the all-pass's own phase, at the rate of the clip."""
    made = lfilter(*all_pass(500, 1.0, measured), impulse(measured // 2, at=100))
    found = excess_phase(made, measured, band_hz=(20, 10_000))
    taps = 2 * round(0.35 * rate) + 1
    fir = found.fir(rate, taps)
    at = np.geomspace(30, 9500, 30)
    value = np.exp(-2j * np.pi * np.outer(at, np.arange(taps) - taps // 2) / rate) @ fir
    assert 20 * np.log10(np.abs(value)) == pytest.approx(0, abs=0.01)
    assert np.angle(value * np.exp(-1j * found.phase_at(at))) == pytest.approx(0, abs=np.deg2rad(0.1))


def test_seatings_and_ears_are_averaged():
    quick, slow = (lfilter(*all_pass(400, q), impulse(at=50)) for q in (1.0, 2.0))
    both = ImpulseResponse(frames=np.stack([quick, slow], axis=1), rate=RATE, channels=("left", "right"))
    grid = np.geomspace(50, 10_000, 50)
    mean = mean_excess_phase([both]).phase_at(grid)
    single = [excess_phase(one, RATE).phase_at(grid) for one in (quick, slow)]
    assert mean == pytest.approx(np.mean(single, axis=0), abs=1e-9)
    other = ImpulseResponse(frames=quick[:, None], rate=44_100)
    with pytest.raises(BlindtestError, match="different sample rates"):
        mean_excess_phase([both, other])


def test_the_response_of_an_impulse_response_is_that_of_its_filter():
    """Closed form of the cookbook's section, level and phase, the delay of the capture taken out."""
    section = peaking(1000, 6, 1)
    made = ImpulseResponse(frames=lfilter(*section, impulse(at=480))[:, None], rate=RATE)
    found = impulse_response_of(windowed(made))
    z = np.exp(-2j * np.pi * found.frequency / RATE)
    b, a = section
    exact = (b[0] + b[1] * z + b[2] * z**2) / (a[0] + a[1] * z + a[2] * z**2)
    assert found.magnitude[:, 0] == pytest.approx(20 * np.log10(np.abs(exact)), abs=0.01)
    assert np.angle(np.exp(1j * found.phase[:, 0]) / exact) == pytest.approx(0, abs=np.deg2rad(0.2))


def test_the_level_stays_when_the_rate_changes():
    section = peaking(500, 6, 1, 96_000)
    made = ImpulseResponse(frames=lfilter(*section, impulse(at=960))[:, None], rate=96_000)
    before, after = impulse_response_of(windowed(made)), impulse_response_of(windowed(at_rate(made, RATE)))
    at = np.geomspace(50, 15_000, 40)
    levels = [np.interp(at, one.frequency, one.magnitude[:, 0]) for one in (before, after)]
    assert levels[0] == pytest.approx(levels[1], abs=0.02)


def test_pre_ringing_length_and_noise_are_told():
    causal = impulse(RATE, at=4800) + 0.0
    causal[4800:] += 0.3 * np.exp(-np.arange(RATE - 4800) / (0.01 * RATE)) * np.sin(np.arange(RATE - 4800))
    fact = impulse_facts(ImpulseResponse(frames=causal[:, None], rate=RATE))[0]
    assert fact.peak_s == pytest.approx(0.1, abs=1e-4)
    assert fact.pre_ringing_db == -np.inf
    ringing = impulse_facts(ImpulseResponse(frames=causal[::-1][:, None].copy(), rate=RATE))[0]
    assert ringing.pre_ringing_db > -12
    assert 0.02 < fact.length_s < 0.1


@pytest.mark.parametrize(
    ("frames", "words"),
    [
        (np.zeros((1000, 1)), "dead"),
        (np.stack([impulse(1000, 10), 1e-5 * impulse(1000, 10)], axis=1), "right channel is dead"),
        (np.clip(lfilter([1], [1, -0.9], impulse(1000, 10) * 3), -1, 1)[:, None], "clipped"),
        (np.ones((20, 1)) * 0.1, "length"),
        (np.stack([impulse(1000, 10)] * 3, axis=1), "more than two channels"),
    ],
)
def test_bad_captures_are_refused_by_name(tmp_path, frames, words):
    soundfile.write(tmp_path / "ir.wav", frames, RATE, subtype="FLOAT")
    with pytest.raises(BlindtestError, match=words) as caught:
        read_impulse_responses(tmp_path / "ir.wav")
    assert "ir.wav" in str(caught.value)


def test_sofa_files_are_read_measurement_by_measurement(tmp_path):
    """AES69, convention SimpleHeadphoneIR, written by the library sofar."""
    sofar = pytest.importorskip("sofar")
    held = sofar.Sofa("SimpleHeadphoneIR")
    wanted = np.random.default_rng(1).normal(0, 0.1, (3, 2, 512)) * np.exp(-np.arange(512) / 50)
    wanted[:, :, 20] = 1.0
    held.Data_IR = wanted
    held.Data_SamplingRate = 44_100
    held.MeasurementDate = np.zeros(3)
    for name in ("SourceManufacturer", "SourceModel", "ReceiverDescriptions", "EmitterDescriptions"):
        held.delete(name)
    sofar.write_sofa(str(tmp_path / "unit.sofa"), held)
    found = read_impulse_responses(tmp_path / "unit.sofa")
    assert len(found) == 3
    assert all(one.rate == 44_100 and one.channels == ("left", "right") for one in found)
    assert pytest.approx(wanted[1]) == found[1].frames.T
    (tmp_path / "broken.sofa").write_bytes(b"nothing of the kind")
    with pytest.raises(BlindtestError, match=r"broken\.sofa"):
        read_impulse_responses(tmp_path / "broken.sofa")
