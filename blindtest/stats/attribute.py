"""Which has more of a named attribute: choices of one of two or three, and the conclusion of a claim that it is so.

The right answer is the sound that is said to have more. Whoever hears nothing is right at the guess rate g (1/2 or
1/3); whoever hears the attribute the other way round is right less often. So the exact binomial test looks at both
sides of g, unless the direction was known beforehand and sealed (ISO 5495:2005). Two-sided p values double the smaller
tail, at most 1: each side is tested at alpha/2, which is exact whatever g is.

d' is the distance between the two sounds along the attribute, above 0 where the claimed one has more. The psychometric
functions of the forced-choice methods hold on both sides of 0: with h = d/sqrt 2 two-alternative choices are right with
probability Phi(h), three-alternative ones with Phi(h) - 2 T(h, 1/sqrt 3), the area of a bivariate normal distribution
with correlation 1/2 below (h, h) (Owen 1956, Ann. Math. Stat. 27, 1075; Hacker & Ratcliff 1979).

Words of a conclusion, against a margin M in d', fixed beforehand:

- *shown*: p <= alpha, and the claimed one has more;
- *refuted*: p <= alpha, and the other one has;
- *negligible*: both one-sided exact limits of d' lie inside -M ... M; this word goes before the two above;
- *open*: none of these.

Of several listeners, *negligible* must hold for others like them too: the limits also lie inside the margin when they
are widened by how much the listeners' own counts scatter (design_effect.py); where only the count of all answers lies
inside, the word is *open*, or what is established on a side. Two camps that hear it the other way round are no proof
that neither has more. A side is named of these listeners: which sound has more of a named attribute is a fact about
the sounds, so that listeners are taken to differ in how well they hear it. Where they hear it either way, their own d'
scattering around 0 with SD 1, a side is named in 34 % of studies with three listeners, in 22 % with eight, though of
these very listeners in 1.2 % at most there (simulated, 2,000 studies each: promised_chances.csv in
tests/references/stats).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import inf, sqrt
from operator import index
from typing import Any

from scipy.special import ndtr, ndtri, owens_t

from blindtest.nouns import number_of
from blindtest.stats.binomial import (
    Interval,
    at_least_is_rare,
    at_most_is_rare,
    checked_counts,
    checked_probability,
    clopper_pearson,
    decimal,
    lower_limit,
    lower_tail,
    rising_root,
    upper_limit,
    upper_tail,
)
from blindtest.stats.design_effect import design_effect, effective_limits, limits_within, scatter_words
from blindtest.stats.direction import Direction, check_direction
from blindtest.stats.number_words import d_words, p_words, percent
from blindtest.stats.plain import plain
from blindtest.stats.preference import PreferenceWord, Side, word_of
from blindtest.stats.sensitivity import decision_rule
from blindtest.stats.unanswered_trials import unanswered_words

__all__ = [
    "MEANING",
    "AttributeConclusion",
    "AttributeTest",
    "attribute_test",
    "checked_method",
    "conclude_attribute",
    "margin_bounds",
    "sides_of",
    "signed_d_prime",
    "signed_proportion",
]

METHODS = ("2afc", "3afc")
LARGEST_MARGIN = 5.0
"""d' at which a three-alternative choice is right in 99.98 % of trials: no margin lies beyond."""
SQRT2, SQRT3 = sqrt(2), sqrt(3)
ASSUMPTIONS = (
    "where the claimed one stood was drawn independently in every trial, each place equally likely",
    "the number of trials was fixed before the first one",
    "the chance to choose the claimed one is the same in every trial, one trial's outcome says nothing about another's",
)


def signed_proportion(d_prime: float, method: str) -> float:
    """Return how often the claimed one is chosen where it has `d_prime` more of the attribute (below 0: less)."""
    checked_method(method)
    h = d_prime / SQRT2
    return float(ndtr(h)) if method == "2afc" else float(ndtr(h) - 2 * owens_t(h, 1 / SQRT3))


