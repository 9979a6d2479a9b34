"""Differences that are small enough: two one-sided t tests against margins fixed in advance.

Source: Schuirmann 1987 (J. Pharmacokin. Biopharm. 15, 657).
"""

from dataclasses import dataclass
from math import sqrt
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtr, stdtrit

from blindtest.stats.binomial import checked_probability
from blindtest.stats.plain import plain

__all__ = ["EquivalenceResult", "equivalence_test"]


@dataclass(frozen=True, slots=True, kw_only=True)
class EquivalenceResult:
    """A mean difference held against margins on both sides."""

    mean: float
    std_error: float
    n: int
    df: int
    margin: float
    p_value: float
    """The larger of the two one-sided p values."""
    interval: tuple[float, float]
    """Mean difference at confidence `level`: lies within the margins just when `p_value` lies below alpha."""
    level: float
    """1 - 2 alpha."""
    assumptions: tuple[str, ...] = (
        "differences are independent and roughly normal",
        "the margin was fixed before the data were seen",
    )
    source: str = "Schuirmann 1987: two one-sided tests"

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self)


def equivalence_test(differences: ArrayLike, *, margin: float, alpha: float = 0.05) -> EquivalenceResult:
    """Hold paired differences, (n,), in the margin's unit, against -margin and +margin.

    Raises
    ------
    ValueError
        Fewer than two differences, one that is not finite, differences that are all equal, or a margin not above 0.
    """
    d = np.asarray(differences, dtype=np.float64)
    if d.ndim != 1 or d.size < 2 or not np.all(np.isfinite(d)):
        raise ValueError(f"there must be two or more finite differences in one row, got shape {d.shape}")
    if not margin > 0:
        raise ValueError(f"the margin must be above 0, got {margin}")
    checked_probability("alpha", alpha)
    mean, std_error, df = float(d.mean()), float(d.std(ddof=1)) / sqrt(d.size), d.size - 1
    if std_error == 0:
        raise ValueError(f"all {d.size} differences are {mean}: there is no spread to judge the mean by")
    p_low, p_high = stdtr(df, -(mean + margin) / std_error), stdtr(df, (mean - margin) / std_error)
    half = float(stdtrit(df, 1 - alpha)) * std_error
    return EquivalenceResult(
        mean=mean,
        std_error=std_error,
        n=int(d.size),
        df=df,
        margin=float(margin),
        p_value=float(max(p_low, p_high)),
        interval=(mean - half, mean + half),
        level=1 - 2 * alpha,
    )
