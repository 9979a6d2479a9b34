"""Intraclass correlations: how much of the spread of ratings is that of what was rated.

Mean squares of a table of n targets (rows) by k judges (columns): B between targets, J between judges, E residual, W
within targets. Three views of the judges, each for a single rating and for the mean of all k:

- (1,1), (1,k): every target has its own judges;
- (2,1), (2,k): the judges are a sample of those one wants to speak of, and their levels count as disagreement;
- (3,1), (3,k): just these judges, and their levels don't count.

Source: Shrout & Fleiss 1979 (Psychological Bulletin 86, 420): estimates, F tests and intervals; those of the second
form with their approximate degrees of freedom.
"""

from dataclasses import dataclass
from math import inf, isfinite, nan
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc, fdtri

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["FORMS", "MeanSquares", "intraclass_correlations", "mean_squares"]

Floats = NDArray[np.float64]
FORMS = ("ICC(1,1)", "ICC(2,1)", "ICC(3,1)", "ICC(1,k)", "ICC(2,k)", "ICC(3,k)")
NEGLIGIBLE = 1e-13
"""Of the total mean square: below this a mean square is rounding, and counts as 0."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanSquares:
    """Of a complete table of ratings."""

    targets: int
    judges: int
    between: float
    judge: float
    residual: float
    within: float


def mean_squares(ratings: Floats) -> MeanSquares:
    """Return the mean squares of (targets, judges) ratings, at least 2 by 2."""
    n, k = ratings.shape
    rows = ratings.mean(axis=1)
    columns = ratings.mean(axis=0)
    grand = ratings.mean()
    residuals = ratings - rows[:, None] - columns + grand
    between = k * float(np.sum((rows - grand) ** 2)) / (n - 1)
    judge = n * float(np.sum((columns - grand) ** 2)) / (k - 1)
    residual = float(np.sum(residuals**2)) / ((n - 1) * (k - 1))
    within = float(np.sum((ratings - rows[:, None]) ** 2)) / (n * (k - 1))
    floor = NEGLIGIBLE * float(np.sum(ratings**2)) / (n * k)
    clean = [0.0 if value <= floor else value for value in (between, judge, residual, within)]
    return MeanSquares(targets=n, judges=k, between=clean[0], judge=clean[1], residual=clean[2], within=clean[3])


def intraclass_correlations(squares: MeanSquares, *, level: float) -> "DataFrame":
    """Return a row per form: estimate, ci_low, ci_high, f_value, df1, df2, p_value.

    Where nothing varies the estimate does not exist (NaN); judges who agree to the last digit give 1.
    """
    import pandas as pd

    single = [_first(squares, level), _second(squares, level), _third(squares, level)]
    mean = [_of_the_mean(row, squares.judges) for row in single]
    columns = ["estimate", "ci_low", "ci_high", "f_value", "df1", "df2", "p_value"]
    return pd.DataFrame([*single, *mean], columns=columns, index=pd.Index(FORMS, name="form"))


Row = tuple[float, float, float, float, float, float, float]


def _first(s: MeanSquares, level: float) -> Row:
    estimate = _ratio(s.between - s.within, s.between + (s.judges - 1) * s.within)
    return _with_f_interval(s, estimate, s.within, s.targets * (s.judges - 1.0), level)


def _third(s: MeanSquares, level: float) -> Row:
    estimate = _ratio(s.between - s.residual, s.between + (s.judges - 1) * s.residual)
    return _with_f_interval(s, estimate, s.residual, (s.targets - 1.0) * (s.judges - 1.0), level)


def _with_f_interval(s: MeanSquares, estimate: float, error: float, df2: float, level: float) -> Row:
    df1, k = s.targets - 1.0, s.judges
    f_value = _ratio(s.between, error)
    if not isfinite(f_value):
        bounds = (1.0, 1.0) if f_value == inf else (nan, nan)
        return (estimate, *bounds, f_value, df1, df2, 0.0 if f_value == inf else nan)
    tail = (1 + level) / 2
    low = f_value / float(fdtri(df1, df2, tail))
    high = f_value * float(fdtri(df2, df1, tail))
    p_value = float(fdtrc(df1, df2, f_value))
    return (estimate, (low - 1) / (low + k - 1), (high - 1) / (high + k - 1), f_value, df1, df2, p_value)


def _second(s: MeanSquares, level: float) -> Row:
    n, k, b, j, e = s.targets, s.judges, s.between, s.judge, s.residual
    df1, df2 = n - 1.0, (n - 1.0) * (k - 1.0)
    estimate = _ratio(b - e, b + (k - 1) * e + k * (j - e) / n)
    f_value = _ratio(b, e)
    p_value = nan if f_value != f_value else (0.0 if f_value == inf else float(fdtrc(df1, df2, f_value)))
    if not isfinite(f_value):
        bounds = (1.0, 1.0) if f_value == inf and j == 0 else (nan, nan)
        return (estimate, *bounds, f_value, df1, df2, p_value)
    ratio = j / e
    share = n * (1 + (k - 1) * estimate) - k * estimate
    df = (k - 1) * (n - 1) * (k * estimate * ratio + share) ** 2
    df /= (n - 1) * k**2 * estimate**2 * ratio**2 + share**2
    if not df > 0:
        return (estimate, nan, nan, f_value, df1, df2, p_value)
    tail = (1 + level) / 2
    upper, lower = float(fdtri(n - 1, df, tail)), float(fdtri(df, n - 1, tail))
    spread = k * j + (k * n - k - n) * e
    low = n * (b - upper * e) / (upper * spread + n * b)
    high = n * (lower * b - e) / (spread + n * lower * b)
    return (estimate, low, high, f_value, df1, df2, p_value)


def _of_the_mean(row: Row, judges: int) -> Row:
    """Step a single rating's correlation up to the mean of all judges' (Spearman & Brown).

    One at or below -1/(judges - 1), the least there can be, has no such mean: -inf.
    """

    def stepped(value: float) -> float:
        under = 1 + (judges - 1) * value
        return value * judges / under if under > NEGLIGIBLE or under != under else -inf

    return (stepped(row[0]), stepped(row[1]), stepped(row[2]), *row[3:])


def _ratio(over: float, under: float) -> float:
    if under == 0:
        return nan if over == 0 else inf
    return over / under