def signed_d_prime(proportion: float, method: str) -> float:
    """Return d' along the attribute from how often the claimed one is chosen; -inf at 0, inf at 1."""
    checked_method(method)
    if not 0 <= proportion <= 1:
        raise ValueError(f"a proportion must lie in 0 ... 1, got {proportion}")
    if proportion in (0, 1):
        return inf if proportion else -inf
    if method == "2afc":
        return SQRT2 * float(ndtri(proportion))
    # Beyond +-50 the function is 0 or 1 to the last bit.
    return rising_root(lambda d: signed_proportion(d, method) - proportion, -50.0, 50.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributeTest:
    """Choices of the claimed one held against guessing."""

    correct: int
    """Trials in which the claimed one was chosen."""
    trials: int
    method: str
    direction: Direction
    guess_rate: float
    proportion: float
    p_value: float
    """Exact, against the guess rate, on the side or sides that `direction` says."""
    level: float
    """Confidence level of interval and limits, 0 ... 1."""
    lower_limit: float
    """Proportion, one-sided; goes with a p in the claimed direction."""
    upper_limit: float
    """The same from above; goes with *refuted*."""
    interval: Interval
    """Proportion, two-sided (Clopper and Pearson); goes with a two-sided p."""
    d_prime: float
    """Along the attribute: above 0 where the claimed one has more. Infinite if all or none were right."""
    d_prime_interval: Interval
    """Mapped from `interval`."""
    d_prime_limits: Interval
    """One-sided each, mapped from `lower_limit` and `upper_limit`: what *negligible* is held against."""
    model: str
    assumptions: tuple[str, ...] = ASSUMPTIONS
    test: str = "exact binomial"
    source: str = "ISO 5495; Clopper & Pearson 1934 for the interval; Hacker & Ratcliff 1979 for d'"

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        (low, high), (d_low, d_high) = self.interval, self.d_prime_interval
        sides = "on either side" if self.direction == "two-sided" else "in the claimed direction"
        return (
            f"The claimed one was chosen in {self.correct} of {number_of(self.trials, 'trial')} "
            f"({percent(self.proportion)}; a "
            f"guesser: {percent(self.guess_rate)}). Guessing goes as far {sides} with probability "
            f"{p_words(self.p_value)} (exact). With {percent(self.level)} confidence {percent(low)} to "
            f"{percent(high)}; d' {d_words(self.d_prime)} ({d_words(d_low)} to {d_words(d_high)})."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included; infinite numbers become None."""
        return plain(self, "sentence")


def attribute_test(
    correct: int, trials: int, *, method: str, direction: Direction = "two-sided", level: float = 0.95
) -> AttributeTest:
    """Hold `correct` choices of the claimed one, of `trials`, against guessing.

    Parameters
    ----------
    method : "2afc" or "3afc"
    direction : "claimed" only where the direction was sealed before the first trial

    Raises
    ------
    ValueError
        No trials, impossible counts, an unknown method or direction, a level outside 0 ... 1.
    """
    correct, trials = checked_counts(correct, trials)
    checked_probability("level", level)
    guess = checked_method(method)
    check_direction(direction)
    p = upper_tail(correct, trials, guess)
    if direction == "two-sided":
        p = min(1.0, 2 * min(p, lower_tail(correct, trials, guess)))
    low, high = clopper_pearson(correct, trials, level)
    least, most = lower_limit(correct, trials, level), upper_limit(correct, trials, level)
    return AttributeTest(
        correct=correct,
        trials=trials,
        method=method,
        direction=direction,
        guess_rate=float(guess),
        proportion=correct / trials,
        p_value=p,
        level=float(level),
        lower_limit=least,
        upper_limit=most,
        interval=(low, high),
        d_prime=signed_d_prime(correct / trials, method),
        d_prime_interval=(signed_d_prime(low, method), signed_d_prime(high, method)),
        d_prime_limits=(signed_d_prime(least, method), signed_d_prime(most, method)),
        model=decision_rule(method).model,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributeConclusion:
    """What the counts say about a claim that one has more of an attribute, with the tests it rests on."""

    word: PreferenceWord
    correct: int
    trials: int
    """Answered."""
    unanswered: int
    """Planned, never answered; counted as wrong in `against`, as right in `favouring`."""
    method: str
    margin: float | None
    """d' that matters; None: *negligible* is out of reach."""
    alpha: float
    direction: Direction
    side: Side
    """Who is established to have more, whatever the word; "neither": nobody."""
    within_margin: bool
    """Whether both one-sided limits of d' lie inside the margin, of several listeners the widened ones too."""
    against: AttributeTest
    """Unanswered trials counted against the claimed one: what *shown* has to withstand, and the lower limit."""
    favouring: AttributeTest
    """Unanswered trials counted for it: what *refuted* has to withstand, and the upper limit."""
    answered: AttributeTest | None
    """The answered trials alone; None if there were none."""
    word_if_answered_only: PreferenceWord
    """What the answered trials alone would say: printed beside, never instead."""
    design_effect: float = 1.0
    """How many times as widely several listeners' counts scatter (variance) as those of listeners who are alike; 1: no
    more than chance, or nothing is known of single listeners."""
    wider_limits: Interval | None = None
    """One-sided limits of d', widened by the design effect; None where nothing widens them."""
    listeners_differ: bool = False
    """Whether the limits of all answers together lie inside the margin and the widened ones don't."""

    @property
    def scatter_sentence(self) -> str:
        """How far listeners differ, and the limits that this leaves; empty where nothing widens them."""
        if self.wider_limits is None:
            return ""
        low, high = self.wider_limits
        return scatter_words(self.design_effect, f"of d' are {d_words(low)} and {d_words(high)}")

    @property
    def limits(self) -> Interval:
        """One-sided limits of d' that *negligible* holds against the margin, unanswered trials counted against it."""
        return self.against.d_prime_limits[0], self.favouring.d_prime_limits[1]

    @property
    def sentence(self) -> str:
        """The conclusion in plain words."""
        text = f"{self.word}: {MEANING[self.word]}"
        if self.word == "negligible" and self.side != "neither":
            whose = "the claimed one" if self.side == "claimed" else "the other one"
            text = f"negligible: {whose} has more of it, yet by less than what was declared to matter"
        if self.word == "open" and self.listeners_differ:
            text = "open: all answers together lie within what was declared not to matter, but listeners differ"
        return text + unanswered_words(self.unanswered, answered=self.trials, alone=self.word_if_answered_only) + "."

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentences included; infinite numbers become None."""
        return plain(self, "limits", "sentence", "scatter_sentence")


MEANING: dict[PreferenceWord, str] = {
    "shown": "the claimed one has more of it",
    "refuted": "the other one has more of it",
    "negligible": "neither has more of it by what was declared to matter",
    "open": "neither guessing nor a difference that matters can be ruled out",
}


def conclude_attribute(
    correct: int,
    trials: int,
    *,
    method: str,
    margin: float | None,
    alpha: float = 0.05,
    direction: Direction = "two-sided",
    unanswered: int = 0,
    by_listener: Sequence[tuple[int, int]] = (),
) -> AttributeConclusion:
    """Draw the conclusion about a claim that one has more of an attribute; see the module for its words.

    Parameters
    ----------
    correct, trials : choices of the claimed one, of the answered trials
    margin : smallest d' that matters, (0, 5); None: *negligible* is out of reach
    alpha : of the test that `direction` names, and of each of the two limits
    by_listener : each listener's (correct, trials); of two or more *negligible* must withstand how much they differ.
        Empty: nothing is known of single listeners, and the word is about all answers together

    Raises
    ------
    ValueError
        Impossible counts, no trials planned at all, a margin or alpha out of range, an unknown method or direction,
        listeners whose counts don't add up.
    """
    correct, trials, unanswered = index(correct), index(trials), index(unanswered)
    if unanswered < 0:
        raise ValueError(f"the number of unanswered trials must be 0 or more, got {unanswered}")
    if trials:
        checked_counts(correct, trials)
    elif correct:
        raise ValueError(f"no trial was answered, yet {correct} are said to be right")
    planned, level = trials + unanswered, 1 - checked_probability("alpha", alpha)
    if not planned:
        raise ValueError("no trial was planned: there is nothing to conclude from")
    guess, bounds = checked_method(method), margin_bounds(margin, method)
    check_direction(direction)

    def sides(least: int, most: int, count: int) -> tuple[Side, bool]:
        return sides_of(least, most, count, guess=guess, alpha=alpha, direction=direction, bounds=bounds)

    def tested(right: int, count: int) -> AttributeTest:
        return attribute_test(right, count, method=method, direction=direction, level=level)

    own = [checked_counts(*one) for one in by_listener if one[1]]
    if own and (sum(right for right, _ in own), sum(of for _, of in own)) != (correct, trials):
        raise ValueError(f"listeners' counts must add up to {correct} of {trials}, got {list(by_listener)}")
    effect = design_effect([right for right, _ in own], [of for _, of in own])

    def widened(more: int) -> Interval:
        return effective_limits(correct, correct + more, trials + more, effect=effect, level=level)

    def differing(inside: bool, more: int) -> bool:
        """Return whether the limits lie inside the margin of all answers together only."""
        return inside and effect > 1 and not limits_within(widened(more), bounds)

    side, inside = sides(correct, correct + unanswered, planned)
    differ = differing(inside, unanswered)
    within = inside and not differ
    alone = sides(correct, correct, trials) if trials else ("neither", False)
    return AttributeConclusion(
        word=word_of(side, within),
        correct=correct,
        trials=trials,
        unanswered=unanswered,
        method=method,
        margin=None if margin is None else float(margin),
        alpha=float(alpha),
        direction=direction,
        side=side,
        within_margin=within,
        against=tested(correct, planned),
        favouring=tested(correct + unanswered, planned),
        answered=tested(correct, trials) if trials else None,
        word_if_answered_only=word_of(alone[0], alone[1] and not differing(alone[1], 0)) if trials else "open",
        design_effect=effect,
        wider_limits=None
        if effect <= 1
        else (signed_d_prime(widened(unanswered)[0], method), signed_d_prime(widened(unanswered)[1], method)),
        listeners_differ=differ,
    )


def sides_of(
    least: int,
    most: int,
    trials: int,
    *,
    guess: Fraction,
    alpha: float,
    direction: Direction,
    bounds: tuple[Fraction, Fraction] | None,
) -> tuple[Side, bool]:
    """Return who is established to have more, and whether d' lies inside the margin; `least` and `most` right."""
    tail = decimal(alpha) / (2 if direction == "two-sided" else 1)
    side: Side = "neither"
    if at_least_is_rare(least, trials, guess, tail):
        side = "claimed"
    elif at_most_is_rare(most, trials, guess, tail):
        side = "other"
    within = (
        bounds is not None
        and at_least_is_rare(least, trials, bounds[0], alpha)
        and at_most_is_rare(most, trials, bounds[1], alpha)
    )
    return side, within


def margin_bounds(margin: float | None, method: str) -> tuple[Fraction, Fraction] | None:
    """Return how often the claimed one is chosen at minus and plus the margin, a d'."""
    if margin is None:
        return None
    if not 0 < margin < LARGEST_MARGIN:
        raise ValueError(f"the margin, a d', must lie between 0 and {LARGEST_MARGIN:g}, got {margin}")
    return Fraction(signed_proportion(-margin, method)), Fraction(signed_proportion(margin, method))


def checked_method(method: str) -> Fraction:
    """Return the guess rate of a forced choice; ValueError where it is none."""
    if method not in METHODS:
        raise ValueError(f"no forced choice {method!r} (there are: {', '.join(METHODS)})")
    return decision_rule(method).guess
