"""A hump is the peaking section of the Audio EQ Cookbook (W3C Working Group Note, 2021), as minimum phase."""

import numpy as np
import pytest
from scipy.signal import freqz

from blindtest.device import check_length, minimum_phase_fir, taps_for
from blindtest.render import HumpStage


def cookbook(hz, gain_db, q, rate):
    """Return b and a of the note's digital peaking section, as it is printed there."""
    w0, A = 2 * np.pi * hz / rate, 10 ** (gain_db / 40)
    alpha = np.sin(w0) / (2 * q)
    b, a = (1 + alpha * A, -2 * np.cos(w0), 1 - alpha * A), (1 + alpha / A, -2 * np.cos(w0), 1 - alpha / A)
    return np.array(b) / a[0], np.array(a) / a[0]


def test_the_section_of_the_note():
    # methods.md 9.5, number 49: peaking 1 kHz, Q 1, +6 dB at 48 kHz
    b, a = cookbook(1000, 6, 1, 48_000)
    assert b == pytest.approx((1.04395309, -1.89532072, 0.86772228), abs=1e-8)
    assert a == pytest.approx((1, -1.89532072, 0.91167537), abs=1e-8)


@pytest.mark.parametrize(("hz", "gain_db", "q"), [(1000, 6, 1), (250, -9, 4), (8000, 2.5, 0.7)])
def test_the_magnitude_is_the_notes(hz, gain_db, q):
    """The bilinear transform maps f to tan(pi f/rate): there the note's section equals its prototype exactly."""
    rate = 48_000
    f, h = freqz(*cookbook(hz, gain_db, q, rate), worN=np.geomspace(20, 23_000, 300), fs=rate)
    warped = hz * np.tan(np.pi * f / rate) / np.tan(np.pi * hz / rate)
    stage = HumpStage(frequency_hz=hz, gain_db=gain_db, q=q)
    assert stage.level_db(warped) == pytest.approx(20 * np.log10(np.abs(h)), abs=1e-9)
    assert stage.level_db(np.array([hz])) == pytest.approx([gain_db])
    assert stage.level_db(np.array([1e-3])) == pytest.approx([0], abs=1e-6)


def test_the_filter_made_of_it_is_minimum_phase():
    """Its impulse response is that of the prototype's own phase: compared far below half the sample rate, where the
    digital section of the note is close to it."""
    rate = 96_000
    stage = HumpStage(frequency_hz=500, gain_db=6, q=2)
    bins = np.arange(1, (1 << 17) + 1) * (rate / (1 << 18))
    fir = minimum_phase_fir(bins, stage.level_db(bins), rate, taps_for(rate))
    assert check_length(fir, bins, stage.level_db(bins), rate).holds
    at = np.array([100.0, 300, 450, 500, 550, 800, 2000])
    _, made = freqz(fir, worN=at, fs=rate)
    _, noted = freqz(*cookbook(500, 6, 2, rate), worN=at, fs=rate)
    assert np.angle(made / noted) == pytest.approx(np.zeros(7), abs=0.01)
    assert np.abs(made / noted) == pytest.approx(np.ones(7), abs=0.01)


def test_impossible_humps_are_refused_and_facts_are_numbers():
    for wrong in ({"frequency_hz": 0, "q": 1}, {"frequency_hz": 100, "q": 0}):
        with pytest.raises(ValueError, match="above 0"):
            HumpStage(gain_db=1, **wrong)
    assert HumpStage(frequency_hz=1000, gain_db=3, q=1).facts() == {
        "kind": "hump", "frequency_hz": 1000.0, "gain_db": 3.0, "q": 1.0,
    }  # fmt: skip
