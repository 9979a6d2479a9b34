"""Each frequency once: points of a curve that repeat are averaged."""

import numpy as np
from numpy.typing import NDArray

from .lines import refused

__all__ = ["SAME", "merged_points"]

Floats = NDArray[np.float64]
Lines = NDArray[np.int64]

SAME = 1e-9
"""Frequencies nearer than this, relative, are one point."""


def merged_points(
    frequency: Floats, magnitude: Floats, phase: Floats, place: Lines
) -> tuple[Floats, Floats, Floats, list[str]]:
    """One point for each frequency: mean of the levels in dB, phases as unit vectors."""
    new = np.concatenate([[True], np.diff(frequency) > SAME * frequency[1:]])
    if new.all():
        return frequency, magnitude, phase, []
    starts = np.flatnonzero(new)
    size = np.diff(np.append(starts, len(frequency)))[:, None]
    apart = np.maximum.reduceat(magnitude, starts) - np.minimum.reduceat(magnitude, starts)
    repeated = size[:, 0] > 1
    if repeated.sum() > len(starts) / 2 and np.median(apart[repeated]) > 3:
        first = int(starts[repeated][0]) + 1
        raise refused(
            "most frequencies stand twice, with different levels: two curves in one table",
            line=int(place[first]),
            got=f"levels {np.median(apart[repeated]):.1f} dB apart",
            remedy="write one file per curve",
        )
    turned = np.angle(np.add.reduceat(np.exp(1j * phase), starts)) if phase.shape[1] else phase[starts]
    kept_phase = np.where(size > 1, turned, phase[starts])
    remark = (
        f"{repeated.sum()} repeated {'point' if repeated.sum() == 1 else 'points'} averaged in dB, "
        f"at most {apart.max():.2g} dB apart"
    )
    return frequency[starts], np.add.reduceat(magnitude, starts) / size, kept_phase, [remark]
