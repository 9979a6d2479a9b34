"""Pairs called "same" or "different": sensitivity apart from the readiness to say "different".

Two decision models. *Differencing*: a pair is called different if what is heard of both differs by more than a
criterion tau. *Independent observations*: each of the pair is judged for itself, and the pair by the likelihood ratio
(Macmillan & Creelman 2005). They give different d' for the same answers: the result names its model.

Differencing, with S the pairs that are the same and D those that are different:

    P(same | S) = 2 Phi(tau/sqrt 2) - 1
    P(same | D) = Phi((tau - d)/sqrt 2) - Phi((-tau - d)/sqrt 2)

Two counts, two parameters: where "different" is more frequent among different pairs, the estimate reproduces both
rates. For given d' each count has one best tau and the likelihood falls to both sides of it, so the best of both lies
between.

Source: Macmillan & Creelman 2005, Detection Theory, ch. 9; Christensen & Brockhoff 2009 (J. Sensory Studies 24, 830)
for the likelihood (volume and page from memory).
"""

from dataclasses import dataclass
from math import inf, isinf, nan, sqrt
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, log_ndtr, ndtr, ndtri, xlogy

from blindtest.nouns import number_of
from blindtest.stats.binomial import Interval, checked_counts, checked_probability
from blindtest.stats.exact_sums import score_sum
from blindtest.stats.plain import plain
from blindtest.stats.profile_likelihood import peak, profile_limits
from blindtest.stats.sensitivity import d_prime, d_prime_from_rates
from blindtest.stats.two_rates import two_rates

__all__ = ["SameDifferentResult", "same_different_test"]

