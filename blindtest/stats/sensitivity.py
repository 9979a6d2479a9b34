"""d': how far apart two stimuli are for a listener, in standard deviations of what the listener perceives.

A score means different things in different methods; d' is what they have in common. Between the two stands a decision
rule, a model of how a listener turns perceptions into an answer. Each method's rule is a member of `DECISION_RULES`:
its psychometric function, proportion correct as a function of d', with its slope.

Phi is the normal distribution, phi its density, T Owen's function (Owen 1956, Ann. Math. Stat. 27, 1075). The integrals
usually printed for 3-AFC, triangle and tetrad are areas of a bivariate normal distribution with correlation 1/2 (or
sqrt(3)/2), and T gives them in closed form:

    3-AFC      Phi(h) - 2 T(h, 1/sqrt 3),   h = d/sqrt 2
    triangle   1 - 4 T(h, sqrt 3),          h = d/sqrt 6
    tetrad     1 - 8 T(h, 1/sqrt 3),        h = d/sqrt 2

Sources: Macmillan & Creelman 2005, Detection Theory; Ennis 1993 (J. Sensory Studies 8, 353) and Ennis & Jesionka 2011
(same journal, 26, 371) for triangle and tetrad; Hacker & Ratcliff 1979 (Perception & Psychophysics 26, 168) for m-AFC.
Volumes and pages from memory.
"""

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from math import inf, isinf, nan, sqrt
from typing import overload

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri, owens_t

from blindtest.errors import did_you_mean
from blindtest.stats.binomial import rising_root

__all__ = [
    "DECISION_RULES",
    "DecisionRule",
    "criterion",
    "d_prime",
    "d_prime_from_rates",
    "d_prime_std_error",
    "decision_rule",
    "log_linear_rate",
    "proportion_correct",
    "slope",
]

Floats = NDArray[np.float64]
HALF, THIRD = Fraction(1, 2), Fraction(1, 3)
SQRT2, SQRT3, SQRT6 = sqrt(2), sqrt(3), sqrt(6)


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionRule:
    """How a method's answers come from what is perceived."""

    method: str
    guess: Fraction
    """Probability that a guess is right."""
    model: str
    """The rule in words."""
    source: str
    proportion: Callable[[Floats], Floats]
    """d' >= 0 to proportion correct."""
    slope: Callable[[Floats], Floats]
    """Its derivative."""


def _phi(x: Floats) -> Floats:
    return np.asarray(np.exp(-x * x / 2) / np.sqrt(2 * np.pi))


def _centred(x: Floats) -> Floats:
    """Return Phi(x) - 1/2."""
    return np.asarray(ndtr(x) - 0.5)


def _two_afc(d: Floats) -> Floats:
    return np.asarray(ndtr(d / SQRT2))


def _two_afc_slope(d: Floats) -> Floats:
    return _phi(d / SQRT2) / SQRT2


def _three_afc(d: Floats) -> Floats:
    return np.asarray(ndtr(d / SQRT2) - 2 * owens_t(d / SQRT2, 1 / SQRT3))


def _three_afc_slope(d: Floats) -> Floats:
    return np.asarray(SQRT2 * _phi(d / SQRT2) * ndtr(d / SQRT6))


def _triangle(d: Floats) -> Floats:
    return np.asarray(1 - 4 * owens_t(d / SQRT6, SQRT3))


def _triangle_slope(d: Floats) -> Floats:
    return 4 / SQRT6 * _phi(d / SQRT6) * _centred(d / SQRT2)


def _tetrad(d: Floats) -> Floats:
    return np.asarray(1 - 8 * owens_t(d / SQRT2, 1 / SQRT3))


def _tetrad_slope(d: Floats) -> Floats:
    return 8 / SQRT2 * _phi(d / SQRT2) * _centred(d / SQRT6)


def _both_or_neither(first: float, second: float) -> tuple[Callable[[Floats], Floats], Callable[[Floats], Floats]]:
    """Return Phi(d/first) Phi(d/second) + Phi(-d/first) Phi(-d/second) and its slope.

    Right if both comparisons come out right, or both wrong; written as 1/2 + 2 (Phi - 1/2)(Phi - 1/2), which keeps its
    digits near chance.
    """

    def proportion(d: Floats) -> Floats:
        return 0.5 + 2 * _centred(d / first) * _centred(d / second)

    def slope(d: Floats) -> Floats:
        return 2 * (_phi(d / first) / first * _centred(d / second) + _phi(d / second) / second * _centred(d / first))

    return proportion, slope


def _same_different_cut(d: float) -> float:
    """Return the criterion tau/sqrt 2 at which "same" pairs and "different" pairs are judged right equally often."""

    def excess(cut: float) -> float:
        right_if_same = 2 * ndtr(cut) - 1
        right_if_different = ndtr(d / SQRT2 - cut) + ndtr(-d / SQRT2 - cut)
        return float(right_if_same - right_if_different)

    return rising_root(excess, 0.0, 1.0 + d)


