"""The cumulative-link model: ratings as ordered words, without taking their distances at face value.

A bounded scale is used unevenly: the step from 95 to 100 is another than that from 50 to 55, and ratings pile up at its
ends. The model keeps only the order of the categories: latent quality falls between thresholds that are estimated,
P(answer <= j) = F(threshold_j - x'beta - u), so that a positive coefficient raises the answer. F is logistic (odds of a
higher answer, the same at every threshold) or normal.

Sources: McCullagh 1980 (JRSS B 42, 109); Christensen 2018, on the models of R's `ordinal`; Laplace's approximation with
the observed Hessian for one scalar random factor.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from math import sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from blindtest.errors import BlindtestError, Fault
from blindtest.stats.binomial import checked_probability
from blindtest.stats.mixed.contrasts import Adjust, contrast_table
from blindtest.stats.mixed.marginal_means import reference_grid
from blindtest.stats.mixed.model_matrix import ModelMatrix, model_matrix
from blindtest.stats.pair_model import Convergence
from blindtest.stats.ranks.cumulative_fit import CumulativeFit, fitted, fitted_with_random
from blindtest.stats.ranks.cumulative_model import CumulativeModel, compressed, separated
from blindtest.stats.ranks.likelihood_ratio import LikelihoodRatio, likelihood_ratio_of
from blindtest.stats.ranks.ordered_answers import ordered_codes, response_name
from blindtest.stats.ranks.ordered_links import LINKS, OrderedLink
from blindtest.stats.rows import json_rows

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["CumulativeLinkResult", "fit_cumulative_link"]

Floats = NDArray[np.float64]
INTERCEPT = "Intercept"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CumulativeLinkResult:
    """A cumulative-link model of ordered answers."""

    formula: str
    link: OrderedLink
    categories: tuple[str, ...]
    """In order, the lowest first; those that somebody used."""
    coefficients: "DataFrame"
    """A row per term: estimate (latent scale, positive raises the answer), std_error, statistic (z), p_value, ci_low,
    ci_high (Wald)."""
    thresholds: "DataFrame"
    """A row per threshold, "second|tie": estimate, std_error, ci_low, ci_high."""
    covariance: "DataFrame"
    """Of thresholds and coefficients."""
    variance_components: "DataFrame"
    """group, term, other (None), variance; empty without a random part."""
    random_effects: dict[str, "DataFrame"]
    """Group -> a row per level: Intercept (conditional mode), std_error (given the other parameters)."""
    random_test: LikelihoodRatio | None
    """Of the random factor."""
    log_likelihood: float
    parameters: int
    answers: int
    dropped: int
    """Rows left out for a missing value."""
    level: float
    remarks: tuple[str, ...]
    convergence: Convergence
    method: str
    assumptions: tuple[str, ...]
    source: str = "McCullagh 1980; Tutz & Hennevogl 1996"
    _matrix: ModelMatrix = field(repr=False)
    _model: CumulativeModel = field(repr=False)
    _columns: tuple[tuple[str, tuple[int, ...]], ...] = field(repr=False)

    def term_tests(self) -> "DataFrame":
        """Return the likelihood-ratio test of each term that no other contains: statistic, df, p_value.

        "device" is not tested while "device:mode" is in the model: what it would mean there depends on the coding.
        """
        import pandas as pd

        tests = {name: self._without(name, columns) for name, columns in self._columns if self._outermost(name)}
        rows = [(test.statistic, test.df, test.p_value) for test in tests.values()]
        return pd.DataFrame(rows, columns=["statistic", "df", "p_value"], index=pd.Index(list(tests), name="term"))

    def contrast(
        self, factor: str, *, by: Sequence[str] = (), adjust: Adjust = "tukey", level: float | None = None
    ) -> "DataFrame":
        """Return differences of a factor's levels on the latent scale; see the mixed models' `contrast_table`.

        Degrees of freedom are infinite: tests are Wald's.
        """
        grid = reference_grid(self._matrix.encode, self._matrix.factors, self._matrix.covariates)
        beta = np.zeros(len(self._matrix.terms))
        covariance = np.zeros((len(beta),) * 2)
        free = [place for place, term in enumerate(self._matrix.terms) if term != INTERCEPT]
        cuts = len(self.thresholds)
        beta[free] = self.coefficients["estimate"].to_numpy(dtype=np.float64)
        covariance[np.ix_(free, free)] = self.covariance.to_numpy(dtype=np.float64)[cuts:, cuts:]
        return contrast_table(
            grid,
            beta,
            covariance,
            lambda weights: np.full(len(weights), np.inf),
            factor,
            by=by,
            adjust=adjust,
            level=self.level if level is None else level,
        )

    def likelihood_ratio(self, smaller: "CumulativeLinkResult") -> LikelihoodRatio:
        """Return the test of this model against one that it contains.

        Raises
        ------
        BlindtestError
            Another table, other categories or link, or a model that is not contained in this one.
        """
        mine, theirs = set(self.coefficients.index), set(smaller.coefficients.index)
        same = (self.answers, self.categories, self.link) == (smaller.answers, smaller.categories, smaller.link)
        groups, their_groups = set(self.random_effects), set(smaller.random_effects)
        if not same or not theirs <= mine or not their_groups <= groups or self.parameters == smaller.parameters:
            raise BlindtestError(
                Fault(
                    problem="the two models are not nested, so their likelihoods can't be compared",
                    got=f"{smaller.formula} ({smaller.answers} answers) in {self.formula} ({self.answers})",
                    remedy="fit both to the same rows, with the terms of one among those of the other",
                )
            )
        extra = sorted(mine - theirs) + sorted(groups - their_groups)
        return likelihood_ratio_of(
            ", ".join(extra),
            2 * (self.log_likelihood - smaller.log_likelihood),
            self.parameters - smaller.parameters,
            boundary=bool(groups - their_groups),
        )

    def _outermost(self, name: str) -> bool:
        parts = set(name.split(":"))
        return not any(parts < set(other.split(":")) for other, _ in self._columns)

    def _without(self, name: str, columns: tuple[int, ...]) -> LikelihoodRatio:
        keep = [place for place in range(self._model.x.shape[1]) if place not in columns]
        smaller = replace(self._model, x=self._model.x[:, keep])
        fit = fitted_with_random(smaller) if smaller.count else fitted(smaller)
        return likelihood_ratio_of(name, 2 * (self.log_likelihood - fit.log_likelihood), len(columns), boundary=False)

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        effects = ", ".join(
            f"{term} {row.estimate:+.2f} ({row.ci_low:+.2f} to {row.ci_high:+.2f}, p = {row.p_value:.2g})"
            for term, row in self.coefficients.iterrows()
        )
        unit = "log odds of a higher answer" if self.link == "logit" else "standard deviations of latent quality"
        text = (
            f"{self.answers} answers in {len(self.categories)} ordered categories, {self.categories[0]} to "
            f"{self.categories[-1]}; effects in {unit}, {100 * self.level:g} %: {effects or 'none in the model'}."
        )
        for group, variance in zip(
            self.variance_components["group"], self.variance_components["variance"], strict=True
        ):
            text += f" Standard deviation of {group}: {sqrt(float(variance)):.2f}."
        return " ".join((text, *self.remarks))

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included; tables as lists of rows."""
        out = {
            "formula": self.formula,
            "link": self.link,
            "categories": list(self.categories),
            "coefficients": json_rows(self.coefficients, index="term"),
            "thresholds": json_rows(self.thresholds, index="threshold"),
            "covariance": {
                "names": [str(name) for name in self.covariance.columns],
                "values": self.covariance.to_numpy().tolist(),
            },
            "variance_components": json_rows(self.variance_components),
            "random_effects": {group: json_rows(frame, index="level") for group, frame in self.random_effects.items()},
            "random_test": self.random_test.to_dict() if self.random_test else None,
            "convergence": self.convergence.to_dict(),
            "remarks": list(self.remarks),
            "assumptions": list(self.assumptions),
            "sentence": self.sentence,
        }
        names = ("log_likelihood", "parameters", "answers", "dropped", "level", "method", "source")
        return {**out, **{name: getattr(self, name) for name in names}}


