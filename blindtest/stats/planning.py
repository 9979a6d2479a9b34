"""What a plan can show, before anybody listens; and what a finished test could have detected.

The power of an exact test saws: one trial more can lower it, when the critical number steps up. So a number of
trials is given twice: the first that reaches the power asked for, and the one from which on it is never lost again.

Source: Leventhal 1986 (JAES 34, 437), who showed how often small listening tests miss what is there.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, inf, isfinite, isnan, log, nan, sqrt
from typing import Any

from scipy.special import betaincinv

from blindtest.nouns import number_of
from blindtest.stats.binomial import at_least_is_rare, checked_counts, checked_probability, lower_tail, upper_tail
from blindtest.stats.discrimination import (
    critical_number,
    distinguishers,
    proportion_at,
    similarity_critical_number,
)
from blindtest.stats.plain import plain
from blindtest.stats.sensitivity import d_prime, decision_rule

__all__ = [
    "DetectableEffect",
    "MinutesPlan",
    "PlanChances",
    "PowerResult",
    "SampleSize",
    "detectable_effect",
    "minutes_plan",
    "plan_chances",
    "power",
    "sample_size",
]

MOST_TRIALS = 1_000_000
"""Beyond this a number of trials is refused: no listener will get there."""
LEAST_CHANCE = 0.5
"""A claim can fail if its plan finds it negligible at least this often when nothing is heard (claims, section 2)."""
ASSUMPTION = "every trial has the same chance to be right, independently of the others"


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerResult:
    """How often a plan shows a difference that is there."""

    trials: int
    method: str
    proportion: float
    """The true proportion correct assumed."""
    distinguishers: float
    """The share of trials heard beyond guessing that this is."""
    d_prime: float
    alpha: float
    critical_number: int | None
    """Least number correct that shows a difference; None: no number does."""
    power: float
    assumptions: tuple[str, ...] = (ASSUMPTION,)
    source: str = "exact binomial; Leventhal 1986"

    @property
    def type_ii_error(self) -> float:
        """How often the difference is missed."""
        return 1 - self.power

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        if self.critical_number is None:
            return (
                f"With {number_of(self.trials, 'trial')} not even all right would show a difference (alpha "
                f"{self.alpha:g})."
            )
        return (
            f"{self.critical_number} of {self.trials} right show a difference; a listener who is right in "
            f"{100 * self.proportion:.1f} % of trials gets there in {100 * self.power:.0f} % of tests and is missed in "
            f"{100 * self.type_ii_error:.0f} %."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "type_ii_error", "sentence")


def power(trials: int, *, proportion: float, method: str, alpha: float = 0.05) -> PowerResult:
    """Return how often `trials` trials show a difference to a listener whose true proportion correct is this."""
    _, trials = checked_counts(0, trials)
    if not 0 <= proportion <= 1:
        raise ValueError(f"a proportion must lie in 0 ... 1, got {proportion}")
    critical = critical_number(trials, method=method, alpha=alpha)
    return PowerResult(
        trials=trials,
        method=method,
        proportion=float(proportion),
        distinguishers=distinguishers(proportion, method),
        d_prime=d_prime(proportion, method),
        alpha=alpha,
        critical_number=critical,
        power=0.0 if critical is None else upper_tail(critical, trials, proportion),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleSize:
    """How many trials a wanted power takes."""

    first: int
    """The smallest number of trials that reaches it."""
    safe: int
    """From this number on it is never lost again."""
    method: str
    proportion: float
    distinguishers: float
    d_prime: float
    alpha: float
    power: float
    """The power asked for."""
    power_at_first: float
    critical_at_first: int
    power_at_safe: float
    critical_at_safe: int
    assumptions: tuple[str, ...] = (ASSUMPTION,)
    source: str = "exact binomial; every number of trials up to a bound (Hoeffding 1963) tried"

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        return (
            f"{self.safe} trials (or {self.first}, the first number that does) show a difference with probability "
            f"{self.power:g} or more to a listener who is right in {100 * self.proportion:.1f} % of trials."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "sentence")


def sample_size(*, proportion: float, method: str, alpha: float = 0.05, power: float = 0.8) -> SampleSize:
    """Return how many trials it takes to show a true `proportion` correct with probability `power`.

    Raises
    ------
    ValueError
        The proportion is not above the guess rate, or more than a million trials would have to be looked at.
    """
    guess = decision_rule(method).guess
    checked_probability("alpha", alpha)
    checked_probability("power", power)
    if not float(guess) < proportion <= 1:
        raise ValueError(f"the proportion must lie above the guess rate, {float(guess):.4g}, up to 1, got {proportion}")
    enough = _always_enough(proportion - float(guess), alpha, power)
    if enough > MOST_TRIALS:
        raise ValueError(
            f"a proportion of {proportion} is so near to the guess rate {float(guess):.4g} that more than "
            f"{MOST_TRIALS} trials may be needed"
        )
    reached: list[tuple[int, int, float]] = []
    safe: tuple[int, int, float] | None = None
    for trials, critical in _critical_numbers(guess, alpha):
        chance = 0.0 if critical > trials else upper_tail(critical, trials, proportion)
        if chance < power:
            safe = None
        else:
            step = (trials, critical, chance)
            reached = reached or [step]
            safe = safe or step
        if trials >= enough and safe:
            break
    first = reached[0]
    assert safe is not None
    return SampleSize(
        first=first[0],
        safe=safe[0],
        method=method,
        proportion=float(proportion),
        distinguishers=distinguishers(proportion, method),
        d_prime=d_prime(proportion, method),
        alpha=alpha,
        power=power,
        power_at_first=first[2],
        critical_at_first=first[1],
        power_at_safe=safe[2],
        critical_at_safe=safe[1],
    )


def _always_enough(difference: float, alpha: float, power: float) -> int:
    """Return a number of trials from which on the power is certainly never lost.

    By Hoeffding's inequality the critical number stays below n guess + sqrt(n log(1/alpha)/2) + 1, and a count stays
    above n proportion - sqrt(n log(1/beta)/2) but for probability beta; from here on the second is the larger.
    """
    distance = sqrt(log(1 / alpha) / 2) + sqrt(log(1 / (1 - power)) / 2)
    return ceil((distance / difference) ** 2)


def _critical_numbers(guess: Fraction, alpha: float) -> Iterator[tuple[int, int]]:
    """Give each number of trials with its critical number (trials + 1: none), which rises by 0 or 1 a trial."""
    critical, trials = 1, 0
    while True:
        trials += 1
        while critical <= trials and not at_least_is_rare(critical, trials, guess, alpha):
            critical += 1
        yield trials, critical


@dataclass(frozen=True, slots=True, kw_only=True)
class DetectableEffect:
    """The smallest effect that a number of trials shows with a stated probability."""

    trials: int
    method: str
    alpha: float
    power: float
    critical_number: int | None
    proportion: float
    """True proportion correct; NaN if no number correct shows anything."""
    distinguishers: float
    d_prime: float
    assumptions: tuple[str, ...] = (ASSUMPTION,)
    source: str = "exact binomial"

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        if self.critical_number is None:
            return (
                f"{number_of(self.trials, 'trial')} can show nothing at alpha {self.alpha:g}, not even if all "
                "are right."
            )
        # With very many trials even less than one in a hundred is found: "0 %" would be no effect at all.
        digits = 0 if self.distinguishers >= 0.01 else 2
        return (
            f"{number_of(self.trials, 'trial')} would have shown, with probability {self.power:g}, a "
            "listener who hears "
            f"{100 * self.distinguishers:.{digits}f} % of trials beyond guessing "
            f"({100 * self.proportion:.{digits}f} % right, d' "
            f"{self.d_prime:.2f}); smaller effects were more likely to be missed."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "sentence")


def detectable_effect(trials: int, *, method: str, alpha: float = 0.05, power: float = 0.8) -> DetectableEffect:
    """Return the smallest effect that `trials` trials show with probability `power`: what this could have detected."""
    _, trials = checked_counts(0, trials)
    checked_probability("power", power)
    critical = critical_number(trials, method=method, alpha=alpha)
    proportion = nan if critical is None else float(betaincinv(critical, trials - critical + 1, power))
    # A wanted power below alpha would ask for less than a guesser gets.
    proportion = proportion if isnan(proportion) else max(proportion, float(decision_rule(method).guess))
    return DetectableEffect(
        trials=trials,
        method=method,
        alpha=alpha,
        power=power,
        critical_number=critical,
        proportion=proportion,
        distinguishers=nan if critical is None else distinguishers(proportion, method),
        d_prime=inf if critical is None else d_prime(proportion, method),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanChances:
    """Which conclusions a plan can reach, and how often when they are true."""

    trials: int
    method: str
    margin: float
    alpha: float
    critical_number: int | None
    """This many right or more: a guesser can't do it but for alpha."""
    similarity_critical_number: int | None
    """This many right or fewer: *negligible*."""
    chance_shown: float
    """How often a listener who hears the margin's share of trials ends as *shown*."""
    chance_negligible: float
    """How often a listener who only guesses ends as *negligible*."""
    chance_open: float
    """How often a listener who only guesses ends as *open*."""
    detectable: DetectableEffect
    assumptions: tuple[str, ...] = (ASSUMPTION,)
    source: str = "exact binomial; test for similarity as in ISO 4120, ISO 10399"

    @property
    def shown_from(self) -> int | None:
        """This many right or more: *shown*; None: no number is. Fewer may tell it from guessing and be *negligible*."""
        if self.critical_number is None:
            return None
        # Where both tests succeed the word is *negligible*, see conclusion.py.
        most = -1 if self.similarity_critical_number is None else self.similarity_critical_number
        first = max(self.critical_number, most + 1)
        return first if first <= self.trials else None

    @property
    def can_fail(self) -> bool:
        """Whether a claim under this plan can fail: *negligible* in at least half of the tests of a guesser."""
        return self.chance_negligible >= LEAST_CHANCE

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        if self.shown_from is None:
            shown = "no number right shows a difference"
        else:
            shown = (
                f"{self.shown_from} or more right show a difference (probability {self.chance_shown:.2f} for a "
                f"listener who hears {100 * self.margin:g} % of trials)"
            )
        if self.similarity_critical_number is None:
            negligible = "no number right makes it negligible"
        else:
            negligible = (
                f"{self.similarity_critical_number} or fewer make it negligible (probability "
                f"{self.chance_negligible:.2f} for a guesser)"
            )
        return f"Of {number_of(self.trials, 'trial')}, {shown}; {negligible}."

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "can_fail", "sentence")