def _same_different(d: Floats) -> Floats:
    cut = np.vectorize(_same_different_cut, otypes=[np.float64])(d)
    return np.asarray(2 * ndtr(cut) - 1)


def _same_different_slope(d: Floats) -> Floats:
    # By implicit differentiation of the two hit rates at the criterion where they are equal.
    cut, shift = np.vectorize(_same_different_cut, otypes=[np.float64])(d), d / SQRT2
    near, far = _phi(cut - shift), _phi(cut + shift)
    return np.asarray(2 * _phi(cut) * (near - far) / (2 * _phi(cut) + near + far) / SQRT2)


_DIFFERENCING_ABX, _DIFFERENCING_ABX_SLOPE = _both_or_neither(SQRT2, SQRT6)
_INDEPENDENT_ABX, _INDEPENDENT_ABX_SLOPE = _both_or_neither(SQRT2, 2.0)
_INDEPENDENT_SAME, _INDEPENDENT_SAME_SLOPE = _both_or_neither(2.0, 2.0)

DECISION_RULES: dict[str, DecisionRule] = {
    rule.method: rule
    for rule in (
        DecisionRule(
            method="abx",
            guess=HALF,
            model="differencing: X goes with the one of A and B that it differs from less",
            source="Macmillan & Creelman 2005; suits roving clips and free switching",
            proportion=_DIFFERENCING_ABX,
            slope=_DIFFERENCING_ABX_SLOPE,
        ),
        DecisionRule(
            method="abx-independent",
            guess=HALF,
            model="independent observations: A and B give the order, X is judged against the middle",
            source="Macmillan & Creelman 2005; suits one fixed pair",
            proportion=_INDEPENDENT_ABX,
            slope=_INDEPENDENT_ABX_SLOPE,
        ),
        DecisionRule(
            method="duo-trio",
            guess=HALF,
            model="differencing: the reference goes with the one it differs from less",
            source="ISO 10399; Ennis 1993",
            proportion=_DIFFERENCING_ABX,
            slope=_DIFFERENCING_ABX_SLOPE,
        ),
        DecisionRule(
            method="2afc",
            guess=HALF,
            model="the one with more of the named attribute is chosen",
            source="ISO 5495; Hacker & Ratcliff 1979",
            proportion=_two_afc,
            slope=_two_afc_slope,
        ),
        DecisionRule(
            method="3afc",
            guess=THIRD,
            model="the one with most of the named attribute is chosen",
            source="Hacker & Ratcliff 1979",
            proportion=_three_afc,
            slope=_three_afc_slope,
        ),
        DecisionRule(
            method="triangle",
            guess=THIRD,
            model="comparison of distances: the two that differ least are taken for the pair",
            source="ISO 4120; Ennis 1993",
            proportion=_triangle,
            slope=_triangle_slope,
        ),
        DecisionRule(
            method="tetrad",
            guess=THIRD,
            model="comparison of distances: the four are grouped so that pairs differ least",
            source="Ennis & Jesionka 2011",
            proportion=_tetrad,
            slope=_tetrad_slope,
        ),
        DecisionRule(
            method="same-different",
            guess=HALF,
            model="differencing, with the criterion at which same and different pairs are judged right equally often",
            source="Macmillan & Creelman 2005; the criterion is our reading of a bare proportion",
            proportion=_same_different,
            slope=_same_different_slope,
        ),
        DecisionRule(
            method="same-different-independent",
            guess=HALF,
            model="independent observations, unbiased: each of the pair is judged for itself",
            source="Macmillan & Creelman 2005",
            proportion=_INDEPENDENT_SAME,
            slope=_INDEPENDENT_SAME_SLOPE,
        ),
    )
}
"""The decision rules by method."""


def decision_rule(method: str) -> DecisionRule:
    """Return the rule of `method`, or raise ValueError naming those there are."""
    if method == "2-ac":
        raise ValueError("2-ac has no right answer and no guess rate: take its three counts to two_ac_test")
    if method not in DECISION_RULES:
        known = ", ".join(DECISION_RULES)
        hint = did_you_mean(method, DECISION_RULES)
        raise ValueError(f"no method {method!r} (there are: {known})" + (f"; {hint}" if hint else ""))
    return DECISION_RULES[method]


@overload
def proportion_correct(d_prime: float, method: str) -> float: ...
@overload
def proportion_correct(d_prime: ArrayLike, method: str) -> Floats: ...
def proportion_correct(d_prime: ArrayLike, method: str) -> float | Floats:
    """Return the psychometric function: proportion correct at d' (>= 0; a number or an array of any shape)."""
    return _evaluated(decision_rule(method).proportion, d_prime)


@overload
def slope(d_prime: float, method: str) -> float: ...
@overload
def slope(d_prime: ArrayLike, method: str) -> Floats: ...
def slope(d_prime: ArrayLike, method: str) -> float | Floats:
    """Return the slope of the psychometric function at d' (>= 0), per unit of d'."""
    return _evaluated(decision_rule(method).slope, d_prime)