Floats = NDArray[np.float64]
SQRT2 = sqrt(2)
FARTHEST = 40.0
"""d' beyond which nothing changes."""
MODELS = {
    "same-different": "differencing: a pair whose two differ by more than tau is called different",
    "same-different-independent": "independent observations, likelihood ratio: each of the pair is judged for itself",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SameDifferentResult:
    """Answers "same" and "different" to same and different pairs."""

    method: str
    same_same: int
    """Same pairs that were called same."""
    different_same: int
    """Same pairs that were called different."""
    same_different: int
    """Different pairs that were called same."""
    different_different: int
    """Different pairs that were called different."""
    hits: float
    """Rate of "different" among different pairs."""
    false_alarms: float
    """Rate of "different" among same pairs."""
    p_value: float
    """One-sided exact (Fisher): "different" is no more frequent among different pairs."""
    likelihood_p_value: float
    """One-sided by the likelihood ratio of d' = 0: half chi-square_0, half chi-square_1; approximate."""
    d_prime: float
    """0 where hits are no more frequent than false alarms; infinite at hits 1 or false alarms 0; NaN if one answer only
    was given."""
    d_prime_interval: Interval
    """Profile likelihood over tau."""
    tau: float
    """Criterion, in units of d'; NaN with independent observations. Large: "same" comes readily."""
    tau_interval: Interval
    """Profile likelihood over d'."""
    log_likelihood: float
    """With the binomial coefficients left out."""
    level: float
    model: str
    assumptions: tuple[str, ...] = (
        "same and different pairs were drawn in random order, the listener did not know how many of each",
        "the criterion stays where it is throughout",
        "one trial's outcome says nothing about another's",
    )
    test: str = "Fisher's exact test, one-sided"
    source: str = "Macmillan & Creelman 2005; Christensen & Brockhoff 2009; Fisher 1935"

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        low, high = self.d_prime_interval
        pairs = self.same_different + self.different_different, self.same_same + self.different_same
        return (
            f'"Different" for {self.different_different} of {number_of(pairs[0], "different pair")} '
            f"and for {self.different_same} "
            f"of {number_of(pairs[1], 'same pair')}. Without any sensitivity this many or more fall on "
            "the different pairs with "
            f"probability {self.p_value:.3g} (exact, one-sided). d' {self.d_prime:.2f} ({100 * self.level:g} % "
            f"interval {low:.2f} to {high:.2f}; {self.model.partition(':')[0]})."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included; infinite and undefined numbers become None."""
        return plain(self, "sentence")


def same_different_test(
    same_same: int,
    different_same: int,
    same_different: int,
    different_different: int,
    *,
    method: Literal["same-different", "same-different-independent"] = "same-different",
    level: float = 0.95,
) -> SameDifferentResult:
    """Hold answers to same and different pairs against no sensitivity; counts are named ANSWER_PAIR.

    At 95 % and 10 to 20 pairs of each kind the intervals of d' and tau cover .95 on average and .91 in the worst case
    looked at; with 8 of each .87 where d' is 3. `likelihood_p_value` rejects up to .09 of true nulls at 10 pairs of
    each kind and .06 at 20, `p_value` never more than stated (tests/references/stats/choices_error_rates.csv, exact).

    Parameters
    ----------
    same_same, different_same : same pairs called same, called different
    same_different, different_different : different pairs called same, called different
    method : the decision model behind d'
    level : of the intervals

    Raises
    ------
    ValueError
        No same pair or no different pair, a negative count, an unknown method, an impossible level.
    """
    if method not in MODELS:
        raise ValueError(f"no same-different model {method!r} (there are: {', '.join(MODELS)})")
    checked_probability("level", level)
    false_alarms, noises = checked_counts(different_same, same_same + different_same)
    hits, signals = checked_counts(different_different, same_different + different_different)
    if method == "same-different":
        d, d_interval, tau, tau_interval = _differencing(hits, signals, false_alarms, noises, level)
    else:
        d, d_interval = _independent(hits, signals, false_alarms, noises, level)
        tau, tau_interval = nan, (nan, nan)
    pairs = [1] * signals + [0] * noises
    called = [i < hits for i in range(signals)] + [i < false_alarms for i in range(noises)]
    return SameDifferentResult(
        method=method,
        same_same=noises - false_alarms,
        different_same=false_alarms,
        same_different=signals - hits,
        different_different=hits,
        hits=hits / signals,
        false_alarms=false_alarms / noises,
        p_value=score_sum([(pairs, called)]).upper,
        likelihood_p_value=_likelihood_p(hits, signals, false_alarms, noises),
        d_prime=d,
        d_prime_interval=d_interval,
        tau=tau,
        tau_interval=tau_interval,
        log_likelihood=_best(hits, signals, false_alarms, noises),
        level=float(level),
        model=MODELS[method],
    )


def _best(hits: int, signals: int, false_alarms: int, noises: int) -> float:
    """Return the largest log-likelihood: that of both rates, or of one common rate where hits are the rarer."""
    if hits * noises <= false_alarms * signals:
        return _of_rate(hits + false_alarms, signals + noises)
    return _of_rate(hits, signals) + _of_rate(false_alarms, noises)


def _of_rate(count: int, total: int) -> float:
    return float(xlogy(count, count / total) + xlogy(total - count, 1 - count / total))


def _likelihood_p(hits: int, signals: int, false_alarms: int, noises: int) -> float:
    statistic = 2 * (_best(hits, signals, false_alarms, noises) - _of_rate(hits + false_alarms, signals + noises))
    return float(chdtrc(1, statistic)) / 2 if statistic > 1e-12 else 1.0


def _independent(hits: int, signals: int, false_alarms: int, noises: int, level: float) -> tuple[float, Interval]:
    rates = two_rates(hits, signals, false_alarms, noises, level=level)
    low, high = (_d_of_distance(limit) for limit in rates.distance_interval)
    return _d_of_distance(rates.distance), (low, high)


def _d_of_distance(distance: float) -> float:
    """Return d' of independent observations from the distance between both rates on the normal deviate."""
    if distance != distance or distance <= 0 or isinf(distance):
        return distance if distance != distance else inf if distance > 0 else 0.0
    return d_prime(float(ndtr(distance / 2)), "same-different-independent")


def _differencing(
    hits: int, signals: int, false_alarms: int, noises: int, level: float
) -> tuple[float, Interval, float, Interval]:
    best = _best(hits, signals, false_alarms, noises)

    def log_likelihood(tau: Floats, d: Floats) -> Floats:
        # Called different: the difference lies beyond tau; logs of both, so that neither is lost near 0 or 1.
        inner, near, far = tau / SQRT2, (d - tau) / SQRT2, (-tau - d) / SQRT2
        different_s = np.log(2) + log_ndtr(-inner)
        different_d = np.logaddexp(log_ndtr(near), log_ndtr(far))
        with np.errstate(divide="ignore"):
            same_s, same_d = (
                np.log(-np.expm1(np.minimum(different_s, 0))),
                np.log(-np.expm1(np.minimum(different_d, 0))),
            )
        terms = (
            (false_alarms, different_s),
            (noises - false_alarms, same_s),
            (hits, different_d),
            (signals - hits, same_d),
        )
        return np.asarray(sum(count * term for count, term in terms if count))

    def at_d(d: float) -> float:
        return peak(lambda tau: log_likelihood(tau, np.asarray(d)), 0.0, FARTHEST + 10, points=129)[1]

    def at_tau(tau: float) -> float:
        return peak(lambda d: log_likelihood(np.asarray(tau), d), 0.0, 2 * FARTHEST, points=257)[1]

    one_answer = hits + false_alarms in (0, signals + noises)
    d = nan if one_answer else d_prime_from_rates(hits / signals, false_alarms / noises, "same-different")
    falls = hits * noises <= false_alarms * signals
    rate = (hits + false_alarms) / (signals + noises) if falls else false_alarms / noises
    tau = max(0.0, -SQRT2 * float(ndtri(rate / 2))) if rate > 0 else inf
    start = 0.0 if one_answer else min(d, FARTHEST / 2)
    low, high = profile_limits(at_d, start, best=best, level=level, bounds=(0.0, FARTHEST))
    tau_start = min(tau, FARTHEST / 2)
    tau_low, tau_high = profile_limits(at_tau, tau_start, best=best, level=level, bounds=(0.0, FARTHEST))
    return (
        d,
        (low, inf if high >= FARTHEST else high),
        tau,
        (tau_low, inf if tau_high >= FARTHEST else tau_high),
    )
