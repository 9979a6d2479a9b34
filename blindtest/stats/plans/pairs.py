"""What plans of pairs can show: same-different, and pairs in which neither may be named (2-AC). Exact, by counting.

Both start from d' of the stimuli and a criterion, since neither has a guess rate of its own: with same-different the
exact test is Fisher's, with 2-AC the binomial test among the answers that name one of the two. Every pair of counts
that could come has its probability; those that the test calls shown are added up.

Sources: Macmillan & Creelman 2005 for same-different; Christensen, Lee & Brockhoff 2012 (Food Quality and Preference
24, 119) for 2-AC; Fisher 1935.
"""

from dataclasses import dataclass
from fractions import Fraction
from math import inf, isfinite, sqrt
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, ndtr

from blindtest.stats.binomial import (
    at_least_is_rare,
    checked_counts,
    checked_probability,
    decimal,
    lower_tail,
    point,
    upper_tail,
)
from blindtest.stats.plain import plain

__all__ = ["SameDifferentPower", "TwoACPower", "same_different_power", "two_ac_power", "unbiased_criterion"]

Floats = NDArray[np.float64]
Rule = Literal["same-different", "same-different-independent"]
SQRT2 = sqrt(2)
HALF = Fraction(1, 2)
RULES = ("same-different", "same-different-independent")
FARTHEST = 20.0
"""d' beyond which nothing is looked for."""
MOST_PAIRS = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class SameDifferentPower:
    """How often a plan of same and different pairs shows a sensitivity that is there."""

    method: Rule
    same: int
    """Pairs of two alike."""
    different: int
    d_prime: float
    """True one assumed."""
    tau: float
    """Criterion assumed, differencing only; NaN with independent observations."""
    hits: float
    """Probability to call a different pair different."""
    false_alarms: float
    alpha: float
    power: float
    detectable: float
    """Smallest d' that is shown with probability .8 under the unbiased criterion; infinite if none is."""
    assumptions: tuple[str, ...] = (
        "d' and the criterion are the same in every trial, one trial's outcome says nothing about another's",
        "unless a criterion is given, it is the unbiased one: as often wrong about same as about different pairs",
    )
    source: str = "exact: Fisher 1935; Macmillan & Creelman 2005"

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        reach = f"d' {self.detectable:.2f}" if isfinite(self.detectable) else "no d' whatever"
        return (
            f"{self.same} same and {self.different} different pairs show d' {self.d_prime:g} (called different: "
            f"{100 * self.hits:.0f} % of different, {100 * self.false_alarms:.0f} % of same pairs) with probability "
            f"{self.power:.2f} (exact, alpha {self.alpha:g}); with probability .8 it takes {reach}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "sentence")


def same_different_power(
    same: int,
    different: int,
    *,
    d_prime: float,
    method: Rule = "same-different",
    tau: float | None = None,
    alpha: float = 0.05,
) -> SameDifferentPower:
    """Return how often these pairs show a true d'; see the module.

    Parameters
    ----------
    tau : criterion of the differencing rule; None: the unbiased one

    Raises
    ------
    ValueError
        No pair of one kind, more than 2000, a negative d', an unknown rule.
    """
    _, same = checked_counts(0, same)
    _, different = checked_counts(0, different)
    checked_probability("alpha", alpha)
    if max(same, different) > MOST_PAIRS:
        raise ValueError(f"at most {MOST_PAIRS} pairs of a kind can be added up, got {max(same, different)}")
    if method not in RULES:
        raise ValueError(f"no same-different model {method!r} (there are: {', '.join(RULES)})")
    if not 0 <= d_prime < inf:
        raise ValueError(f"d' must be 0 or more, got {d_prime}")
    if tau is not None and not 0 < tau < inf:
        raise ValueError(f"the criterion must be above 0, got {tau}")
    region = _fisher_region(different, same, alpha)

    def power(d: float, at: float | None) -> float:
        hits, false_alarms = _rates(d, method, at)
        chance = np.outer(_binomial(different, hits), _binomial(same, false_alarms))
        return float(chance[region].sum())

    low, high = 0.0, FARTHEST
    if power(high, None) < 0.8:
        low = high = inf
    while isfinite(high) and high - low > 1e-4:
        middle = (low + high) / 2
        low, high = (middle, high) if power(middle, None) < 0.8 else (low, middle)
    hits, false_alarms = _rates(d_prime, method, tau)
    differencing = method == "same-different"
    return SameDifferentPower(
        method=method,
        same=same,
        different=different,
        d_prime=float(d_prime),
        tau=(unbiased_criterion(d_prime) if tau is None else float(tau)) if differencing else float("nan"),
        hits=hits,
        false_alarms=false_alarms,
        alpha=float(alpha),
        power=power(d_prime, tau),
        detectable=high,
    )


def unbiased_criterion(d_prime: float) -> float:
    """Return the differencing criterion that is as often wrong about same pairs as about different ones."""
    low, high = 0.0, d_prime + 10.0
    for _ in range(60):
        middle = (low + high) / 2
        hits, false_alarms = _differencing(d_prime, middle)
        low, high = (middle, high) if hits > 1 - false_alarms else (low, middle)
    return (low + high) / 2


def _differencing(d: float, tau: float) -> tuple[float, float]:
    same_same = 2 * float(ndtr(tau / SQRT2)) - 1
    same_different = float(ndtr((tau - d) / SQRT2) - ndtr((-tau - d) / SQRT2))
    return 1 - same_different, 1 - same_same


def _rates(d: float, method: Rule, tau: float | None) -> tuple[float, float]:
    if method == "same-different":
        return _differencing(d, unbiased_criterion(d) if tau is None else tau)
    # The unbiased likelihood rule: right about a pair if right or wrong about both of it.
    right = (1 + (2 * float(ndtr(d / 2)) - 1) ** 2) / 2
    return right, 1 - right


def _binomial(trials: int, proportion: float) -> Floats:
    k = np.arange(trials + 1)
    if proportion <= 0 or proportion >= 1:
        return np.asarray(k == (0 if proportion <= 0 else trials), dtype=np.float64)
    return np.asarray(np.exp(_log_ways(trials) + k * np.log(proportion) + (trials - k) * np.log1p(-proportion)))


def _log_ways(trials: int) -> Floats:
    k = np.arange(trials + 1)
    return np.asarray(gammaln(trials + 1) - gammaln(k + 1) - gammaln(trials - k + 1))


def _fisher_region(signals: int, noises: int, alpha: float) -> NDArray[np.bool_]:
    """Return where Fisher's one-sided p is at most alpha, (hits + 1, false alarms + 1)."""
    region = np.zeros((signals + 1, noises + 1), dtype=np.bool_)
    log_ways_s, log_ways_n = _log_ways(signals), _log_ways(noises)
    for called in range(signals + noises + 1):
        hits = np.arange(max(0, called - noises), min(signals, called) + 1)
        logs = log_ways_s[hits] + log_ways_n[called - hits]
        weights = np.exp(logs - logs.max())
        tails = np.cumsum(weights[::-1])[::-1] / weights.sum()
        # p equal to alpha counts as shown; a hair of rounding must not take it away.
        rare = hits[tails <= alpha * (1 + 1e-12)]
        region[rare, called - rare] = True
    return region


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoACPower:
    """How often a plan of pairs, in which neither may be named, shows a difference that is there."""

    trials: int
    d_prime: float
    tau: float
    """What a difference must exceed to be named."""
    shares: tuple[float, float, float]
    """Expected share of answers: the other one, neither, the claimed device."""
    alpha: float
    two_sided: bool
    power: float
    detectable: float
    """Smallest d' that is shown with probability .8 at this threshold; infinite if none is."""
    assumptions: tuple[str, ...] = (
        "d' and the threshold are the same in every trial, one trial's outcome says nothing about another's",
    )
    source: str = "exact binomial among the answers that name one; Christensen, Lee & Brockhoff 2012"

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        other, none, claimed = (100 * share for share in self.shares)
        reach = f"d' {self.detectable:.2f}" if isfinite(self.detectable) else "no d' whatever"
        return (
            f"{self.trials} pairs show d' {self.d_prime:g} (claimed device {claimed:.0f} %, other {other:.0f} %, "
            f"neither {none:.0f} % of answers) with probability {self.power:.2f} (exact, "
            f"{'two-sided' if self.two_sided else 'in the claimed direction'}, alpha {self.alpha:g}); with "
            f"probability .8 it takes {reach}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "sentence")


def two_ac_power(trials: int, *, d_prime: float, tau: float, alpha: float = 0.05, two_sided: bool = True) -> TwoACPower:
    """Return how often these pairs show a true d' beyond a threshold tau; see the module.

    Raises
    ------
    ValueError
        No trials or more than 2000, a negative d' or threshold.
    """
    _, trials = checked_counts(0, trials)
    checked_probability("alpha", alpha)
    if trials > MOST_PAIRS:
        raise ValueError(f"at most {MOST_PAIRS} pairs can be added up, got {trials}")
    for name, value in (("d'", d_prime), ("the threshold tau", tau)):
        if not 0 <= value < inf:
            raise ValueError(f"{name} must be 0 or more, got {value}")
    tail = decimal(alpha) / (2 if two_sided else 1)
    least = _least_wins(trials, tail)

    def power(d: float) -> float:
        other, none, claimed = _shares(d, tau)
        named = claimed + other
        if named <= 0:
            return 0.0
        total = 0.0
        for count in range(1, trials + 1):
            if least[count] > count:
                continue
            shown = upper_tail(least[count], count, claimed / named)
            if two_sided:
                shown += lower_tail(count - least[count], count, claimed / named)
            total += (1.0 if count == trials else 0.0) * shown if none == 0 else point(count, trials, named) * shown
        return total

    low, high = 0.0, FARTHEST
    if power(high) < 0.8:
        low = high = inf
    while isfinite(high) and high - low > 1e-3:
        middle = (low + high) / 2
        low, high = (middle, high) if power(middle) < 0.8 else (low, middle)
    return TwoACPower(
        trials=trials,
        d_prime=float(d_prime),
        tau=float(tau),
        shares=_shares(d_prime, tau),
        alpha=float(alpha),
        two_sided=two_sided,
        power=power(d_prime),
        detectable=high,
    )


def _shares(d: float, tau: float) -> tuple[float, float, float]:
    other, up_to_none = float(ndtr((-tau - d) / SQRT2)), float(ndtr((tau - d) / SQRT2))
    return other, up_to_none - other, 1 - up_to_none


def _least_wins(trials: int, tail: Any) -> list[int]:
    """Return, for each number of answers that name one, the least number for the device that is shown (or one more)."""
    least, found = 1, [1]
    for count in range(1, trials + 1):
        while least <= count and not at_least_is_rare(least, count, HALF, tail):
            least += 1
        found.append(least)
    return found