def _evaluated(function: Callable[[Floats], Floats], d_prime: ArrayLike) -> float | Floats:
    d = np.asarray(d_prime, dtype=np.float64)
    if not np.all(d >= 0):
        raise ValueError(f"d' must be 0 or more, got {d[~(d >= 0)].flat[0]}")
    result = function(d)
    return float(result) if d.ndim == 0 else result


def d_prime(proportion: float, method: str) -> float:
    """Return the d' at which a listener of `method` is right in this proportion of trials.

    At the guess rate and below it is 0, at 1 it is infinite. Near the guess rate of ABX, duo-trio, triangle, tetrad and
    same-different the psychometric function is flat, so d' is uncertain there: look at its interval.
    """
    rule = decision_rule(method)
    if not 0 <= proportion <= 1:
        raise ValueError(f"a proportion must lie in 0 ... 1, got {proportion}")
    if proportion <= float(rule.guess):
        return 0.0
    if proportion == 1:
        return inf
    if method == "2afc":
        return SQRT2 * float(ndtri(proportion))
    return _inverse(float(proportion), method)


@lru_cache(maxsize=8192)
def _inverse(proportion: float, method: str) -> float:
    """Return d' by root finding; remembered, since listeners of a panel come to the same few proportions."""
    return _inverted(lambda d: proportion_correct(d, method) - proportion)


def _inverted(rising: Callable[[float], float]) -> float:
    high = 1.0
    while rising(high) < 0:
        high *= 2
    return rising_root(rising, 0.0, high)


def d_prime_std_error(proportion: float, trials: int, method: str) -> float:
    """Return the standard error of d' by the delta method: se(proportion) / slope.

    NaN where that says nothing: below the guess rate, where the slope is 0, and at a proportion of 1.
    """
    if trials < 1:
        raise ValueError(f"there must be at least one trial, got {trials}")
    d = d_prime(proportion, method)
    steepness = 0.0 if isinf(d) or proportion < float(decision_rule(method).guess) else slope(d, method)
    return sqrt(proportion * (1 - proportion) / trials) / steepness if steepness > 0 else nan


def log_linear_rate(count: int, trials: int) -> float:
    """Return (count + 1/2)/(trials + 1), a rate that is never 0 or 1; for d' from rates of few trials."""
    return (count + 0.5) / (trials + 1)


def d_prime_from_rates(hits: float, false_alarms: float, method: str) -> float:
    """Return d' from two rates, so that a preference for one of the answers is not taken for deafness.

    Parameters
    ----------
    hits, false_alarms : 0 ... 1
        The rate of one answer where it is right, and where it is wrong. "yes-no": yes with and without signal; "abx",
        "abx-independent", "duo-trio", "2afc": "A" (the first) given A and given B; "same-different",
        "same-different-independent": "different" given different and given same.

    Returns
    -------
    d' : 0 where hits are no more frequent than false alarms ("yes-no": below 0 there); infinite where hits are 1 or
        false alarms 0 (`log_linear_rate` avoids that).

    Raises
    ------
    ValueError
        A rate outside 0 ... 1, both rates 0 or both 1 (then nothing is known), or a method without such rates.
    """
    for rate in (hits, false_alarms):
        if not 0 <= rate <= 1:
            raise ValueError(f"a rate must lie in 0 ... 1, got {rate}")
    if hits == false_alarms and hits in (0, 1):
        raise ValueError(f"hits and false alarms are both {hits}: the listener gave one answer only, d' is unknown")
    if method == "same-different":
        return _same_different_from_rates(hits, false_alarms)
    distance = float(ndtri(hits) - ndtri(false_alarms))
    if method == "yes-no":
        return distance
    if method not in ("abx", "abx-independent", "duo-trio", "2afc", "same-different-independent"):
        raise ValueError(f"no d' from hits and false alarms for {decision_rule(method).method!r}; use d_prime")
    return d_prime(float(ndtr(distance / 2)), method)


def _same_different_from_rates(hits: float, false_alarms: float) -> float:
    if hits <= false_alarms:
        return 0.0
    if hits == 1 or false_alarms == 0:
        return inf
    cut = criterion(hits, false_alarms, "same-different") / SQRT2
    return _inverted(lambda d: float(ndtr(d / SQRT2 - cut) + ndtr(-d / SQRT2 - cut)) - hits)


def criterion(hits: float, false_alarms: float, method: str) -> float:
    """Return where the listener draws the line.

    "yes-no": c = -(z(hits) + z(false alarms))/2, above 0 for a listener who says yes too rarely. "same-different": tau,
    the difference from which on a pair is called different.
    """
    if method == "yes-no":
        return -float(ndtri(hits) + ndtri(false_alarms)) / 2
    if method == "same-different":
        return SQRT2 * float(ndtri(1 - false_alarms / 2))
    raise ValueError(f"no criterion for {method!r} (there are: yes-no, same-different)")
