"""The inverse of a curvature whose parameters have units of their own."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["inverse_curvature", "steepness_ratio"]

Floats = NDArray[np.float64]

FLAT = 1e-14
"""Curvature of a direction, against the steepest one, below which rounding can't tell it from none."""


def steepness_ratio(matrix: Floats) -> float:
    """Return how much steeper the steepest direction is than the flattest, units apart; 1e16 and rounding is all.

    The ratio has no unit and is 1 or more.

    Parameters
    ----------
    matrix : (k, k), symmetric, in whatever units its parameters have
    """
    unit = np.sqrt(np.abs(np.diagonal(matrix)))
    unit = np.where(unit > 0, unit, 1.0)
    values = np.abs(np.linalg.eigvalsh((matrix + matrix.T) / 2 / unit / unit[:, None]))
    return float(values.max(initial=1.0) / max(values.min(initial=1.0), 1e-300))


def inverse_curvature(matrix: Floats) -> Floats:
    """Return the inverse of a symmetric matrix, (k, k), flat directions left out.

    Rows and columns are first brought to a diagonal of ones: a variance per squared millisecond and one of ratings
    differ by many powers of ten, and must not be taken for flat.
    """
    unit = np.sqrt(np.abs(np.diagonal(matrix)))
    unit = np.where(unit > 0, unit, 1.0)
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2 / unit / unit[:, None])
    kept = np.abs(values) > FLAT * np.abs(values).max(initial=0.0)
    vectors = vectors[:, kept] / unit[:, None]
    return np.asarray(vectors / values[kept] @ vectors.T)
