"""Right answers held against guessing: is there a difference, and if there is none to be seen, how large could it be?

Two exact tests look at one count from its two sides. `discrimination_test` asks whether a guesser would do as well;
`similarity_test` asks whether a listener who hears a stated share of the trials would do as badly. "Not shown" is never
"no difference": only the second test, against a margin fixed beforehand, can say that a difference is negligible.

Sources: ISO 4120, ISO 10399 and ISO 5495 for the tests; Abbott 1925 (J. Econ. Entomol. 18, 265) for what remains of a
score beyond guessing. "Share of trials heard" is meant for one listener, "distinguishers" for a panel: the same number.
"""

from dataclasses import dataclass
from fractions import Fraction
from math import sqrt
from typing import Any, Literal

from blindtest.stats.binomial import (
    INTERVALS,
    Interval,
    at_least_is_rare,
    at_most_is_rare,
    checked_counts,
    checked_probability,
    decimal,
    lower_limit,
    lower_tail,
    point,
    upper_limit,
    upper_tail,
)
from blindtest.stats.number_words import d_words, p_words, percent
from blindtest.stats.plain import plain
from blindtest.stats.sensitivity import d_prime, d_prime_std_error, decision_rule

__all__ = [
    "DiscriminationResult",
    "SimilarityResult",
    "critical_number",
    "discrimination_test",
    "distinguishers",
    "proportion_at",
    "similarity_critical_number",
    "similarity_test",
]

IntervalName = Literal["clopper-pearson", "wilson", "likelihood"]

INTERVAL_SOURCES = {
    "clopper-pearson": "Clopper & Pearson 1934: covers at least as often as stated",
    "wilson": "Wilson 1927: covers as often as stated on average, less at some proportions",
    "likelihood": "profile likelihood with the chi-square limit: approximate",
}
ASSUMPTIONS = (
    "each trial's right answer was drawn independently, each possibility equally likely",
    "the number of trials was fixed before the first one",
    "the chance to be right is the same in every trial, one trial's outcome says nothing about another's",
)


def distinguishers(proportion: float, method: str) -> float:
    """Return what a proportion correct amounts to beyond guessing (Abbott): (pc - guess)/(1 - guess), not below 0."""
    guess = float(decision_rule(method).guess)
    return max(0.0, (proportion - guess) / (1 - guess))


def proportion_at(distinguishers: float, method: str) -> float:
    """Return the proportion correct of somebody who hears this share of trials and guesses in the others."""
    guess = float(decision_rule(method).guess)
    return guess + (1 - guess) * distinguishers


