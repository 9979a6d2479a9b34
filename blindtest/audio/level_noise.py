"""A noise to set a comfortable level by: as loud as the programme, steady, and nothing that a trial will play.

Pink (power falling by 3 dB an octave), 40 Hz to 16 kHz, without beginning or end: it repeats without a seam. That a
level is set by a steady broad-band noise is common practice. Its phases are hashed, so that it is the same everywhere.
"""

from hashlib import shake_256

import numpy as np
from numpy.typing import NDArray

from blindtest.audio.loudness import integrated_loudness

__all__ = ["NOISE_BAND_HZ", "NOISE_S", "level_noise"]

NOISE_BAND_HZ = (40.0, 16_000.0)
NOISE_S = 10.0
_HIGHEST = 0.89
"""Highest sample, full scale = 1: -1 dB."""


def level_noise(rate: int, channels: int, loudness: float) -> NDArray[np.float64] | None:
    """Return pink noise of a loudness, the same in all channels; None where its peaks would not fit.

    Parameters
    ----------
    rate : Hz
    channels : 1 or 2
    loudness : LUFS, integrated after ITU-R BS.1770-5

    Returns
    -------
    (n, channels) float64, full scale = 1; `NOISE_S` long
    """
    count = round(NOISE_S * rate)
    frequency = np.fft.rfftfreq(count, 1 / rate)
    inside = (frequency >= NOISE_BAND_HZ[0]) & (frequency <= min(NOISE_BAND_HZ[1], 0.45 * rate))
    raw = shake_256(b"blindtest: noise to set the level by").digest(4 * len(frequency))
    phase = 2 * np.pi * np.frombuffer(raw, dtype="<u4") / 2**32
    spectrum = np.zeros(len(frequency), dtype=np.complex128)
    spectrum[inside] = np.exp(1j * phase[inside]) / np.sqrt(frequency[inside])
    noise = np.fft.irfft(spectrum, count)
    frames = np.repeat(noise[:, np.newaxis] / np.abs(noise).max(), channels, axis=1)
    frames *= 10 ** ((loudness - integrated_loudness(frames, rate)) / 20)
    return frames if np.abs(frames).max() <= _HIGHEST else None
