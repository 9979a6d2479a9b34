"""Repeated-measures analysis of variance, with the standard's rule for unequal covariances.

Every listener rates every cell (condition, or condition x item). An effect of df contrasts is tested on the listeners'
own values of orthonormal contrasts z, (listeners, df), with mean m and covariance S:

- univariate: F = n m'm / tr S on df and (n - 1) df, both multiplied by epsilon; Greenhouse & Geisser's epsilon is
  (tr S)^2 / (df tr S^2), Huynh & Feldt's (n df e - 2) / (df (n - 1 - df e)), at most 1;
- multivariate: Hotelling's T^2 = n m'S^-1 m, F = T^2 (n - df) / ((n - 1) df) on df and n - df.

The multi-stimulus standard (ITU-R BS.1534-3, attachment 4) takes the univariate test with Huynh & Feldt's epsilon if
that is above 0.85 and there are fewer than K + 30 listeners, else the multivariate one. K is the number of levels; of
an effect of several factors we take df + 1.

Sources: Greenhouse & Geisser 1959 (Psychometrika 24, 95); Huynh & Feldt 1976 (J. Educ. Statist. 1, 69); Hotelling 1931
(Ann. Math. Statist. 2, 360).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import reduce
from itertools import combinations, product
from math import inf, nan
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc

from blindtest.errors import BlindtestError, Fault
from blindtest.stats.plain import plain
from blindtest.stats.ranks.multimodality import sample_skewness
from blindtest.stats.rows import json_rows
from blindtest.stats.scores import SEPARATOR, complete_blocks, read_scores

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["RepeatedMeasures", "repeated_measures"]

Floats = NDArray[np.float64]
LEAST_EPSILON = 0.85
MORE_LISTENERS = 30
"""ITU-R BS.1534-3, attachment 4: univariate if epsilon > 0.85 and N < K + 30."""
SKEWED, SEVERELY_SKEWED = 0.5, 1.0
"""Skewness of residuals; ITU-R BS.1534-3, attachment 4."""
NEGLIGIBLE = 1e-24
UNIVARIATE, MULTIVARIATE = "univariate, Huynh-Feldt", "multivariate"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RepeatedMeasures:
    """Effects of conditions (and items) that every listener rated."""

    effects: "DataFrame"
    """A row per effect, "device", "device:clip": f_value, df1, df2, p_value (univariate, no correction),
    epsilon_gg, p_gg, epsilon_hf, p_hf, f_multivariate, df2_multivariate, p_multivariate (NaN with too few listeners),
    approach ("univariate, Huynh-Feldt" or "multivariate"), p_by_rule."""
    listeners: int
    left_out: tuple[str, ...]
    """Listeners without a rating of every cell."""
    cells: tuple[str, ...]
    means: tuple[float, ...]
    """Of the cells."""
    residual_skewness: float
    """Of ratings less their cell's and their listener's mean."""
    remarks: tuple[str, ...]
    method: str = "repeated-measures analysis of variance"
    source: str = "ITU-R BS.1534-3 (2015), attachment 4; Greenhouse & Geisser 1959; Huynh & Feldt 1976; Hotelling 1931"
    assumptions: tuple[str, ...] = (
        "every listener rated every cell; those who did not are left out (a mixed model takes them)",
        "listeners' values of each contrast are normal; univariate without correction also: of equal spread and "
        "uncorrelated",
        "the result holds for these items: listeners are drawn, items are not",
    )

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        said = [
            f"{name} p = {row.p_by_rule:.2g} ({row.approach}, epsilon {row.epsilon_hf:.2f})"
            for name, row in self.effects.iterrows()
        ]
        text = f"Repeated measures of {self.listeners} listeners: {'; '.join(said)}."
        return " ".join((text, *self.remarks))

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        bare = replace(self, effects=())  # type: ignore[arg-type]
        return {**plain(bare), "effects": json_rows(self.effects, index="effect"), "sentence": self.sentence}


def repeated_measures(
    table: "DataFrame", *, within: str | Sequence[str] = "device", listener: str = "listener", value: str = "rating"
) -> RepeatedMeasures:
    """Return the analysis of variance of conditions rated by every listener.

    Parameters
    ----------
    within : the factors every listener went through: "device", or ("device", "clip") for condition x item. Several
        ratings of a cell are averaged; the standard asks not to average over items, so name them
    listener, value : columns

    Raises
    ------
    BlindtestError
        See `read_scores` and `complete_blocks`; a combination of levels that nobody rated; fewer than two complete
        listeners.
    """
    import pandas as pd

    factors = (within,) if isinstance(within, str) else tuple(within)
    scores = read_scores(table, keys=[listener, *factors], value=value)
    levels = [sorted(scores.frame[name].unique().tolist()) for name in factors]
    _check_crossed(scores.frame, factors, levels)
    found = complete_blocks(scores, block=[listener], treatment=factors)
    order = [found.treatments.index(SEPARATOR.join(cell)) for cell in product(*levels)]
    values = found.values[:, order]
    if len(values) < 2:
        raise BlindtestError(
            Fault(
                problem="a spread of listeners needs at least two who rated every cell",
                key=listener,
                got=", ".join(found.blocks),
            )
        )
    remarks = list(found.remarks)
    rows = {}
    for name, contrasts in _effects(factors, [len(names) for names in levels]):
        rows[name], said = _tested(values @ contrasts.T, NEGLIGIBLE * float(np.sum(values**2)))
        remarks += [f"{name}: {text}" for text in said]
    residuals = values - values.mean(axis=0) - values.mean(axis=1, keepdims=True) + values.mean()
    skewness = sample_skewness(residuals.ravel())
    if abs(skewness) > SKEWED:
        degree = "severely skewed" if abs(skewness) > SEVERELY_SKEWED else "skewed"
        remarks.append(f"Residuals are {degree} ({skewness:+.2f}): read it beside the rank-based companions.")
    return RepeatedMeasures(
        effects=pd.DataFrame.from_dict(rows, orient="index").rename_axis("effect"),
        listeners=len(values),
        left_out=found.left_out,
        cells=tuple(SEPARATOR.join(cell) for cell in product(*levels)),
        means=tuple(values.mean(axis=0).tolist()),
        residual_skewness=skewness,
        remarks=tuple(remarks),
    )


def _check_crossed(frame: "DataFrame", factors: tuple[str, ...], levels: list[list[str]]) -> None:
    there = set(frame[list(factors)].itertuples(index=False, name=None))
    lacking = [SEPARATOR.join(cell) for cell in product(*levels) if cell not in there]
    if lacking:
        raise BlindtestError(
            Fault(
                problem=f"nobody rated {', '.join(lacking[:5])}{' ...' if len(lacking) > 5 else ''}",
                key=SEPARATOR.join(factors),
                got=f"{len(lacking)} empty cells",
                remedy="leave a level out, or use a mixed model",
            )
        )
    short = [name for name, names in zip(factors, levels, strict=True) if len(names) < 2]
    if short:
        raise BlindtestError(
            Fault(
                problem="a factor of one level has no effect to test", key=short[0], remedy="leave it out of `within`"
            )
        )


def _effects(factors: tuple[str, ...], sizes: list[int]) -> list[tuple[str, Floats]]:
    """Return each effect's orthonormal contrasts over the cells, (df, cells)."""
    out = []
    for many in range(1, len(factors) + 1):
        for chosen in combinations(range(len(factors)), many):
            parts = [
                _orthonormal(size) if place in chosen else np.full((1, size), size**-0.5)
                for place, size in enumerate(sizes)
            ]
            out.append((SEPARATOR.join(factors[place] for place in chosen), reduce(np.kron, parts)))
    return out