def fit_cumulative_link(
    formula: str,
    table: "DataFrame",
    *,
    link: OrderedLink = "logit",
    random: Mapping[str, str] | None = None,
    levels: Sequence[Any] | None = None,
    level: float = 0.95,
) -> CumulativeLinkResult:
    """Return a cumulative-link model of ordered answers.

    Parameters
    ----------
    formula : response ~ fixed part, as formulaic reads it; the intercept goes into the thresholds
    table : a row per answer. The response: numbers (ordered by size), or an ordered Categorical, or text with `levels`
    link : "logit" (proportional odds) or "probit"
    random : None, or one factor with a scalar variance, {"listener": "1"}
    levels : the categories of a response in words, the lowest first
    level : of the Wald intervals

    Raises
    ------
    BlindtestError
        See `model_matrix`; a response in words whose order nobody said; a single category; more than one random factor;
        terms that predict the answers without error (no maximum exists).
    ValueError
        Another link, a level outside 0 ... 1.
    """
    if link not in LINKS:
        raise ValueError(f"no link {link!r} (there are: {', '.join(LINKS)})")
    checked_probability("level", level)
    group = _checked_random(random)
    response = response_name(formula, table)
    codes, categories = ordered_codes(table[response], response, levels)
    matrix = model_matrix(formula, table.assign(**{response: codes}), random=random or None)
    present = np.unique(matrix.response.astype(np.intp))
    if len(present) < 2:
        raise BlindtestError(
            Fault(
                problem="all answers are alike: there is no threshold to estimate",
                key=response,
                got=", ".join(categories),
            )
        )
    unused = tuple(name for place, name in enumerate(categories) if place not in present)
    model, columns = _model(matrix, present, link)
    _check_finite_maximum(model, matrix)
    fit = fitted_with_random(model) if group else fitted(model)
    used = tuple(categories[place] for place in present)
    return _result(matrix, model, fit, columns, used, unused, group=group, level=float(level))


