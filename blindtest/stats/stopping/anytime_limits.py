"""Limits for the proportion right that hold at every trial at once, however the test came to its end.

A proportion p is rejected as soon as a bet against it has multiplied by 1/alpha. Two-sided the bet is spread evenly
over all proportions, 0 ... 1 (Robbins 1970, Ann. Math. Statist. 41, 1397; Howard et al. 2021, Ann. Statist. 49, 1055):

    M(p) = B(k + 1, n - k + 1) / (p^k (1 - p)^(n - k)),

a martingale with mean 1 where p is true, so that it ever reaches 1/alpha with probability alpha at most (Ville 1939).
At p = 1/2 it is the mean of the two one-sided e-values of `e_process`. log M is convex in p: what is not rejected is an
interval. The one-sided lower limit goes with `e_value`: it lies above a guess rate just when E against that rate is
1/alpha or more. Given the running counts, limits of earlier trials stay: the intersection of all intervals so far.
"""

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import log
from typing import Any, overload

import numpy as np
from scipy.special import betaln, xlog1py, xlogy

from blindtest.stats.binomial import Interval, checked_counts, checked_probability, rising_root
from blindtest.stats.plain import plain
from blindtest.stats.stopping.e_process import log_e_value

__all__ = ["ConfidenceSequence", "confidence_sequence", "log_mixture_ratio"]

Counts = int | Sequence[int]


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfidenceSequence:
    """Limits for the proportion right that may be read after every trial; unpacks as the pair (low, high)."""

    correct: int
    trials: int
    level: float
    """Chance, at least, that the limits hold at all trials together."""
    interval: Interval
    """Two-sided: every proportion not rejected so far; an empty one (both NaN) is possible along a path."""
    lower_limit: float
    """One-sided, goes with the e-value; also of all trials so far, where they were given."""
    running: bool
    """Whether earlier trials were given, and their limits kept."""
    method: str = "likelihood ratio mixed over an even spread of proportions"
    source: str = "Ville 1939; Robbins 1970 (Ann. Math. Statist. 41, 1397); Howard et al. 2021 (Ann. Statist. 49, 1055)"
    assumptions: tuple[str, ...] = (
        "the chance to be right is the same in every trial, one trial's outcome says nothing about another's",
        "declared in the plan; how and when the test was stopped does not matter",
    )

    @property
    def low(self) -> float:
        """Lower end of `interval`."""
        return self.interval[0]

    @property
    def high(self) -> float:
        """Upper end of `interval`."""
        return self.interval[1]

    def __iter__(self) -> Iterator[float]:
        return iter(self.interval)

    def __len__(self) -> int:
        return 2

    @overload
    def __getitem__(self, index: int) -> float: ...
    @overload
    def __getitem__(self, index: slice) -> tuple[float, ...]: ...
    def __getitem__(self, index: int | slice) -> float | tuple[float, ...]:
        return self.interval[index]

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        if not self.low <= self.high:
            return (
                f"{self.correct} of {self.trials} right, and no proportion stands with all trials so far: the chance "
                "to be right seems to have changed on the way."
            )
        return (
            f"{self.correct} of {self.trials} right. With {100 * self.level:.4g} % confidence, however often one "
            f"looked and whenever one stopped, the share of right answers is {100 * self.low:.1f} % to "
            f"{100 * self.high:.1f} % (one-sided: at least {100 * self.lower_limit:.1f} %)."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        return plain(self, "sentence")


def log_mixture_ratio(correct: int, trials: int, proportion: float) -> float:
    """Return log M: what the two-sided bet against `proportion` has made of one coin."""
    against = xlogy(correct, proportion) + xlog1py(trials - correct, -proportion)
    return float(betaln(correct + 1, trials - correct + 1) - against)


def confidence_sequence(correct: Counts, trials: Counts, *, level: float = 0.95) -> ConfidenceSequence:
    """Return limits for the proportion right that hold at all trials together.

    Parameters
    ----------
    correct, trials : counts so far; or both as sequences of running counts, one entry per look, so that what was
        rejected at an earlier look stays rejected
    level : chance, at least, that the true proportion is never outside

    Raises
    ------
    ValueError
        No trials, impossible counts, a level outside 0 ... 1, running counts that don't run.
    """
    checked_probability("level", level)
    if np.ndim(correct) == 0 and np.ndim(trials) == 0:
        path = [checked_counts(correct, trials)]  # type: ignore[arg-type]
    else:
        path = _checked_path(correct, trials)
    limits = [_interval(k, n, level) for k, n in path]
    low, high = max(limit[0] for limit in limits), min(limit[1] for limit in limits)
    if low > high:
        low = high = float("nan")
    return ConfidenceSequence(
        correct=path[-1][0],
        trials=path[-1][1],
        level=float(level),
        interval=(low, high),
        lower_limit=max(_lower_limit(k, n, level) for k, n in path),
        running=len(path) > 1,
    )


def _checked_path(correct: Counts, trials: Counts) -> list[tuple[int, int]]:
    if np.ndim(correct) != 1 or np.ndim(trials) != 1 or len(correct) != len(trials) or not len(correct):  # type: ignore[arg-type]
        raise ValueError("running counts must be two sequences of the same length, at least one look long")
    path = [checked_counts(int(k), int(n)) for k, n in zip(correct, trials, strict=True)]  # type: ignore[arg-type]
    for (k, n), (later_k, later_n) in itertools.pairwise(path):
        if not 0 <= later_k - k <= later_n - n or later_n == n:
            raise ValueError(f"running counts must run on: {later_k} of {later_n} can't follow {k} of {n}")
    return path


def _interval(correct: int, trials: int, level: float) -> Interval:
    best, limit = correct / trials, -log(1 - level)

    def short(p: float) -> float:
        return limit - log_mixture_ratio(correct, trials, p)

    low = 0.0 if correct == 0 else rising_root(short, 0.0, best)
    high = 1.0 if correct == trials else rising_root(lambda p: -short(p), best, 1.0)
    return low, high


def _lower_limit(correct: int, trials: int, level: float) -> float:
    if correct == 0:
        return 0.0
    limit = -log(1 - level)
    return rising_root(lambda p: limit - log_e_value(correct, trials, guess=p), 0.0, 1.0)