@dataclass(frozen=True, slots=True, kw_only=True)
class DiscriminationResult:
    """Correct answers held against guessing."""

    correct: int
    trials: int
    method: str
    guess_rate: float
    """Probability that a guess is right: 1/2 for ABX, 1/3 for a triangle."""
    proportion: float
    p_value: float
    """Probability of this many or more correct by guessing alone; exact, one-sided (or its mid-p)."""
    mid_p: bool
    """Whether half of the probability of exactly this many is left out of `p_value` and the one-sided limits."""
    level: float
    """Confidence level of interval and limits, 0 ... 1."""
    lower_limit: float
    """Proportion correct, one-sided: lies above the guess rate just when `p_value` lies below 1 - level."""
    upper_limit: float
    """Proportion correct, one-sided; goes with the similarity test."""
    interval: Interval
    """Proportion correct, two-sided."""
    interval_method: str
    distinguishers: float
    """Share of trials heard beyond guessing (Abbott), not below 0."""
    distinguishers_interval: Interval
    """Mapped from `interval`."""
    distinguishers_lower_limit: float
    """Mapped from `lower_limit`."""
    distinguishers_upper_limit: float
    """Mapped from `upper_limit`."""
    d_prime: float
    """0 at the guess rate and below, infinite if every answer was right."""
    d_prime_interval: Interval
    """Mapped from `interval`."""
    d_prime_lower_limit: float
    """Mapped from `lower_limit`."""
    d_prime_std_error: float
    """Delta method; NaN where it says nothing."""
    model: str
    """The decision rule behind d'."""
    assumptions: tuple[str, ...] = ASSUMPTIONS
    test: str = "exact binomial, one-sided"
    source: str = "ISO 4120, ISO 10399, ISO 5495 (the same binomial)"

    @property
    def distinguishers_std_error(self) -> float:
        """Standard error of the share heard: that of the proportion, divided by 1 - guess rate."""
        return sqrt(self.proportion * (1 - self.proportion) / self.trials) / (1 - self.guess_rate)

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        low, high = self.interval
        d_low, d_high = self.d_prime_interval
        heard_low, heard_high = self.distinguishers_interval
        kind = "mid-p" if self.mid_p else "exact"
        return (
            f"{self.correct} of {self.trials} right ({percent(self.proportion)}; a guesser: "
            f"{percent(self.guess_rate)}). Guessing alone brings this many or more with probability "
            f"{p_words(self.p_value)} ({kind}, one-sided). With {percent(self.level)} confidence the share of "
            f"right answers is at least {percent(self.lower_limit)}; two-sided {percent(low)} to {percent(high)}. "
            f"Heard beyond guessing: {percent(self.distinguishers)} of trials ({percent(heard_low)} to "
            f"{percent(heard_high)}). d' {d_words(self.d_prime)} ({d_words(d_low)} to {d_words(d_high)})."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included; infinite and undefined numbers become None."""
        return plain(self, "distinguishers_std_error", "sentence")


def discrimination_test(
    correct: int,
    trials: int,
    *,
    method: str = "abx",
    level: float = 0.95,
    interval: IntervalName = "clopper-pearson",
    mid_p: bool = False,
) -> DiscriminationResult:
    """Hold `correct` of `trials` right answers against guessing.

    Parameters
    ----------
    method : a name in `DECISION_RULES`; gives the guess rate and the meaning of d'
    level : of the two-sided interval and of both one-sided limits
    interval : of the proportion, carried through to distinguishers and d', so that all three tell one story
    mid_p : take the mid-p value (Lancaster 1961), which is not guaranteed to be conservative, with the limits that go
        with it

    Raises
    ------
    ValueError
        No trials, impossible counts, a level outside 0 ... 1, an unknown method or interval.
    """
    correct, trials = checked_counts(correct, trials)
    level = checked_probability("level", level)
    rule = decision_rule(method)
    if interval not in INTERVALS:
        raise ValueError(f"no interval {interval!r} (there are: {', '.join(INTERVALS)})")
    proportion = correct / trials
    low, high = INTERVALS[interval](correct, trials, level)
    lower = lower_limit(correct, trials, level, mid_p=mid_p)
    upper = upper_limit(correct, trials, level, mid_p=mid_p)
    tail = upper_tail(correct, trials, rule.guess)
    return DiscriminationResult(
        correct=correct,
        trials=trials,
        method=method,
        guess_rate=float(rule.guess),
        proportion=proportion,
        p_value=tail - point(correct, trials, rule.guess) / 2 if mid_p else tail,
        mid_p=mid_p,
        level=level,
        lower_limit=lower,
        upper_limit=upper,
        interval=(low, high),
        interval_method=INTERVAL_SOURCES[interval],
        distinguishers=distinguishers(proportion, method),
        distinguishers_interval=(distinguishers(low, method), distinguishers(high, method)),
        distinguishers_lower_limit=distinguishers(lower, method),
        distinguishers_upper_limit=distinguishers(upper, method),
        d_prime=d_prime(proportion, method),
        d_prime_interval=(d_prime(low, method), d_prime(high, method)),
        d_prime_lower_limit=d_prime(lower, method),
        d_prime_std_error=d_prime_std_error(proportion, trials, method),
        model=rule.model,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SimilarityResult:
    """Correct answers held against somebody who hears a share of the trials that would matter."""

    correct: int
    trials: int
    method: str
    margin: float
    """Share of trials heard beyond guessing that would matter."""
    proportion_at_margin: float
    p_value: float
    """Probability of this many or fewer correct if the share heard were the margin; exact."""
    level: float
    upper_limit: float
    """Share of trials heard, one-sided: lies below the margin just when `p_value` lies below 1 - level."""
    assumptions: tuple[str, ...] = (*ASSUMPTIONS, "the margin was fixed before the first trial")
    test: str = "exact binomial, one-sided, against the margin"
    source: str = "ISO 4120, ISO 10399: test for similarity"

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        return (
            f"{self.correct} of {self.trials} right. If {percent(self.margin)} of trials were heard, this few or "
            f"fewer would come with probability {p_words(self.p_value)} (exact, one-sided). With "
            f"{percent(self.level)} confidence at most {percent(self.upper_limit)} of trials are heard."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        return plain(self, "sentence")


def similarity_test(
    correct: int, trials: int, *, method: str, distinguishers: float, level: float = 0.95
) -> SimilarityResult:
    """Hold `correct` of `trials` against a listener who hears the share `distinguishers` of trials: the margin."""
    correct, trials = checked_counts(correct, trials)
    at_margin = _margin_proportion(distinguishers, method)
    return SimilarityResult(
        correct=correct,
        trials=trials,
        method=method,
        margin=float(distinguishers),
        proportion_at_margin=float(at_margin),
        p_value=lower_tail(correct, trials, at_margin),
        level=checked_probability("level", level),
        upper_limit=_share(upper_limit(correct, trials, level), method),
    )


def critical_number(trials: int, *, method: str, alpha: float = 0.05, two_sided: bool = False) -> int | None:
    """Return the least number correct that a guesser reaches with probability alpha or less; None: none of them.

    `two_sided` gives half of alpha to each side (ISO 5495, where the direction is not known in advance).
    """
    _, trials = checked_counts(0, trials)
    tail = decimal(checked_probability("alpha", alpha)) / (2 if two_sided else 1)
    guess = decision_rule(method).guess
    low, high = 0, trials + 1
    while high - low > 1:
        middle = (low + high) // 2
        if at_least_is_rare(middle, trials, guess, tail):
            high = middle
        else:
            low = middle
    return high if high <= trials else None


def similarity_critical_number(trials: int, *, method: str, distinguishers: float, alpha: float = 0.05) -> int | None:
    """Return the largest number correct that somebody who hears the share `distinguishers` of trials stays at or below
    with probability alpha or less; None: none of them.
    """
    _, trials = checked_counts(0, trials)
    checked_probability("alpha", alpha)
    at_margin = _margin_proportion(distinguishers, method)
    low, high = -1, trials
    while high - low > 1:
        middle = (low + high) // 2
        if at_most_is_rare(middle, trials, at_margin, alpha):
            low = middle
        else:
            high = middle
    return low if low >= 0 else None


def is_above_guessing(correct: int, trials: int, *, method: str, alpha: float) -> bool:
    """Return whether the exact one-sided p is at most alpha, decided without rounding."""
    return at_least_is_rare(correct, trials, decision_rule(method).guess, checked_probability("alpha", alpha))


def is_below_margin(correct: int, trials: int, *, method: str, distinguishers: float, alpha: float) -> bool:
    """Return whether the similarity test's p is at most alpha, decided without rounding."""
    at_margin = _margin_proportion(distinguishers, method)
    return at_most_is_rare(correct, trials, at_margin, checked_probability("alpha", alpha))


def _margin_proportion(distinguishers: float, method: str) -> Fraction:
    if not 0 < distinguishers <= 1:
        raise ValueError(f"the share of trials heard that matters must lie above 0 and up to 1, got {distinguishers}")
    guess = decision_rule(method).guess
    return guess + (1 - guess) * decimal(distinguishers)


def _share(proportion: float, method: str) -> float:
    return distinguishers(proportion, method)
