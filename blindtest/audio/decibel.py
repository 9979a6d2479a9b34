"""Decibels of amplitude ratios: 20 lg, so that a factor of 10 is 20 dB."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["from_db", "to_db"]


def to_db(amplitude: ArrayLike) -> NDArray[np.float64]:
    """Return 20 lg |amplitude| in dB, the shape of `amplitude`; -inf for zero."""
    with np.errstate(divide="ignore"):
        decibels: NDArray[np.float64] = 20.0 * np.log10(np.abs(np.asarray(amplitude)))
    return decibels


def from_db(level_db: ArrayLike) -> NDArray[np.float64]:
    """Return the amplitude ratio 10^(level_db/20), the shape of `level_db`; 0 for -inf."""
    ratio: NDArray[np.float64] = np.power(10.0, np.asarray(level_db, dtype=np.float64) / 20.0)
    return ratio
