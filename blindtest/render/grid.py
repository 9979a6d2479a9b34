"""Frequencies in Hz on which curves are computed and shown, ascending: logarithmic, finer than any measurement."""

import numpy as np
from numpy.typing import NDArray

from blindtest.device import Response

__all__ = ["display_grid", "fine_grid", "log_grid"]

_POINTS_PER_OCTAVE = 192
_LOWEST_HZ, _HIGHEST_HZ = 1.0, 200_000.0
_LEAST_OCTAVES = 1 / 4000
"""Points nearer than this to a measured one are left out: slopes over nothing are noise."""


def display_grid() -> NDArray[np.float64]:
    """Return the frequencies that curves are shown at: 48 an octave from 5 Hz to 40 kHz."""
    return log_grid(5.0, 40_000.0, 48)


def log_grid(low: float, high: float, per_octave: int) -> NDArray[np.float64]:
    """Return `per_octave` frequencies in each octave from `low` up to `high` at most, both in Hz."""
    count = int(np.floor(np.log2(high / low) * per_octave))
    grid: NDArray[np.float64] = low * 2.0 ** (np.arange(count + 1) / per_octave)
    return grid


def fine_grid(*responses: Response) -> NDArray[np.float64]:
    """Return a fine logarithmic grid that holds every measured frequency of `responses`, Hz ascending."""
    grid = np.empty(0)
    for response in responses:
        grid = _merged(grid, response.frequency[response.frequency > 0])
    return _merged(grid, log_grid(_LOWEST_HZ, _HIGHEST_HZ, _POINTS_PER_OCTAVE))


def _merged(grid: NDArray[np.float64], more: NDArray[np.float64]) -> NDArray[np.float64]:
    if len(grid) == 0:
        return np.array(more, dtype=np.float64)
    place = np.searchsorted(grid, more)
    below, above = grid[np.maximum(place - 1, 0)], grid[np.minimum(place, len(grid) - 1)]
    away = np.minimum(np.abs(np.log2(more / below)), np.abs(np.log2(more / above)))
    return np.sort(np.concatenate((grid, more[away > _LEAST_OCTAVES])))
