"""Means of the levels of factors, each other factor averaged with equal weights: the reference grid and what it gives.

The grid holds every combination of the levels of all factors of the fixed part, numeric covariates at their mean. A
mean of a level is the average of the grid's predictions over the other factors, so that an unbalanced table doesn't
favour the levels that were rated more often (Searle, Speed & Milliken 1980). Random effects are at zero: the mean is
that of the population of listeners and clips.

Source: Searle, Speed & Milliken 1980 (The American Statistician 34, 216).
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.stats.mixed.degrees_of_freedom import DegreesOfFreedom, t_half_width, t_tails

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["ReferenceGrid", "coefficient_table", "marginal_means", "marginal_weights", "reference_grid"]

Floats = NDArray[np.float64]

MOST_CELLS = 200_000
"""Combinations that a grid may have: above, somebody made a factor out of what should be a random group."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReferenceGrid:
    """All combinations of the fixed part's factors, and what each adds up of the coefficients."""

    factors: dict[str, tuple[Any, ...]]
    """Levels of each factor, in the model's order."""
    covariates: dict[str, float]
    """The value each numeric covariate is held at."""
    weights: Floats
    """(levels of the first factor, levels of the second, ..., p): coefficients' weights in a cell's mean."""


def reference_grid(
    encode: "Callable[[DataFrame], Floats]",
    factors: Mapping[str, Sequence[Any]],
    covariates: Mapping[str, float] | None = None,
) -> ReferenceGrid:
    """Return the grid of a model whose fixed part `encode` writes rows as.

    Parameters
    ----------
    encode : from rows (a DataFrame with a column for each factor and covariate) to the fixed part's columns, (rows, p)
    factors : levels of each factor of the fixed part, in the model's order
    covariates : where each numeric covariate is held, its mean by default of the caller
    """
    import pandas as pd

    levels = {name: tuple(values) for name, values in factors.items()}
    held = {name: float(value) for name, value in (covariates or {}).items()}
    shape = tuple(len(values) for values in levels.values())
    cells = int(np.prod(shape, dtype=np.int64))
    if cells > MOST_CELLS:
        raise BlindtestError(
            Fault(
                problem="too many combinations of the factors' levels for means",
                got=" x ".join(f"{name} ({len(values)})" for name, values in levels.items()),
                allowed=f"at most {MOST_CELLS}",
                remedy="a factor with very many levels (listeners, clips) belongs to the random part",
            )
        )
    rows = pd.DataFrame(list(product(*levels.values())), columns=list(levels)) if levels else pd.DataFrame(index=[0])
    for name, value in held.items():
        rows[name] = value
    weights = np.asarray(encode(rows), dtype=np.float64)
    return ReferenceGrid(factors=levels, covariates=held, weights=weights.reshape(*shape, -1))


def marginal_weights(grid: ReferenceGrid, factors: Sequence[str]) -> tuple[list[tuple[Any, ...]], Floats]:
    """Return the combinations of the named factors' levels, first factor fastest, and each mean's weights, (m, p)."""
    checked_factors(grid, factors, key="means")
    names = list(grid.factors)
    others = tuple(axis for axis, name in enumerate(names) if name not in factors)
    averaged = grid.weights.mean(axis=others) if others else grid.weights
    left = [name for name in names if name in factors]
    # The first named factor runs fastest, as tables of means are read: devices within a condition.
    order = [left.index(name) for name in reversed(factors)]
    arranged = averaged.transpose(*order, len(left)).reshape(-1, averaged.shape[-1])
    cells = [tuple(reversed(cell)) for cell in product(*(grid.factors[name] for name in reversed(factors)))]
    return cells, arranged


def marginal_means(
    grid: ReferenceGrid,
    beta: ArrayLike,
    cov_beta: ArrayLike,
    df_of: DegreesOfFreedom,
    factors: Sequence[str],
    *,
    level: float = 0.95,
) -> "DataFrame":
    """Return a row per combination of the factors' levels: they, estimate, std_error, df, ci_low, ci_high.

    No factor gives one row, the grand mean. Intervals are of single means, not adjusted for their number.
    """
    import pandas as pd

    names = [factors] if isinstance(factors, str) else list(factors)
    cells, weights = marginal_weights(grid, names)
    frame = pd.DataFrame(cells, columns=names, index=range(len(cells)))
    for column, values in estimates(weights, beta, cov_beta, df_of, level=level).items():
        if column not in ("statistic", "p_value"):
            frame[column] = values
    return frame


def coefficient_table(
    terms: Sequence[str], beta: ArrayLike, cov_beta: ArrayLike, df: ArrayLike, *, level: float = 0.95
) -> "DataFrame":
    """Return a row per term: estimate, std_error, df, statistic, p_value, ci_low, ci_high.

    Parameters
    ----------
    beta, df : (p,) the first in the unit of the answers, or on the scale of the link
    cov_beta : (p, p)
    level : of the intervals, 0 ... 1
    """
    import pandas as pd

    nu = np.broadcast_to(np.asarray(df, dtype=np.float64), (len(terms),))
    columns = estimates(np.eye(len(terms)), beta, cov_beta, lambda _: nu, level=level)
    order = ("estimate", "std_error", "df", "statistic", "p_value", "ci_low", "ci_high")
    return pd.DataFrame({name: columns[name] for name in order}, index=pd.Index(list(terms), name="term"))


def estimates(
    weights: Floats, beta: ArrayLike, cov_beta: ArrayLike, df_of: DegreesOfFreedom, *, level: float
) -> dict[str, Floats]:
    """Return estimate, std_error, df, statistic, ci_low, ci_high, p_value of each contrast, single and two-sided.

    Every result is (k,); p values are of a contrast of 0.

    Parameters
    ----------
    weights : (k, p) a contrast of the fixed effects in each row
    beta : (p,) in the unit of the answers, or on the scale of the link
    cov_beta : (p, p) its covariance
    level : of the intervals, 0 ... 1
    """
    estimate = weights @ np.asarray(beta, dtype=np.float64)
    variance = np.einsum("mi,ij,mj->m", weights, np.asarray(cov_beta, dtype=np.float64), weights)
    std_error = np.sqrt(np.maximum(variance, 0.0))
    df = np.asarray(df_of(weights), dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        statistic = estimate / std_error
    half = t_half_width(level, df) * std_error
    return {
        "estimate": estimate,
        "std_error": std_error,
        "df": df,
        "statistic": statistic,
        "ci_low": estimate - half,
        "ci_high": estimate + half,
        "p_value": t_tails(statistic, df),
    }


def checked_factors(grid: ReferenceGrid, names: Sequence[str], *, key: str) -> None:
    """Raise BlindtestError unless each name is a factor of the fixed part, and named once."""
    faults = []
    for place, name in enumerate(names):
        if name not in grid.factors:
            numeric = name in grid.covariates
            faults.append(
                Fault(
                    problem="a numeric covariate has no levels" if numeric else "the fixed part has no such factor",
                    key=key,
                    got=name,
                    allowed=", ".join(grid.factors) or "none: the fixed part has no factor",
                    remedy="its slope stands among the coefficients" if numeric else did_you_mean(name, grid.factors),
                )
            )
        elif name in names[:place]:
            faults.append(Fault(problem="the same factor twice", key=key, got=name))
    if faults:
        raise BlindtestError.of(faults)
