"""The noise that a level is set by: as loud as asked for, pink, without a seam.

Sources: ITU-R BS.1770-5 for loudness (measured by the tool's own meter, which tests/audio/test_loudness.py holds to the
standard's material); pink: power falls by 10 dB a decade (common practice), fitted here over octave bands.
"""

import numpy as np
import pytest

from blindtest.audio import NOISE_S, integrated_loudness, level_noise


@pytest.mark.parametrize("rate", [44_100, 48_000])
@pytest.mark.parametrize("channels", [1, 2])
def test_it_is_as_loud_as_asked_for(rate, channels):
    noise = level_noise(rate, channels, -27.3)
    assert noise.shape == (round(NOISE_S * rate), channels)
    assert integrated_loudness(noise, rate) == pytest.approx(-27.3, abs=0.01)
    assert np.ptp(noise, axis=1).max() == 0, "the same in all channels"


def test_its_power_falls_by_three_decibels_an_octave():
    noise = level_noise(48_000, 1, -30)[:, 0]
    power = np.abs(np.fft.rfft(noise)) ** 2
    frequency = np.fft.rfftfreq(len(noise), 1 / 48_000)
    density = [power[(frequency >= f) & (frequency < 2 * f)].mean() for f in 60 * 2.0 ** np.arange(8)]
    assert np.diff(10 * np.log10(density)) == pytest.approx(-3.01, abs=0.05)
    outside = power[(frequency < 39) | (frequency > 16_100)].sum()
    assert outside < 1e-12 * power.sum()


def test_it_repeats_without_a_seam():
    noise = level_noise(48_000, 1, -30)[:, 0]
    steps = np.abs(np.diff(noise))
    assert abs(noise[0] - noise[-1]) < steps.max()


def test_none_where_its_peaks_would_not_fit():
    assert level_noise(48_000, 2, -5) is None
    assert np.abs(level_noise(48_000, 2, -20)).max() < 0.9
