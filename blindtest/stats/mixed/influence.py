"""What one listener (or clip) does to a fit: the model fitted again without each of them.

    Cook's distance   D = (b - b_without)' C^-1 (b - b_without) / p
    DFBETAS           (b_j - b_without,j) / SE_without(b_j)

with b the fixed effects, C their covariance in the whole table. Every refit estimates the variances anew. Customary
limits for a second look, not for leaving somebody out: 4/(number of levels) and 2/sqrt(number of levels).

Sources: Cook 1977 (Technometrics 19, 15); Belsley, Kuh & Welsch 1980, Regression Diagnostics, for the limits;
Demidenko & Stukel 2005 (Statist. Med. 24, 893) for whole groups in mixed models.
"""

from dataclasses import dataclass, replace
from math import nan, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.stats.mixed.linear_fit import LinearFit, prepared_linear
from blindtest.stats.mixed.model_matrix import ModelMatrix

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["InfluenceResult", "influence_of"]

Floats = NDArray[np.float64]

MOST_REFITS = 1000
"""Levels up to which everybody is left out in turn; beyond it no single one matters."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class InfluenceResult:
    """Estimates without each level of a group."""

    group: str
    levels: "DataFrame"
    """By level: rows, cooks_distance, log_residual_sd_change, and whether `estimable` without it; NaN where it is
    not."""
    coefficients: "DataFrame"
    """By level: each fixed effect without it."""
    dfbetas: "DataFrame"
    """By level: each fixed effect's change in standard errors."""
    cook_limit: float
    dfbetas_limit: float
    method: str = "refit without each level, variances estimated anew"
    source: str = "Cook 1977; Belsley, Kuh & Welsch 1980; Demidenko & Stukel 2005"
    assumptions: tuple[str, ...] = (
        "a level beyond a limit asks for a look at its answers; it is no reason to leave it out",
    )

    @property
    def beyond(self) -> tuple[str, ...]:
        """Levels whose Cook's distance passes the limit, largest first."""
        distance = self.levels["cooks_distance"].sort_values(ascending=False)
        return tuple(str(name) for name in distance[distance > self.cook_limit].index)

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        distance = self.levels["cooks_distance"]
        alone = [str(name) for name in self.levels.index[~self.levels["estimable"]]]
        said = ""
        if distance.notna().any():
            place = int(np.nanargmax(distance))
            changes = self.dfbetas.to_numpy()[place]
            term = int(np.nanargmax(np.abs(changes)))
            said = (
                f"Without {self.group} {self.levels.index[place]} the fixed effects move most (Cook's distance "
                f"{distance.iloc[place]:.2f}, limit for a second look {self.cook_limit:.2f}; "
                f"{self.dfbetas.columns[term]} by {changes[term]:+.2f} standard errors). "
                f"{len(self.beyond)} of {len(distance)} lie beyond the limit."
            )
        if alone:
            said += f" Without {', '.join(alone)} some effect could not be estimated at all."
        return said.strip()

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""

        def rows(table: "DataFrame") -> list[dict[str, Any]]:
            records = table.reset_index().to_dict(orient="records")
            return [{str(k): None if v != v else v for k, v in record.items()} for record in records]

        return {
            "group": self.group,
            "levels": rows(self.levels),
            "coefficients": rows(self.coefficients),
            "dfbetas": rows(self.dfbetas),
            "cook_limit": self.cook_limit,
            "dfbetas_limit": self.dfbetas_limit,
            "beyond": list(self.beyond),
            "method": self.method,
            "source": self.source,
            "assumptions": list(self.assumptions),
            "sentence": self.sentence,
        }


def influence_of(fit: LinearFit, group: str = "listener") -> InfluenceResult:
    """Return what each level of a random group does to the fixed effects.

    Raises
    ------
    BlindtestError
        No such group in the random part, or more levels than `MOST_REFITS`.
    """
    import pandas as pd

    codes, names = _levels(fit.model, group)
    inverse = np.linalg.inv(fit.cov_beta)
    count, p = len(names), len(fit.beta)
    beta, error = np.full((count, p), nan), np.full((count, p), nan)
    spread = np.full(count, nan)
    for level in range(count):
        without = _without(fit.model, codes != level)
        if without is None:
            continue  # NaN says so
        refit = prepared_linear(without).fit(reml=fit.reml, start=_start(fit, without))
        beta[level], error[level] = refit.beta, np.sqrt(np.diag(refit.cov_beta))
        spread[level] = np.log(refit.sigma2 / fit.sigma2) / 2
    change = fit.beta - beta
    index = pd.Index(list(names), name=group)
    terms = list(fit.model.terms)
    levels = pd.DataFrame(
        {
            "rows": np.bincount(codes, minlength=count),
            "cooks_distance": np.einsum("li,ij,lj->l", change, inverse, change) / p,
            "log_residual_sd_change": spread,
            "estimable": ~np.isnan(spread),
        },
        index=index,
    )
    return InfluenceResult(
        group=group,
        levels=levels,
        coefficients=pd.DataFrame(beta, index=index, columns=terms),
        dfbetas=pd.DataFrame(change / error, index=index, columns=terms),
        cook_limit=4 / count,
        dfbetas_limit=2 / sqrt(count),
    )


def _levels(model: ModelMatrix, group: str) -> tuple[NDArray[np.intp], tuple[str, ...]]:
    for term in model.random:
        if term.group == group:
            if len(term.levels) > MOST_REFITS:
                raise BlindtestError(
                    Fault(
                        problem="too many levels to leave each out in turn",
                        key="group",
                        got=f"{group} with {len(term.levels)}",
                        allowed=f"at most {MOST_REFITS}",
                    )
                )
            return term.codes, term.levels
    known = list(dict.fromkeys(term.group for term in model.random))
    raise BlindtestError(
        Fault(
            problem="the random part has no such group",
            key="group",
            got=group,
            allowed=", ".join(known),
            remedy=did_you_mean(group, known),
        )
    )


def _without(model: ModelMatrix, keep: NDArray[np.bool_]) -> ModelMatrix | None:
    """Return the model on the rows to keep, groups with one level left dropped; None where an effect is lost."""
    used, distinct = np.unique(model.distinct[keep], return_inverse=True)
    fixed = model.fixed[used]
    if not len(used) or np.linalg.matrix_rank(fixed) < fixed.shape[1]:
        return None
    random = []
    for term in model.random:
        grouping = term.grouping.kept(keep)
        if grouping.count > 1:
            slopes = None if term.slope_rows is None else (term.slope_rows[0], term.slope_rows[1][keep])
            random.append(replace(term, grouping=grouping, slope_rows=slopes))
    if any(term.grouping.count * len(term.columns) >= keep.sum() for term in random):
        return None
    return replace(
        model,
        response=model.response[keep],
        fixed=fixed,
        distinct=np.asarray(distinct, dtype=np.intp),
        random=tuple(random),
        kept=model.kept[keep],
        cells=None if model.cells is None else np.unique(model.cells[keep], return_inverse=True)[1],
    )


def _start(fit: LinearFit, without: ModelMatrix) -> Floats | None:
    """Return the whole table's relative factors, unless a group fell away or they are at a bound."""
    if len(without.random) != len(fit.model.random) or fit.singular:
        return None
    return fit.theta
