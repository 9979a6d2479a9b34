"""Several tests at once: p values adjusted so that the family errs no more often than one test would.

Sources: Holm 1979 (Scand. J. Statist. 6, 65); Hochberg 1988 (Biometrika 75, 800); Hommel 1988 (Biometrika 75, 383);
Benjamini & Hochberg 1995 (JRSS B 57, 289), which bounds the share of false discoveries instead.
"""

from collections.abc import Callable
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["ADJUSTMENT_SOURCES", "Adjustment", "adjust_p_values"]

Floats = NDArray[np.float64]
Adjustment = Literal["holm", "bh", "hommel", "hochberg"]
ADJUSTMENT_SOURCES: dict[str, str] = {
    "holm": "Holm 1979",
    "bh": "Benjamini & Hochberg 1995, for exploring",
    "hommel": "Hommel 1988",
    "hochberg": "Hochberg 1988",
}


def adjust_p_values(p_values: ArrayLike, *, method: Adjustment = "holm") -> Floats:
    """Return the adjusted p values, (tests,), in the order given.

    Holm holds always. Hochberg and Hommel need independent or positively dependent tests and are never larger. "bh"
    (Benjamini & Hochberg) is for exploring only.

    Raises
    ------
    ValueError
        A value outside 0 ... 1 (NaN included), more than one dimension, or an unknown method.
    """
    p = np.asarray(p_values, dtype=np.float64)
    if p.ndim != 1:
        raise ValueError(f"p values must be a sequence of numbers, got an array of {p.ndim} dimensions")
    if not np.all((p >= 0) & (p <= 1)):
        raise ValueError(f"p values must lie in 0 ... 1, got {p[~((p >= 0) & (p <= 1))][0]}")
    if method not in _ADJUSTMENTS:
        raise ValueError(f"no adjustment {method!r} (there are: {', '.join(_ADJUSTMENTS)})")
    if p.size == 0:
        return p.copy()
    order = np.argsort(p, kind="stable")
    adjusted = np.empty_like(p)
    adjusted[order] = np.minimum(_ADJUSTMENTS[method](p[order]), 1.0)
    return adjusted


def _holm(p: Floats) -> Floats:
    tests = len(p)
    return np.maximum.accumulate(p * (tests - np.arange(tests)))


def _hochberg(p: Floats) -> Floats:
    tests = len(p)
    return _running_minimum_from_the_end(p * (tests - np.arange(tests)))


def _bh(p: Floats) -> Floats:
    tests = len(p)
    return _running_minimum_from_the_end(p * tests / np.arange(1, tests + 1))


def _running_minimum_from_the_end(values: Floats) -> Floats:
    return np.minimum.accumulate(values[::-1])[::-1]


def _hommel(p: Floats) -> Floats:
    """Close the family under Simes' test: for each size m of an intersection, its least Simes value (Wright 1992)."""
    tests = len(p)
    adjusted = p.copy()
    for size in range(tests, 1, -1):
        largest = p[tests - size + 1 :]  # the size - 1 largest: in the worst intersection of this size
        simes = float(np.min(size * largest / np.arange(2, size + 1)))
        bound = np.minimum(simes, size * p)
        bound[tests - size + 1 :] = simes
        adjusted = np.maximum(adjusted, bound)
    return adjusted


_ADJUSTMENTS: dict[str, Callable[[Floats], Floats]] = {
    "holm": _holm,
    "bh": _bh,
    "hommel": _hommel,
    "hochberg": _hochberg,
}