def _checked_random(random: Mapping[str, str] | None) -> str:
    if random is None or not random:
        return ""
    if len(random) > 1 or [str(part).strip() for part in random.values()] != ["1"]:
        raise BlindtestError(
            Fault(
                problem="this model takes one random factor with a scalar variance",
                key="random",
                got=dict(random),
                allowed='{"listener": "1"}',
                remedy="leave the others out, or use fit_linear_mixed beside it",
            )
        )
    return next(iter(random))


def _model(
    matrix: ModelMatrix, present: NDArray[np.intp], link: OrderedLink
) -> tuple[CumulativeModel, tuple[tuple[str, tuple[int, ...]], ...]]:
    kept = [place for place, term in enumerate(matrix.terms) if term != INTERCEPT]
    x = matrix.fixed[:, kept]
    if len(kept) == len(matrix.terms):
        with_constant = np.column_stack((np.ones(len(x)), x))
        if np.linalg.matrix_rank(with_constant) < with_constant.shape[1]:
            raise BlindtestError(
                Fault(
                    problem="the terms add up to a constant, which the thresholds are already",
                    key="formula",
                    got=matrix.formula,
                    remedy="leave out the 0 of the formula",
                )
            )
    y = np.searchsorted(present, matrix.response.astype(np.intp))
    groups = matrix.random[0].codes if matrix.random else None
    count = len(matrix.random[0].levels) if matrix.random else 0
    model = compressed(x, matrix.distinct, y, groups, categories=len(present), count=count, link=link)
    new = {old: place for place, old in enumerate(kept)}
    columns = tuple(
        (str(term), tuple(new[place] for place in places if place in new))
        for term, places in matrix.spec.term_indices.items()
        if any(place in new for place in places)
    )
    return model, columns


