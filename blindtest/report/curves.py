"""Curves made ready to draw: on one grid, at one level, thinned without losing what stands out."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from blindtest.report.sound_facts import ResponseCurve

__all__ = ["POINTS", "aligned", "common_grid", "nearest", "on", "thinned"]

POINTS = 400
"""Most points a curve is drawn with."""

_ALIGN_HZ = (300.0, 3000.0)


def thinned(
    columns: Sequence[NDArray[np.float64]], points: int = POINTS, *, along: NDArray[np.float64] | None = None
) -> NDArray[np.intp]:
    """Return the indices (at most `points`, ascending) to draw: ends, and both extremes of each column per stretch.

    Stretches are equally wide on the page: of equal length in samples, or of equal ratio of `along` (Hz, ascending).
    """
    length = len(columns[0])
    if length <= points:
        return np.arange(length)
    stretches = points
    while True:
        kept = _extremes(columns, _stretches(length, stretches, along))
        if len(kept) <= points or stretches == 1:
            return kept
        stretches = max(1, int(0.9 * stretches))


def _stretches(length: int, count: int, along: NDArray[np.float64] | None) -> NDArray[np.intp]:
    if along is None:
        return np.unique(np.linspace(0, length, count + 1).astype(np.intp))
    inner = np.searchsorted(along, np.geomspace(along[0], along[-1], count + 1)[1:-1])
    return np.unique(np.concatenate([[0], inner, [length]]).astype(np.intp))


def _extremes(columns: Sequence[NDArray[np.float64]], edges: NDArray[np.intp]) -> NDArray[np.intp]:
    kept = {0, int(edges[-1]) - 1}
    for low, high in pairwise(edges):
        for column in columns:
            kept.add(int(low + np.argmin(column[low:high])))
            kept.add(int(low + np.argmax(column[low:high])))
    return np.array(sorted(kept), dtype=np.intp)


def nearest(values: NDArray[np.float64], wanted: float) -> int:
    """Return the index of the value nearest to `wanted`."""
    return int(np.argmin(np.abs(values - wanted)))


def common_grid(frequencies: Sequence[NDArray[np.float64]]) -> NDArray[np.float64]:
    """Return every frequency of any curve that lies in all of them, 20 Hz to 20 kHz."""
    low = max(20.0, *(float(f[f > 0][0]) for f in frequencies))
    high = min(20_000.0, *(float(f[-1]) for f in frequencies))
    if low >= high:
        raise ValueError(f"the curves share no frequencies: from {low:g} to {high:g} Hz")
    inside = [f[(f >= low) & (f <= high)] for f in frequencies]
    return np.unique(np.concatenate([*inside, [low, high]]))


def on(grid: NDArray[np.float64], frequency: NDArray[np.float64], level: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the level on `grid`, on the straight lines that the figure draws (dB over log frequency)."""
    positive = frequency > 0
    return np.asarray(np.interp(np.log(grid), np.log(frequency[positive]), level[positive]), dtype=np.float64)


def aligned(curve: ResponseCurve, grid: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the curve relative to its own mean level from 300 Hz to 3 kHz, since devices are compared equally loud."""
    level = on(grid, curve.frequency, curve.level_db)
    low, high = max(_ALIGN_HZ[0], grid[0]), min(_ALIGN_HZ[1], grid[-1])
    if low >= high:
        return level - float(level.mean())
    even = np.geomspace(low, high, 200)
    return level - float(np.interp(np.log(even), np.log(grid), level).mean())
