"""What a binary mixed model says: coefficients, spreads, shrunken effects, means and contrasts, profile intervals."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from math import inf, isfinite, log, sqrt
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault
from blindtest.nouns import number_of
from blindtest.stats.mixed.binary_fit import CRITERION, BinaryFit
from blindtest.stats.mixed.binary_profile import profile_table
from blindtest.stats.mixed.contrasts import Adjust, contrast_table
from blindtest.stats.mixed.listener_sensitivity import sensitivity_table
from blindtest.stats.mixed.marginal_means import ReferenceGrid, coefficient_table, marginal_means, reference_grid
from blindtest.stats.mixed.model_matrix import ModelMatrix
from blindtest.stats.pair_model import Convergence

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["BinaryMixedResult", "MeanScale", "wrapped"]

Floats = NDArray[np.float64]
MeanScale = Literal["link", "proportion"]

ASSUMPTIONS = (
    "given the effects of its listener, clip and so on, one answer says nothing about another",
    "effects are normal on the scale of the link, listeners and clips drawn from larger populations",
    "the guess rate is the same in every trial, and is known",
    "the number of trials was fixed before the first one",
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BinaryMixedResult:
    """Right and wrong answers on fixed and random effects, with a guess rate."""

    formula: str
    link: str
    guess: float
    method: str
    source: str
    assumptions: tuple[str, ...]
    rows: int
    """Rows of the table that were used."""
    trials: int
    """Answers in them."""
    correct: int
    dropped: Mapping[str, int]
    """Column -> rows left out because its value is missing."""
    groups: Mapping[str, int]
    """Group -> number of its levels."""
    level: float
    """Of the intervals."""
    coefficients: "DataFrame"
    """By term: estimate, std_error, df (infinite), statistic, p_value, ci_low, ci_high; on the scale of the link."""
    variance_components: "DataFrame"
    """group, term, other (None for a variance), variance, std_error (delta method; NaN at 0)."""
    covariance: "DataFrame"
    """Of the coefficients, from the joint curvature."""
    log_likelihood: float
    """Approximated; with binomial coefficients where rows are counts, so that a row per answer has none."""
    random_effects: Mapping[str, "DataFrame"]
    """Group -> a row per level, a column per term: conditional modes (shrunken effects)."""
    conditional_variances: Mapping[str, "DataFrame"]
    """The same shape: their variances, given all parameters."""
    convergence: Convergence
    scale: str
    """What a unit of the coefficients is."""
    fit: BinaryFit = field(repr=False)
    matrix: ModelMatrix = field(repr=False)

    @property
    def parameters(self) -> int:
        """Number of fixed effects, variances and covariances."""
        return len(self.fit.point)

    @property
    def aic(self) -> float:
        """Akaike's criterion, of the approximated likelihood."""
        return 2 * self.parameters - 2 * self.log_likelihood

    @property
    def bic(self) -> float:
        """Schwarz's criterion with the number of rows used."""
        return self.parameters * log(self.rows) - 2 * self.log_likelihood

    @property
    def singular(self) -> tuple[str, ...]:
        """Groups of which a standard deviation was estimated as exactly 0."""
        names = self.fit.likelihood.rows.layout.groups
        terms = [place[0] for place in self.fit.likelihood.places]
        return tuple(
            dict.fromkeys(names[term].name for term, at_zero in zip(terms, self.fit.zero, strict=True) if at_zero)
        )

    @property
    def grid(self) -> ReferenceGrid:
        """All combinations of the fixed part's factors, covariates at their mean."""
        return reference_grid(self.matrix.encode, self.matrix.factors, self.matrix.covariates)

    def means(self, factors: Sequence[str] = (), *, scale: MeanScale = "link") -> "DataFrame":
        """Return estimated marginal means of the factors' levels, other factors with equal weights, effects at 0.

        On the scale of the link, or as the proportion right of a typical listener with a typical clip; that is not the
        average proportion over listeners, which lies nearer to the middle.
        """
        if scale not in ("link", "proportion"):
            raise BlindtestError(Fault(problem="no such scale", key="scale", got=scale, allowed="link, proportion"))
        count = len(self.fit.beta)
        frame = marginal_means(
            self.grid, self.fit.beta, self.fit.covariance[:count, :count], _infinite, factors, level=self.level
        )
        if scale == "proportion":
            link = self.fit.likelihood.rows.link
            eta = frame["estimate"].to_numpy(dtype=np.float64)
            frame["std_error"] = frame["std_error"] * (1 - link.guess) * link.density(eta)
            for column in ("estimate", "ci_low", "ci_high"):
                frame[column] = link.proportion(frame[column].to_numpy(dtype=np.float64))
        return frame

    def contrast(self, factor: str, *, by: Sequence[str] = (), adjust: Adjust = "tukey") -> "DataFrame":
        """Return differences between the levels of a factor, on the scale of the link (contrasts.py)."""
        count = len(self.fit.beta)
        return contrast_table(
            self.grid,
            self.fit.beta,
            self.fit.covariance[:count, :count],
            _infinite,
            factor,
            by=by,
            adjust=adjust,
            level=self.level,
        )

    def profile(self, names: Sequence[str] | None = None, *, level: float | None = None) -> "DataFrame":
        """Return profile likelihood intervals of coefficients and of the effects' standard deviations.

        Index: the terms, and "sd(group)" or "sd(group, term)". Columns estimate, ci_low, ci_high; an end is infinite
        where the likelihood never falls far enough (near chance), 0 where a standard deviation of 0 can't be ruled out.
        """
        return profile_table(self.fit, self.matrix.terms, names, level=self.level if level is None else float(level))

    def sensitivity(
        self, method: str = "2afc", *, group: str = "listener", by: Sequence[str] = (), level: float | None = None
    ) -> "DataFrame":
        """Return d' of each level of a group, shrunken, with intervals (listener_sensitivity.py)."""
        return sensitivity_table(
            self.fit,
            self.matrix,
            self.grid,
            method,
            group=group,
            by=by,
            level=self.level if level is None else float(level),
        )

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        groups = ", ".join(f"{count} of {name!r}" for name, count in self.groups.items())
        guessing = f", guessing gives {self.guess:.3g}" if self.guess else ""
        text = [
            f"{self.correct} of {self.trials} answers right{guessing}; {self.link} model with effects of {groups}, "
            f"fitted by {self.method}."
        ]
        sds = [
            f"{_named(str(row['group']), str(row['term']))} {sqrt(float(row['variance'])):.3g}"
            for row in self.variance_components.to_dict(orient="records")
            if row["other"] is None
        ]
        text.append(f"Standard deviations on its scale: {', '.join(sds)}.")
        if self.singular:
            text.append(f"At exactly 0: {', '.join(self.singular)}; the data show no spread there, which is a result.")
        if any(self.dropped.values()):
            text.append(f"{number_of(sum(self.dropped.values()), 'row')} with missing values left out.")
        if not self.convergence.converged:
            text.append(f"The search did not end at a maximum: {self.convergence.remedy}.")
        return " ".join(text)

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included; tables as lists of rows."""
        skipped = {"fit", "matrix", "coefficients", "variance_components", "covariance", "random_effects"}
        skipped |= {"conditional_variances", "convergence"}
        result: dict[str, Any] = {
            item.name: _plain(getattr(self, item.name)) for item in fields(self) if item.name not in skipped
        }
        return {
            **result,
            "coefficients": _records(self.coefficients.reset_index()),
            "variance_components": _records(self.variance_components),
            "covariance": {"names": list(self.covariance.columns), "values": self.covariance.to_numpy().tolist()},
            "random_effects": {
                name: _records(frame.rename_axis("level").reset_index()) for name, frame in self.random_effects.items()
            },
            "convergence": self.convergence.to_dict(),
            "singular": list(self.singular),
            "aic": self.aic,
            "bic": self.bic,
            "sentence": self.sentence,
        }


def _infinite(weights: Floats) -> Floats:
    return np.full(len(weights), inf)


def _named(group: str, term: str) -> str:
    return group if term == "Intercept" else f"{group} ({term})"


def _plain(value: Any) -> Any:
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if isinstance(value, Mapping):
        return dict(value)
    if isinstance(value, float):
        return value if isfinite(value) else None
    return value


def _records(frame: "DataFrame") -> list[dict[str, Any]]:
    return [
        {
            str(name): (float(value) if isfinite(value) else None) if isinstance(value, float) else value
            for name, value in row.items()
        }
        for row in frame.to_dict(orient="records")
    ]


def wrapped(
    fit: BinaryFit, matrix: ModelMatrix, *, rows_used: int, constant: float, dropped: Mapping[str, int], level: float
) -> BinaryMixedResult:
    """Return the numbers of a fit as a result.

    Parameters
    ----------
    matrix : model of n rows and p fixed effects, whose random effects the fit has
    rows_used : n
    constant : log of the ways to order the answers, added to the log-likelihood
    dropped : rows that each column cost, by its name
    level : of intervals, 0 ... 1
    """
    import pandas as pd

    rows, count = fit.likelihood.rows, len(fit.beta)
    covariance = fit.covariance[:count, :count]
    effects, variances = _effects(fit)
    nodes = fit.likelihood.nodes
    if nodes > 1:
        method = f"maximum likelihood by adaptive Gauss-Hermite quadrature, {nodes} nodes"
        source = "Pinheiro & Bates 1995; Liu & Pierce 1994"
    else:
        method = f"maximum likelihood by Laplace's approximation ({fit.likelihood.information} information)"
        source = "Tierney & Kadane 1986; Breslow & Clayton 1993"
    return BinaryMixedResult(
        formula=matrix.formula,
        link=rows.link.name,
        guess=rows.link.guess,
        method=method,
        source=source,
        assumptions=ASSUMPTIONS,
        rows=rows_used,
        trials=int(rows.trials.sum()),
        correct=int(rows.right.sum()),
        dropped=dropped,
        groups={group.name: len(group.levels) for group in rows.layout.groups},
        level=level,
        coefficients=coefficient_table(matrix.terms, fit.beta, covariance, np.inf, level=level),
        variance_components=_variance_components(fit),
        covariance=pd.DataFrame(covariance, index=list(matrix.terms), columns=list(matrix.terms)),
        log_likelihood=fit.value + constant,
        random_effects=effects,
        conditional_variances=variances,
        convergence=Convergence(
            converged=fit.converged,
            steps=fit.maximum.steps,
            gradient=float(np.max(np.abs(fit.maximum.gradient), initial=0.0)) / max(float(rows.trials.sum()), 1.0),
            criterion=CRITERION,
            start="fixed effects of the model without random ones, standard deviations of 0.7 (logit) or 0.4 (probit)",
            remedy=fit.remedy,
        ),
        scale=("log odds of hearing" if rows.link.name == "logit" else "standard normal deviates of hearing")
        + (" beyond the guess rate" if rows.link.guess else ""),
        fit=fit,
        matrix=matrix,
    )


def _variance_components(fit: BinaryFit) -> "DataFrame":
    import pandas as pd

    places, count = fit.likelihood.places, len(fit.beta)
    records = []
    for term, group in enumerate(fit.likelihood.rows.layout.groups):
        width = len(group.columns)
        root = np.zeros((width, width))
        own = [place for place, at in enumerate(places) if at[0] == term]
        for place in own:
            root[places[place][1], places[place][2]] = fit.theta[place]
        covariance = root @ root.T
        theta_covariance = fit.covariance[np.ix_([count + p for p in own], [count + p for p in own])]
        pairs = [(a, a) for a in range(width)] + [(a, b) for a in range(width) for b in range(a + 1, width)]
        for a, b in pairs:
            slope = np.zeros(len(own))
            for at, place in enumerate(own):
                _, row, column = places[place]
                slope[at] = (row == a) * root[b, column] + (row == b) * root[a, column]
            variance = float(slope @ theta_covariance @ slope)
            records.append(
                {
                    "group": group.name,
                    "term": group.columns[a],
                    "other": None if a == b else group.columns[b],
                    "variance": float(covariance[a, b]),
                    "std_error": sqrt(variance) if variance > 0 else float("nan"),
                }
            )
    frame = pd.DataFrame(records)
    frame["other"] = frame["other"].astype(object).where(frame["other"].notna(), None)
    return frame


def _effects(fit: BinaryFit) -> tuple[dict[str, "DataFrame"], dict[str, "DataFrame"]]:
    """Return conditional modes and variances of each group; parts of one group side by side."""
    import pandas as pd

    layout, mode = fit.likelihood.rows.layout, fit.evaluation.mode
    spread = mode.scale.outside(fit.evaluation.factor.inverse())
    variance = np.concatenate([np.diagonal(spread.local, axis1=1, axis2=2).ravel(), np.diagonal(spread.corner)])
    modes: dict[str, DataFrame] = {}
    variances: dict[str, DataFrame] = {}
    for group, slots in zip(layout.groups, layout.slots, strict=True):
        for tables, values in ((modes, mode.b), (variances, variance)):
            frame = pd.DataFrame(values[slots], index=list(group.levels), columns=list(group.columns))
            tables[group.name] = pd.concat([tables[group.name], frame], axis=1) if group.name in tables else frame
    return modes, variances
