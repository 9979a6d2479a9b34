"""Where a response dips too narrowly to be filled: how far down an inverse may follow it.

A narrow dip is mostly a cancellation: it lies elsewhere at the next seating and in the next ear, and the narrow boost
that would fill it is heard where the dip isn't. A peak is heard wherever it lies, so peaks are inverted fully. The idea
of judging by the measured curve against its own half-octave-smoothed form is that of frequency-dependent
regularisation (Kirkeby and Nelson 1999, JAES 47); how far a dip may be followed is our rule.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .response import Response, smooth

__all__ = ["ALLOWED_DB", "notch_floor_db", "smooth_minimum", "surroundings_db"]

Floats = NDArray[np.float64]

SURROUNDINGS_OCTAVES = 1 / 2
"""The mean that a level is held against."""
MEDIAN_OCTAVES = 1.0
"""The median that guards it: in a dip, the level at the edges of the half octave around it."""
ALLOWED_DB = 0.5
"""How far under its surroundings a dip is followed; our rule. A dip of 12 dB and Q 1 then is filled but for 0.2 dB, one
of 6 dB and Q 2 but for 0.6 dB, one of 20 dB and Q 10 by 4 dB (Q as in the W3C's Audio EQ Cookbook)."""
_SETTLED_DB = 0.01
_ROUNDS = 60


def notch_floor_db(frequency: ArrayLike, level_db: ArrayLike) -> Floats:
    """Return the level (bins,) in dB under which an inverse doesn't follow a curve down.

    The curve, filled up to its floor wherever it lies lower, dips nowhere by more than 0.5 dB under its own
    surroundings: filling raises the surroundings, so it is done until nothing moves (each round only raises, and
    nothing passes the curve's highest level). Deep notches would else lower what they are held against.

    Parameters
    ----------
    frequency : (bins,) array_like, Hz
        In equal steps on log f.
    level_db : (bins,) array_like, dB
    """
    levels = np.asarray(level_db, dtype=np.float64)
    floor = surroundings_db(frequency, levels) - ALLOWED_DB
    for _ in range(_ROUNDS):
        higher = surroundings_db(frequency, np.maximum(levels, floor)) - ALLOWED_DB
        settled = float(np.max(higher - floor)) < _SETTLED_DB
        floor = np.maximum(floor, higher)
        if settled:
            break
    return floor


def surroundings_db(frequency: ArrayLike, level_db: ArrayLike) -> Floats:
    """Return the level around each frequency (bins,) in dB, which narrow dips hardly lower.

    `frequency` and `level_db` as for `notch_floor_db`.

    Notes
    -----
    The mean power over half an octave, but never more than the median over an octave. The mean alone is lifted beside
    a peak, so that the peak's own flanks would count as dips; the median equals the curve on every slope, but not in
    a wide valley between two peaks, where the mean is the lower.
    """
    from scipy.ndimage import median_filter  # slow to import

    at = np.asarray(frequency, dtype=np.float64)
    levels = np.asarray(level_db, dtype=np.float64)
    if at.shape != levels.shape or at.ndim != 1 or len(at) < 3:
        raise ValueError(f"frequency and level_db must be (bins,) of 3 bins or more, got {at.shape} and {levels.shape}")
    steps = np.diff(np.log2(at))
    if not np.allclose(steps, steps[0], rtol=1e-6, atol=0.0):
        raise ValueError("frequency must be in equal steps on log f")
    mean = smooth(Response(frequency=at, magnitude=levels[:, None]), SURROUNDINGS_OCTAVES).magnitude[:, 0]
    width = 2 * round(MEDIAN_OCTAVES / 2 / float(steps[0])) + 1
    median: Floats = median_filter(levels, size=width, mode="nearest")
    return np.minimum(mean, median)


def smooth_minimum(first: ArrayLike, second: ArrayLike, knee: float) -> Floats:
    """Return the smaller of two, rounded off where they lie within `knee` of each other; never above either.

    A quadratic takes over between -`knee` and +`knee`; it is lowest against the sharp corner, by `knee`/4, where both
    are equal. Without it a filter would ring at each corner of its level curve.
    """
    if knee < 0:
        raise ValueError(f"knee must not be negative, got {knee}")
    one, other = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    smaller = np.minimum(one, other)
    if knee == 0:
        return smaller
    near = np.maximum(knee - np.abs(one - other), 0.0)
    return np.asarray(smaller - near**2 / (4 * knee), dtype=np.float64)
