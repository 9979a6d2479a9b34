"""Clips: samples with a rate."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Clip"]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Clip:
    """Programme material: frames (n, channels) float64, full scale = 1, read-only; rate Hz."""

    frames: NDArray[np.float64]
    rate: int
    name: str = ""

    def __post_init__(self) -> None:
        frames = np.asarray(self.frames, dtype=np.float64)
        if frames.ndim != 2:
            raise ValueError(f"frames must be (n, channels), got shape {frames.shape}")
        frames = frames.view()
        frames.flags.writeable = False
        object.__setattr__(self, "frames", frames)

    @property
    def channels(self) -> int:
        """Number of channels."""
        return int(self.frames.shape[1])

    @property
    def duration(self) -> float:
        """Length in s."""
        return len(self.frames) / self.rate
