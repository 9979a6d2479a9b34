"""The level of a band, block by block, held against the transform of the whole and against arithmetic."""

import math

import numpy as np
import pytest

from blindtest.audio import band, band_level

BAND = (891.0, 1122.5)


def whole(frames, rate):
    """The same bins of one transform of everything (NumPy), by Parseval's theorem."""
    frequency = np.fft.rfftfreq(len(frames), 1 / rate)
    inside = (frequency >= BAND[0]) & (frequency < BAND[1])
    power = np.square(np.abs(np.fft.rfft(frames, axis=0)[inside])).sum()
    return 10 * math.log10(2 * power / len(frames))


@pytest.mark.parametrize("rate", [8000, 44_100, 96_000])
@pytest.mark.parametrize("count", [4801, 50_000])
def test_a_band_of_noise_is_that_of_the_whole_transform(monkeypatch, rate, count):
    """With most of the energy in the bass, beginning and ending in the middle of it."""
    monkeypatch.setattr(band, "ROWS", 37)
    monkeypatch.setattr(band, "TOGETHER", 101)
    rng = np.random.default_rng(count)
    frames = np.cumsum(rng.standard_normal((count, 2)), axis=0) + rng.standard_normal((count, 2))
    assert band_level(frames, rate, BAND) == pytest.approx(whole(frames, rate), abs=2e-6)


def test_a_tone_counts_inside_and_not_outside():
    """Half the square of its amplitude times the frames; 200 Hz beside the band, and where it would fold into it."""
    moment, window = np.arange(96_000) / 48_000, np.hanning(96_000)
    inside = 10 * math.log10(np.square(window).sum() / 2)

    def level(hz):
        return band_level((window * np.sin(2 * np.pi * hz * moment))[:, None], 48_000, BAND)

    assert level(1000.0) == pytest.approx(inside, abs=2e-6)
    folding = 48_000 / int(48_000 / (band.SPARE * (BAND[1] - BAND[0])))
    for hz in (691.0, 1322.5, 1000.0 + folding, 1000.0 - folding, 15_000.0):
        assert level(hz) < inside - 135


def test_silence_and_no_frames_have_no_level():
    assert band_level(np.zeros((5000, 2)), 48_000, BAND) == -math.inf
    assert band_level(np.zeros((0, 2)), 48_000, BAND) == -math.inf


@pytest.mark.parametrize("wrong", [(0.0, 100.0), (900.0, 900.0), (20_000.0, 24_100.0), (1000.0, 8000.0)])
def test_a_band_that_is_none_is_refused(wrong):
    with pytest.raises(ValueError, match="a band under 24000 Hz, at most 6000 Hz wide, got"):
        band_level(np.zeros((10, 1)), 48_000, wrong)