def plan_chances(trials: int, *, method: str, margin: float, alpha: float = 0.05) -> PlanChances:
    """Return which conclusions `trials` trials can reach about a claim with this margin (share of trials, (0, 1])."""
    _, trials = checked_counts(0, trials)
    guess = decision_rule(method).guess
    least = critical_number(trials, method=method, alpha=alpha)
    most = similarity_critical_number(trials, method=method, distinguishers=margin, alpha=alpha)
    at_margin = proportion_at(margin, method)
    # Where both tests succeed the word is *negligible*, see conclusion.py.
    first_shown = trials + 1 if least is None else max(least, -1 if most is None else most + 1)
    negligible = 0.0 if most is None else lower_tail(most, trials, guess)
    return PlanChances(
        trials=trials,
        method=method,
        margin=float(margin),
        alpha=alpha,
        critical_number=least,
        similarity_critical_number=most,
        chance_shown=upper_tail(first_shown, trials, at_margin),
        chance_negligible=negligible,
        chance_open=max(0.0, 1 - negligible - upper_tail(first_shown, trials, guess)),
        detectable=detectable_effect(trials, method=method, alpha=alpha),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class MinutesPlan:
    """How many trials fit into the time there is, and what they can show."""

    minutes: float
    seconds_per_trial: float
    practice_trials: int
    setup_minutes: float
    trials: int
    """Counted trials that fit; 0 if none does."""
    chances: PlanChances | None
    """What they can show; None if no trial fits."""

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        spent = (
            f"{self.setup_minutes:g} minutes to set up, {self.practice_trials} practice trials and "
            f"{self.seconds_per_trial:g} s a trial"
        )
        if self.chances is None:
            return f"{self.minutes:g} minutes are too few: {spent} leave no trial that counts."
        return (
            f"{self.minutes:g} minutes hold "
            f"{number_of(self.trials, 'trial that counts', 'trials that count')} ({spent}). {self.chances.sentence}"
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "sentence")


def minutes_plan(
    minutes: float,
    *,
    method: str,
    margin: float,
    alpha: float = 0.05,
    seconds_per_trial: float = 35.0,
    practice_trials: int = 4,
    setup_minutes: float = 2.0,
) -> MinutesPlan:
    """Return how many trials fit into `minutes`, and what they can show.

    35 s a trial and 4 practice trials are those of claims, section 6; 2 minutes to set level and read are our guess.
    """
    for name, value in (("minutes", minutes), ("seconds per trial", seconds_per_trial)):
        if not (value > 0 and isfinite(value)):
            raise ValueError(f"{name} must be above 0, got {value}")
    if practice_trials < 0 or not setup_minutes >= 0:
        raise ValueError(f"practice trials and set-up can't be negative, got {practice_trials} and {setup_minutes}")
    # Times are decimals as written; a hair of rounding must not cost a trial.
    fitting = int((60 * (minutes - setup_minutes)) / seconds_per_trial + 1e-9) - practice_trials
    trials = max(0, fitting)
    return MinutesPlan(
        minutes=float(minutes),
        seconds_per_trial=float(seconds_per_trial),
        practice_trials=practice_trials,
        setup_minutes=float(setup_minutes),
        trials=trials,
        chances=plan_chances(trials, method=method, margin=margin, alpha=alpha) if trials else None,
    )