def _orthonormal(levels: int) -> Floats:
    """Return Helmert's contrasts: each level against the mean of those before it."""
    contrasts = np.zeros((levels - 1, levels))
    for row in range(levels - 1):
        contrasts[row, : row + 1] = -1
        contrasts[row, row + 1] = row + 1
    return np.asarray(contrasts / np.linalg.norm(contrasts, axis=1, keepdims=True))


def _tested(z: Floats, floor: float) -> tuple[dict[str, Any], list[str]]:
    """Return the tests of contrasts; sums of squares up to `floor` are what rounding leaves of equal ratings."""
    n, df = z.shape
    mean, covariance = z.mean(axis=0), np.atleast_2d(np.cov(z, rowvar=False))
    trace, trace_of_square = float(np.trace(covariance)), float(np.sum(covariance**2))
    trace = 0.0 if trace <= floor else trace
    apart = n * float(mean @ mean)
    f_value = apart / trace if trace > 0 else (inf if apart > floor else nan)
    gg = trace**2 / (df * trace_of_square) if trace > 0 else nan
    hf = _huynh_feldt(gg, n, df)
    f_multivariate = _hotelling(z, mean, covariance) if trace > 0 else nan
    multivariate = f_multivariate == f_multivariate
    by_univariate = df == 1 or (hf > LEAST_EPSILON and n < df + 1 + MORE_LISTENERS)
    said = []
    if not by_univariate and not multivariate:
        said.append(
            "the rule asks for the multivariate test, which these listeners are too few or too alike for: univariate "
            "with Huynh & Feldt's epsilon instead."
        )
    if f_value != f_value:
        said.append("all ratings are alike, so there is nothing to test.")
    row = {
        "f_value": f_value,
        "df1": df,
        "df2": (n - 1) * df,
        "p_value": _tail(f_value, df, (n - 1) * df),
        "epsilon_gg": gg,
        "p_gg": _tail(f_value, gg * df, gg * (n - 1) * df),
        "epsilon_hf": hf,
        "p_hf": _tail(f_value, hf * df, hf * (n - 1) * df),
        "f_multivariate": f_multivariate,
        "df2_multivariate": n - df if multivariate else nan,
        "p_multivariate": _tail(f_multivariate, df, n - df) if multivariate else nan,
        "approach": UNIVARIATE if by_univariate or not multivariate else MULTIVARIATE,
    }
    row["p_by_rule"] = row["p_hf"] if row["approach"] == UNIVARIATE else row["p_multivariate"]
    return row, said


def _huynh_feldt(gg: float, n: int, df: int) -> float:
    below = df * (n - 1 - df * gg)
    if not below > 0:
        return 1.0 if gg == gg else nan
    return min(1.0, max(1 / df, (n * df * gg - 2) / below))


def _hotelling(z: Floats, mean: Floats, covariance: Floats) -> float:
    n, df = z.shape
    if n <= df or np.linalg.matrix_rank(covariance, tol=1e-10 * float(np.trace(covariance))) < df:
        return nan
    statistic = n * float(mean @ np.linalg.solve(covariance, mean))
    return float(statistic * (n - df) / ((n - 1) * df))


def _tail(f_value: float, df1: float, df2: float) -> float:
    if f_value != f_value or not (df1 > 0 and df2 > 0):
        return 0.0 if f_value == inf else nan
    return 0.0 if f_value == inf else float(fdtrc(df1, df2, f_value))
