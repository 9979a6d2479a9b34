"""Skewness, kurtosis and the coefficient that suspects two groups of listeners in one set of ratings.

b = (g^2 + 1) / (k + 3 (n - 1)^2 / ((n - 2)(n - 3))), g sample skewness, k sample excess kurtosis (both corrected for
n); a uniform distribution has 5/9, two groups far apart nearly 1, one bell 1/3. Above 5/9 there may be two groups, or
one very skewed one: look at the ratings.

Source: ITU-R BS.1534-3 (2015), 4.1.1; the coefficient is SAS's (SAS/STAT User's Guide, The CLUSTER Procedure).
"""

from math import nan

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["TWO_GROUPS", "multimodality", "sample_kurtosis", "sample_skewness"]

TWO_GROUPS = 5 / 9


def sample_skewness(values: ArrayLike) -> float:
    """Return the skewness of (n,), corrected for n; NaN below three values or without spread."""
    x = np.asarray(values, dtype=np.float64)
    n = len(x)
    spread = _spread(x) if n > 2 else 0.0
    if spread == 0:
        return nan
    return n / ((n - 1) * (n - 2)) * float(np.sum(((x - x.mean()) / spread) ** 3))


def sample_kurtosis(values: ArrayLike) -> float:
    """Return the excess kurtosis of (n,), corrected for n; NaN below four values or without spread."""
    x = np.asarray(values, dtype=np.float64)
    n = len(x)
    spread = _spread(x) if n > 3 else 0.0
    if spread == 0:
        return nan
    fourth = n * (n + 1) / ((n - 1) * (n - 2) * (n - 3)) * float(np.sum(((x - x.mean()) / spread) ** 4))
    return fourth - 3 * (n - 1) ** 2 / ((n - 2) * (n - 3))


def multimodality(values: ArrayLike) -> float:
    """Return b of (n,), 0 ... 1; NaN below four values or without spread."""
    x = np.asarray(values, dtype=np.float64)
    n = len(x)
    if n < 4:
        return nan
    g, k = sample_skewness(x), sample_kurtosis(x)
    return (g**2 + 1) / (k + 3 * (n - 1) ** 2 / ((n - 2) * (n - 3)))


def _spread(x: NDArray[np.float64]) -> float:
    spread = float(x.std(ddof=1))
    return spread if spread > 1e-12 * max(1e-300, float(np.abs(x).max())) else 0.0
