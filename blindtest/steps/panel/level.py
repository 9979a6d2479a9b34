"""What a panel's listeners set their level by: a steady noise as loud as the programme."""

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from blindtest.audio import integrated_loudness, level_noise
from blindtest.steps.sitting_level import FULL_SCALE

__all__ = ["LevelSounds"]

Samples = Callable[[str, str], NDArray[np.int32]]


class LevelSounds:
    """Noise in place of a stimulus, as loud as it; the stimulus itself where the noise's peaks would not fit.

    Parameters
    ----------
    samples : (clip, condition) to stored 24-bit samples, (n, channels)
    rate : clip to Hz
    """

    def __init__(self, samples: Samples, rate: Callable[[str], int]) -> None:
        self._samples = samples
        self._rate = rate
        self._loudness: dict[tuple[str, str], float] = {}

    def __call__(self, clip: str, condition: str) -> NDArray[np.int32]:
        """Return 24-bit samples (n, channels) as loud as the stimulus (ITU-R BS.1770-5, integrated)."""
        samples = self._samples(clip, condition)
        rate = self._rate(clip)
        if (clip, condition) not in self._loudness:
            frames = np.asarray(samples)
            self._loudness[clip, condition] = integrated_loudness(frames, rate, full_scale=FULL_SCALE)
        loudness = self._loudness[clip, condition]
        noise = _noise(rate, samples.shape[1], round(loudness, 2)) if np.isfinite(loudness) else None
        return samples if noise is None else noise


@lru_cache(maxsize=4)
def _noise(rate: int, channels: int, loudness: float) -> NDArray[np.int32] | None:
    frames = level_noise(rate, channels, loudness)
    return None if frames is None else np.round(frames * FULL_SCALE).astype(np.int32)