def _check_finite_maximum(model: CumulativeModel, matrix: ModelMatrix) -> None:
    found, direction = separated(model)
    if not found:
        return
    names = [term for term in matrix.terms if term != INTERCEPT]
    moving = [n for n, d in zip(names, direction[model.cuts :], strict=True) if abs(d) > 1e-7]
    raise BlindtestError(
        Fault(
            problem="some terms predict the answers without error, so no finite estimate exists",
            key="formula",
            got=", ".join(moving) or matrix.formula,
            remedy="leave such a term out (an anchor that everybody rated lowest, say), or merge categories",
        )
    )


def _result(
    matrix: ModelMatrix,
    model: CumulativeModel,
    fit: CumulativeFit,
    columns: tuple[tuple[str, tuple[int, ...]], ...],
    categories: tuple[str, ...],
    unused: tuple[str, ...],
    *,
    group: str,
    level: float,
) -> CumulativeLinkResult:
    import pandas as pd

    z = float(ndtri((1 + level) / 2))
    errors = np.sqrt(np.diag(fit.covariance))
    terms = [term for term in matrix.terms if term != INTERCEPT]
    cuts = [f"{low}|{high}" for low, high in pairwise(categories)]
    both = pd.DataFrame(
        {
            "estimate": fit.psi,
            "std_error": errors,
            "statistic": fit.psi / errors,
            "p_value": 2 * ndtr(-np.abs(fit.psi / errors)),
            "ci_low": fit.psi - z * errors,
            "ci_high": fit.psi + z * errors,
        },
        index=[*cuts, *terms],
    )
    components = [(group, INTERCEPT, None, fit.sigma**2)] if fit.sigma is not None else []
    effects = {}
    if group:
        effects[group] = pd.DataFrame(
            {INTERCEPT: fit.modes, "std_error": np.sqrt(fit.mode_variances)},
            index=pd.Index(matrix.random[0].levels, name=group),
        )
    noise = "logistic" if model.link == "logit" else "normal"
    method = f"cumulative-link model, {model.link}" + (", Laplace (observed Hessian)" if group else "")
    return CumulativeLinkResult(
        formula=matrix.formula,
        link=model.link,
        categories=categories,
        coefficients=both.iloc[len(cuts) :].rename_axis("term"),
        thresholds=both.iloc[: len(cuts)].drop(columns=["statistic", "p_value"]).rename_axis("threshold"),
        covariance=pd.DataFrame(fit.covariance, index=both.index, columns=both.index),
        variance_components=pd.DataFrame(components, columns=["group", "term", "other", "variance"]),
        random_effects=effects,
        random_test=(
            likelihood_ratio_of(group, 2 * (fit.log_likelihood - fit.log_likelihood_without), 1, boundary=True)
            if group
            else None
        ),
        log_likelihood=fit.log_likelihood,
        parameters=len(fit.psi) + (1 if group else 0),
        answers=matrix.n,
        dropped=sum(matrix.dropped.values()),
        level=level,
        remarks=_remarks(matrix, fit, unused, group),
        convergence=fit.convergence,
        method=method,
        assumptions=(
            "the order of the categories is all that is used, not their distances",
            "a term moves all thresholds alike (proportional odds where the link is logit)",
            f"{noise} noise"
            + (f"; effects of {group} normal, answers independent given them" if group else "; answers independent"),
            "Wald intervals and z: rough with few answers"
            + (f" or few levels of {group}; terms that vary over {group} have no part of their own" if group else ""),
        ),
        _matrix=matrix,
        _model=model,
        _columns=columns,
    )


def _remarks(matrix: ModelMatrix, fit: CumulativeFit, unused: tuple[str, ...], group: str) -> tuple[str, ...]:
    said = []
    if matrix.dropped:
        parts = ", ".join(f"{count} for {name}" for name, count in matrix.dropped.items())
        said.append(f"Rows left out for a missing value: {parts}.")
    if unused:
        said.append(f"Never used, so without a threshold: {', '.join(unused)}.")
    if fit.sigma == 0:
        said.append(f"The variance of {group} is estimated as 0: the fit is that without it.")
    if not fit.convergence.converged:
        said.append(f"The fit did not converge in {fit.convergence.steps} steps: {fit.convergence.remedy}.")
    return tuple(said)
