"""Differences between levels of a factor, adjusted for their number.

Contrasts are differences of marginal means (marginal_means.py): all pairs of levels, or each level against the first
("dunnett"); of a product, "device:mode", differences of differences. With `by` they are formed within each
combination of the `by` factors' levels.

The family: tests are adjusted for all contrasts of the same `by` level. A factor with two levels has one contrast in
each, which leaves nothing to adjust; for "holm" the family then is the contrasts of all `by` levels together.

- "tukey": studentised range of as many means as the factor has levels, with each contrast's own degrees of freedom
  (Tukey 1953; exact for independent means of equal variance, conservative otherwise: Hayter 1984 for independent
  means).
- "dunnett": multivariate t with the contrasts' estimated correlations and each contrast's own degrees of freedom
  (Dunnett 1955).
- "holm": p values step down (Holm 1979); intervals as wide as Bonferroni's, since no simple interval belongs to Holm's.
- "none": single tests.

Sources: Tukey 1953, The problem of multiple comparisons; Hayter 1984 (Ann. Statist. 12, 61); Dunnett 1955 (JASA 50,
1096); Holm 1979 (Scand. J. Statist. 6, 65).
"""

from collections.abc import Sequence
from itertools import combinations, product
from typing import TYPE_CHECKING, Any, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.stats.mixed.adjustment import adjusted
from blindtest.stats.mixed.degrees_of_freedom import DegreesOfFreedom
from blindtest.stats.mixed.marginal_means import ReferenceGrid, checked_factors, estimates

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["Adjust", "contrast_table", "contrast_weights"]

Floats = NDArray[np.float64]
Adjust = Literal["tukey", "holm", "dunnett", "none"]


def contrast_weights(
    grid: ReferenceGrid, factor: str, by: Sequence[str] = (), *, against_first: bool = False
) -> tuple[list[str], list[tuple[Any, ...]], Floats]:
    """Return names of the contrasts, combinations of the `by` levels, and weights, (by levels, contrasts, p)."""
    parts = factor.split(":")
    names = list(grid.factors)
    checked_factors(grid, [*parts, *by], key="contrast")
    single = [name for name in parts if len(grid.factors[name]) < 2]
    if single:
        raise BlindtestError(Fault(problem="a factor with one level has no differences", key="contrast", got=single[0]))
    others = tuple(axis for axis, name in enumerate(names) if name not in parts and name not in by)
    averaged = grid.weights.mean(axis=others) if others else grid.weights
    left = [name for name in names if name in parts or name in by]
    arranged = averaged.transpose(*(left.index(name) for name in (*by, *parts)), len(left))
    cells = list(product(*(grid.factors[name] for name in by)))
    labels: list[tuple[str, ...]] = [()]
    weights = arranged.reshape(len(cells), *arranged.shape[len(by) :])
    for part in parts:
        named, matrix = _differences([str(value) for value in grid.factors[part]], against_first=against_first)
        # Takes the first axis after the `by` levels, leaves its contrasts as the last before the coefficients.
        weights = np.moveaxis(np.tensordot(matrix, weights, axes=(1, 1)), 0, -2)
        labels = [(*before, now) for before in labels for now in named]
    texts = [label[0] if len(label) == 1 else ", ".join(f"({text})" for text in label) for label in labels]
    return texts, cells, weights.reshape(len(cells), len(labels), -1)


def _differences(levels: Sequence[str], *, against_first: bool) -> tuple[list[str], Floats]:
    if against_first:
        pairs = [(place, 0) for place in range(1, len(levels))]
    else:
        pairs = list(combinations(range(len(levels)), 2))
    matrix = np.zeros((len(pairs), len(levels)))
    for row, (one, other) in enumerate(pairs):
        matrix[row, one], matrix[row, other] = 1.0, -1.0
    return [f"{levels[one]} - {levels[other]}" for one, other in pairs], matrix


def contrast_table(
    grid: ReferenceGrid,
    beta: ArrayLike,
    cov_beta: ArrayLike,
    df_of: DegreesOfFreedom,
    factor: str,
    *,
    by: Sequence[str] = (),
    adjust: Adjust = "tukey",
    level: float = 0.95,
) -> "DataFrame":
    """Return a row per contrast and `by` level.

    Columns: contrast, the `by` factors, estimate, std_error, df, statistic, ci_low, ci_high, p_value.

    Parameters
    ----------
    factor : a factor of the fixed part, or a product ("device:mode") for differences of differences
    by : factors within whose levels the contrasts are formed; all others are averaged with equal weights
    adjust : see the module; what was adjusted, and for how many, stands in `attrs` of the table

    Raises
    ------
    BlindtestError
        No such factor; a factor with one level; an unknown adjustment; "tukey" or "dunnett" for a product.
    """
    import pandas as pd

    within = [by] if isinstance(by, str) else list(by)
    _check_adjustment(factor, adjust)
    names, cells, weights = contrast_weights(grid, factor, within, against_first=adjust == "dunnett")
    count = len(names)
    flat = weights.reshape(len(cells) * count, -1)
    columns = estimates(flat, beta, cov_beta, df_of, level=level)
    whole = adjust == "holm" and count == 1
    family = len(cells) if whole else count
    means = len(grid.factors[factor]) if ":" not in factor else 0
    for start in range(0, len(flat), family):
        here = slice(start, start + family)
        p_value, half = adjusted(
            columns["statistic"][here],
            columns["df"][here],
            adjust=adjust,
            level=level,
            means=means,
            covariance=flat[here] @ np.asarray(cov_beta, dtype=np.float64) @ flat[here].T,
        )
        columns["p_value"][here] = p_value
        columns["ci_low"][here] = columns["estimate"][here] - half * columns["std_error"][here]
        columns["ci_high"][here] = columns["estimate"][here] + half * columns["std_error"][here]
    frame = pd.DataFrame({"contrast": names * len(cells)})
    for place, name in enumerate(within):
        frame[name] = [cell[place] for cell in cells for _ in names]
    for name, values in columns.items():
        frame[name] = values
    frame.attrs = {"adjust": adjust, "family": family, "level": float(level), "sentence": _sentence(adjust, family)}
    return frame


def _check_adjustment(factor: str, adjust: str) -> None:
    if adjust not in get_args(Adjust):
        raise BlindtestError(
            Fault(
                problem="no such adjustment",
                key="adjust",
                got=adjust,
                allowed=", ".join(get_args(Adjust)),
                remedy=did_you_mean(str(adjust), get_args(Adjust)),
            )
        )
    if ":" in factor and adjust in ("tukey", "dunnett"):
        raise BlindtestError(
            Fault(
                problem=f"{adjust} is about differences of means, not about differences of differences",
                key="adjust",
                got=adjust,
                allowed="holm, none",
            )
        )


def _sentence(adjust: Adjust, family: int) -> str:
    tests = f"{family} contrasts" if family > 1 else "one contrast"
    return {
        "tukey": f"p values and intervals adjusted for {tests} by Tukey's studentised range.",
        "dunnett": f"p values and intervals adjusted for {tests} with the first level by Dunnett's multivariate t.",
        "holm": f"p values adjusted for {tests} by Holm; intervals Bonferroni-wide.",
        "none": "p values and intervals are those of single contrasts, not adjusted for their number.",
    }[adjust]
