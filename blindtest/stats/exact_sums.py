"""Exact distribution of a sum of scores over trials of which some, any as likely as any other, are drawn.

Given how many of a listener's answers were right, *which* of them were right is a fair draw if nothing but luck decides
it: the sum of the scores of those that were right then has a known distribution, whatever the listener's sensitivity.
With scores 1 for trials of one kind and 0 for the others that is Fisher's exact test, with positions in the order of
trials it is the exact rank test of a trend. Several listeners add up: their distributions are convolved, each given its
own number right, so listeners may differ in all but what is tested.

Sources: Fisher 1935 (JRSS 98, 39); Mann & Whitney 1947 (Ann. Math. Stat. 18, 50); Mehta, Patel & Gray 1985 (JASA 80,
969) for convolved strata.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import inf, log, nan, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp, ndtr, ndtri

from blindtest.stats.profile_likelihood import crossing

__all__ = ["ScoreSum", "score_sum", "tilt"]

Floats = NDArray[np.float64]
MOST_WORK = 1e9
"""Additions up to which a distribution is found exactly; a second or so. Beyond that the normal distribution with the
exact variance stands in, where it is good to about .001."""
NEARLY = 1 + 1e-7
"""Outcomes this near in probability to the one observed count as equally rare (as in R's fisher.test)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScoreSum:
    """The sum of scores that was seen, and where it lies among those that could have been."""

    observed: float
    mean: float
    std: float
    upper: float
    """P(sum >= observed)."""
    lower: float
    """P(sum <= observed)."""
    two_sided: float
    """Probability of all sums that are as improbable as the one observed, or more so."""
    exact: bool
    least: float
    """The smallest sum that could have been."""
    chances: Floats
    """Probabilities of it and of the whole numbers that follow; empty where the normal distribution stands in."""

    @property
    def z(self) -> float:
        """Standard deviations above the mean; 0 where nothing could vary."""
        return (self.observed - self.mean) / self.std if self.std > 0 else 0.0


def score_sum(strata: Sequence[tuple[Sequence[int], Sequence[bool]]]) -> ScoreSum:
    """Return the sum of scores over the chosen trials, held against a fair draw of as many within each stratum.

    Parameters
    ----------
    strata : (scores, chosen) of each: whole numbers, and which trials were chosen (right)
    """
    observed, mean, variance, work = 0, 0.0, 0.0, 0.0
    for scores, chosen in strata:
        s, c = np.asarray(scores, dtype=np.int64), np.asarray(chosen, dtype=bool)
        n, k = len(s), int(c.sum())
        observed += int(s[c].sum())
        mean += k * float(s.mean()) if n else 0.0
        variance += k * (n - k) / n * float(s.var(ddof=1)) if n > 1 else 0.0
        work += n * min(k, n - k) * float(np.sum(np.abs(s - s.min()))) if n else 0.0
    if work > MOST_WORK:
        return _approximately(observed, mean, sqrt(variance))
    offset, chances = 0, np.ones(1)
    for scores, chosen in strata:
        s, c = np.asarray(scores, dtype=np.int64), np.asarray(chosen, dtype=bool)
        if len(s):
            start, drawn = _drawn(s, int(c.sum()))
            offset, chances = offset + start, np.convolve(chances, drawn)
    at = observed - offset
    as_rare = chances <= chances[at] * NEARLY
    return ScoreSum(
        observed=float(observed),
        mean=mean,
        std=sqrt(variance),
        upper=min(1.0, float(chances[at:].sum())),
        lower=min(1.0, float(chances[: at + 1].sum())),
        two_sided=min(1.0, float(chances[as_rare].sum())),
        exact=True,
        least=float(offset),
        chances=chances,
    )


def tilt(found: ScoreSum, *, level: float) -> tuple[float, tuple[float, float]]:
    """Return the change of the log odds of being chosen per unit of score, with its interval.

    With log odds a + b score, a of each stratum, the sum's distribution given the numbers chosen depends on b alone:
    proportional to chances exp(b sum). The estimate is its maximum, the limits are where a tail has half of 1 - level,
    so that interval and two-sided p never disagree (Cox 1970, Analysis of Binary Data; Hirji, Mehta & Patel 1987, JASA
    82, 1110). Infinite at the smallest and largest sum there could be.
    """
    if found.std == 0:
        return nan, (-inf, inf)
    if not found.exact:
        half = float(ndtri((1 + level) / 2)) / found.std
        estimate = found.z / found.std
        return estimate, (estimate - half, estimate + half)
    possible = np.flatnonzero(found.chances)
    sums = possible + found.least - found.observed
    logs = np.log(found.chances[possible])
    tail = log((1 - level) / 2)

    def excess(b: float) -> float:
        weights = np.exp(logs + b * sums - np.max(logs + b * sums))
        return float(np.sum(weights * sums) / np.sum(weights))

    def upper(b: float) -> float:
        return float(logsumexp(logs[sums >= 0] + b * sums[sums >= 0]) - logsumexp(logs + b * sums)) - tail

    def lower(b: float) -> float:
        return tail - float(logsumexp(logs[sums <= 0] + b * sums[sums <= 0]) - logsumexp(logs + b * sums))

    step = 1 / found.std
    at_least, at_most = bool(sums[0] == 0), bool(sums[-1] == 0)
    estimate = -inf if at_least else inf if at_most else _rising_zero(excess, step)
    return estimate, (-inf if at_least else _rising_zero(upper, step), inf if at_most else _rising_zero(lower, step))


def _rising_zero(function: Callable[[float], float], step: float) -> float:
    low, high = -step, step
    while function(low) > 0:
        low *= 2
    while function(high) < 0:
        high *= 2
    return crossing(function, low, high)


def _approximately(observed: int, mean: float, std: float) -> ScoreSum:
    z = (observed - mean) / std
    return ScoreSum(
        observed=float(observed),
        mean=mean,
        std=std,
        upper=float(ndtr(-z)),
        lower=float(ndtr(z)),
        two_sided=2 * float(ndtr(-abs(z))),
        exact=False,
        least=nan,
        chances=np.zeros(0),
    )


def _drawn(scores: NDArray[np.int64], k: int) -> tuple[int, Floats]:
    """Return (least sum, probabilities) of the sum of k scores drawn without replacement."""
    n, least = len(scores), int(scores.min())
    shifted = scores - least
    if 2 * k > n:  # those left out are fewer: their sum says the same
        start, others = _drawn(scores, n - k)
        total = int(scores.sum())
        return total - start - (len(others) - 1), others[::-1]
    ways = np.zeros((k + 1, int(np.sort(shifted)[n - k :].sum()) + 1))
    ways[0, 0] = 1.0
    for seen, score in enumerate(shifted.tolist(), start=1):
        for chosen in range(min(k, seen), 0, -1):
            if score:
                ways[chosen, score:] += ways[chosen - 1, :-score]
            else:
                ways[chosen] += ways[chosen - 1]
        ways /= ways.max()
    chances = ways[k] / ways[k].sum()
    possible = np.flatnonzero(chances)
    return k * least + int(possible[0]), chances[possible[0] : possible[-1] + 1]
