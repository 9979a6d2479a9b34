"""Two nested mixed models compared by their likelihoods.

Twice the difference of the log-likelihoods is held against a chi square on as many degrees of freedom as the larger
model has parameters more. Where it has a variance more, the smaller model lies at that variance's edge, zero, and
half of all samples would have had it there: the reference is then the even mixture of two chi squares, with and
without that variance (Self & Liang 1987, case 5; Stram & Lee 1994, case 3: a column more with its covariances). With
several variances more the mixture depends on the design; the plain chi square is then an upper bound of p, and the
result says so.

Measured: with 4 to 16 listeners a variance that is zero in truth was found at 5 % in 2.8 to 5.0 % of 400 simulated
studies (tests/references/stats/mixed_inference_coverage.csv): few levels make the mixture a little conservative.

Fixed parts are compared by maximum likelihood only: restricted likelihoods of different fixed parts are those of
different data.

Sources: Self & Liang 1987 (JASA 82, 605); Stram & Lee 1994 (Biometrics 50, 1171).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from blindtest.errors import BlindtestError, Fault
from blindtest.stats.mixed.model_matrix import ModelMatrix
from blindtest.stats.plain import plain

if TYPE_CHECKING:
    from blindtest.stats.mixed.binary_result import BinaryMixedResult
    from blindtest.stats.mixed.linear import LinearMixedResult

    MixedResult = LinearMixedResult | BinaryMixedResult

__all__ = ["LikelihoodRatioResult", "likelihood_ratio_test"]

Floats = NDArray[np.float64]

ROUNDING = 1e-6
"""How far below zero the statistic may fall by rounding, relative to the log-likelihood's size."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LikelihoodRatioResult:
    """What a larger model explains beyond a smaller one within it."""

    smaller: str
    larger: str
    """Formula and random part of both."""
    statistic: float
    """Twice the difference of the log-likelihoods."""
    df: int
    """Parameters that the larger model has more."""
    fixed_effects: int
    variances: int
    covariances: int
    """What those are."""
    mixture: tuple[tuple[float, int], ...]
    """Weights and degrees of freedom of the chi squares that the statistic is held against."""
    p_value: float
    conservative: bool
    """Whether p is an upper bound only."""
    log_likelihoods: tuple[float, float]
    aic: tuple[float, float]
    """Of the smaller and the larger model; the smaller value is preferred."""
    reml: bool
    method: str
    source: str
    assumptions: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        added = ", ".join(
            f"{count} {name}{'s' if count > 1 else ''}"
            for count, name in (
                (self.fixed_effects, "fixed effect"),
                (self.variances, "variance"),
                (self.covariances, "covariance"),
            )
            if count
        )
        against = " + ".join(f"{weight:g} chi2({df})" for weight, df in self.mixture)
        bound = "at most " if self.conservative else ""
        return (
            f"The larger model has {added} more; likelihood ratio {self.statistic:.4g}, against {against}: "
            f"p = {bound}{self.p_value:.3g}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        return plain(self, "sentence")


def likelihood_ratio_test(smaller: "MixedResult", larger: "MixedResult") -> LikelihoodRatioResult:
    """Compare two fits of `fit_linear_mixed`, or two of `fit_binary_mixed`, one model within the other.

    Raises
    ------
    BlindtestError
        Other rows or answers, a model that is not within the other, REML fits with different fixed parts, binary fits
        that approximate different likelihoods.
    """
    one, two = _matrix(smaller), _matrix(larger)
    _check_same_answers(smaller, larger, one, two)
    _check_same_likelihood(smaller, larger)
    fixed = len(two.terms) - len(one.terms)
    faults = []
    if not _within(one, two):
        faults.append(Fault(problem="the fixed part is not within the larger model's", key="smaller", got=one.formula))
    reml = bool(getattr(larger, "reml", False))
    if reml and one.terms != two.terms:
        faults.append(
            Fault(
                problem="restricted likelihoods of different fixed parts are not comparable",
                key="larger",
                got=two.formula,
                remedy="fit both with reml=False",
            )
        )
    lost = [_said(part) for part in _parts(one) if not any(_holds(other, part) for other in _parts(two))]
    if lost:
        faults.append(
            Fault(problem="the larger model lacks a random part of the smaller one", key="larger", got=", ".join(lost))
        )
    variances, covariances = (after - before for before, after in zip(_counts(one), _counts(two), strict=True))
    if not faults and not fixed + variances + covariances:
        faults.append(Fault(problem="both models have the same parameters", key="larger", got=two.formula))
    if faults:
        raise BlindtestError(*faults)
    statistic = _statistic(smaller.log_likelihood, larger.log_likelihood)
    df = fixed + variances + covariances
    mixture = ((0.5, df - 1), (0.5, df)) if variances == 1 and _one_column_more(one, two, covariances) else ((1.0, df),)
    boundary = len(mixture) == 2
    return LikelihoodRatioResult(
        smaller=_named(one),
        larger=_named(two),
        statistic=statistic,
        df=df,
        fixed_effects=fixed,
        variances=variances,
        covariances=covariances,
        mixture=mixture,
        p_value=sum(weight * (float(chdtrc(k, statistic)) if k else float(statistic <= 0)) for weight, k in mixture),
        conservative=variances > 0 and not boundary,
        log_likelihoods=(smaller.log_likelihood, larger.log_likelihood),
        aic=(smaller.aic, larger.aic),
        reml=reml,
        method="likelihood ratio test" + (", a variance at its edge (mixture)" if boundary else ""),
        source="Self & Liang 1987; Stram & Lee 1994" if variances else "Wilks 1938 (Ann. Math. Statist. 9, 60)",
        assumptions=(
            "many levels of every group the difference is about: the chi square is a large-sample law, and with few "
            "listeners or clips its p of fixed effects comes out too small, where Kenward-Roger's F test does not",
            "what the smaller model leaves out was named before the data were seen",
        ),
    )


def _matrix(result: "MixedResult") -> ModelMatrix:
    matrix = getattr(result, "matrix", None)
    return matrix if isinstance(matrix, ModelMatrix) else result.fit.model  # type: ignore[union-attr]


def _check_same_answers(smaller: "MixedResult", larger: "MixedResult", one: ModelMatrix, two: ModelMatrix) -> None:
    if type(smaller) is not type(larger):
        raise BlindtestError(
            Fault(
                problem="a model of ratings and one of right and wrong answers have no likelihood in common",
                key="larger",
            )
        )
    trials = [getattr(result, "trials", None) for result in (smaller, larger)]
    if one.n != two.n or trials[0] != trials[1] or not np.array_equal(one.response, two.response):
        raise BlindtestError(
            Fault(
                problem="the models were fitted to other answers",
                key="larger",
                got=f"{two.n} rows of {two.response_name}",
                allowed=f"{one.n} rows of {one.response_name}",
                remedy="a missing value in a column that only one model uses drops its row: drop such rows beforehand",
            )
        )


def _check_same_likelihood(smaller: "MixedResult", larger: "MixedResult") -> None:
    for name in ("reml", "link", "guess", "method"):
        mine, theirs = getattr(smaller, name, None), getattr(larger, name, None)
        if mine != theirs:
            raise BlindtestError(
                Fault(
                    problem="the fits maximise different likelihoods", key=name, got=theirs, allowed=f"{mine} in both"
                )
            )


def _within(one: ModelMatrix, two: ModelMatrix) -> bool:
    """Return whether the first fixed part's columns are sums of the second's."""
    if set(one.terms) <= set(two.terms):
        return True
    small, large = one.dense(), two.dense()
    left = small - large @ np.linalg.lstsq(large, small, rcond=None)[0]
    return bool(np.all(np.linalg.norm(left, axis=0) <= 1e-8 * np.linalg.norm(small, axis=0)))


def _parts(matrix: ModelMatrix) -> list[tuple[str, frozenset[str]]]:
    return [(term.group, frozenset(term.columns)) for term in matrix.random]


def _holds(larger: tuple[str, frozenset[str]], smaller: tuple[str, frozenset[str]]) -> bool:
    return sorted(larger[0].split(":")) == sorted(smaller[0].split(":")) and smaller[1] <= larger[1]


def _counts(matrix: ModelMatrix) -> tuple[int, int]:
    sizes = [len(term.columns) for term in matrix.random]
    return sum(sizes), sum(size * (size - 1) // 2 for size in sizes)


def _one_column_more(one: ModelMatrix, two: ModelMatrix, covariances: int) -> bool:
    """Return whether the variance that is new brings exactly the covariances with its own part's other columns."""
    before = _parts(one)
    grown = [part for part in _parts(two) if part not in before]
    return len(grown) == 1 and covariances == len(grown[0][1]) - 1


def _statistic(smaller: float, larger: float) -> float:
    difference = 2 * (larger - smaller)
    if difference < -ROUNDING * (1 + abs(larger)):
        raise BlindtestError(
            Fault(
                problem="the larger model fits worse than the smaller one within it: one fit is not at its maximum",
                key="larger",
                got=difference,
                remedy="look at both fits' convergence",
            )
        )
    return max(difference, 0.0)


def _said(part: tuple[str, frozenset[str]]) -> str:
    return f"{part[0]} ({', '.join(sorted(part[1]))})"


def _named(matrix: ModelMatrix) -> str:
    random: Sequence[str] = [f"{term.group}: {' + '.join(term.columns)}" for term in matrix.random]
    return f"{matrix.formula}; " + ", ".join(random)
