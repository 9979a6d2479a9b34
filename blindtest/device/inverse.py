"""Inverting a level curve without boosting beyond a limit.

C = conj(H) / (|H|^2 + beta) (Kirkeby and Nelson 1999, "Digital filter design for inversion problems in sound
reproduction", JAES 47): peaks are inverted nearly fully, dips up to a boost of 1/(2 sqrt(beta)).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["RegularisedInverse", "regularised_inverse_db"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RegularisedInverse:
    """An inverse with limited boost, and what it leaves."""

    inverse_db: Floats
    """Level of the inverse, dB; nowhere above the limit."""
    error_db: Floats
    """Curve times inverse, dB: 0 would be a full inversion, negative is what the limit leaves standing."""
    beta: float


def regularised_inverse_db(magnitude_db: ArrayLike, max_boost_db: float) -> RegularisedInverse:
    """Return |H| / (|H|^2 + beta) in dB, with beta such that the inverse never boosts more than `max_boost_db`.

    Parameters
    ----------
    magnitude_db : array_like of any shape, dB
        The curve to invert, relative to the level that shall come out as 0 dB: a curve in dB SPL is brought there
        by the caller first, since the limit counts from 0 dB.
    max_boost_db : float, dB
        The largest boost, 1/(2 sqrt(beta)), reached where |H| = sqrt(beta).
    """
    levels = np.asarray(magnitude_db, dtype=np.float64)
    beta = 0.25 * 10 ** (-max_boost_db / 10)
    half = np.log(10) / 10
    denominator_db = np.logaddexp(half * levels, np.log(beta)) / half  # 10 lg(|H|^2 + beta)
    return RegularisedInverse(
        inverse_db=levels - 2 * denominator_db, error_db=2 * levels - 2 * denominator_db, beta=float(beta)
    )
