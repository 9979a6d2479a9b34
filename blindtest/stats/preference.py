"""Which of two is preferred: exact sign tests, and the conclusion of a claim that one of them is.

A trial with a preference is a coin thrown if there is none: the count of trials in which the claimed device was
preferred is binomial. Ties ("no preference") say nothing about the direction; they are counted apart, and everything
below is about the trials with a preference. Sign test: Arbuthnott 1710; the binomial's interval is that of Clopper &
Pearson 1934. Two-sided p values double the smaller tail, which is exact at 1/2.

Words of a conclusion, against a margin (probability beyond 1/2, fixed beforehand):

- *shown*: p <= alpha, and the claimed device is the preferred one;
- *refuted*: p <= alpha, and the other one is;
- *negligible*: both one-sided exact limits lie inside 1/2 -+ margin (of several listeners: see below);
- *open*: none of these.

With many trials a preference can be established and still lie inside the margin: then the word is *negligible*, as
for a difference that is heard (conclusion.py), and `side` says the rest.

Of several listeners, *negligible* must hold for others like them too: the limits also lie inside the margin when they
are widened by how much the listeners' own counts scatter (design_effect.py). Where only the count of all answers lies
inside, the word is *open*: two camps with opposite preferences are no proof that there is none.

Why *open*, and not what the sign test of all answers says, as for what is heard: there a listener who hears takes
nothing from another who doesn't, and whoever is right more often than by guessing has heard something. Preferences
cancel, so a side that the pot names may be that of whoever happened to come. Of these very listeners the sign test
errs in up to 2.1 % of studies (SD .1 to .3); as a statement about people whose own preferences scatter around one half
(SD .2) it names a side in 28 % of studies with three listeners, 8.6 % with eight, .3 % with twenty. Were *open* given
up for it, these would be 28, 28 and 2.1 % (simulated, 2,000 studies each: promised_chances.csv in
tests/references/stats).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import nan
from operator import index
from typing import Any, Literal

from blindtest.nouns import number_of
from blindtest.stats.binomial import (
    Interval,
    at_least_is_rare,
    at_most_is_rare,
    checked_probability,
    clopper_pearson,
    decimal,
    lower_limit,
    lower_tail,
    upper_limit,
    upper_tail,
)
from blindtest.stats.design_effect import design_effect, effective_limits, limits_within, scatter_words
from blindtest.stats.direction import Direction, check_direction
from blindtest.stats.number_words import p_words, percent
from blindtest.stats.plain import plain
from blindtest.stats.unanswered_trials import unanswered_words

__all__ = ["PreferenceConclusion", "PreferenceTest", "PreferenceWord", "Side", "conclude_preference", "preference_test"]

PreferenceWord = Literal["shown", "refuted", "negligible", "open"]
Side = Literal["claimed", "other", "neither"]

HALF = Fraction(1, 2)
ASSUMPTIONS = (
    "which of the two was heard first was drawn, or balanced, in every pair",
    "the number of trials was fixed before the first one",
    "the chance to prefer the claimed device is the same in every trial with a preference, "
    "one trial's outcome says nothing about another's",
    "trials without a preference are counted apart: proportion, limits and p are about those with one",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PreferenceTest:
    """Preferences for one of two held against a thrown coin."""

    wins: int
    """Trials in which the claimed device was preferred."""
    losses: int
    """Trials in which the other one was."""
    ties: int
    """Trials without a preference."""
    direction: Direction
    proportion: float
    """Wins among trials with a preference; NaN if there are none."""
    p_value: float
    """Exact, against 1/2, on the side or sides that `direction` says."""
    level: float
    """Confidence level of interval and limits, 0 ... 1."""
    lower_limit: float
    """Probability of a preference for the claimed device, one-sided; goes with a p in the claimed direction."""
    upper_limit: float
    """The same from above; goes with *refuted* and *negligible*."""
    interval: Interval
    """Two-sided; goes with a two-sided p."""
    assumptions: tuple[str, ...] = ASSUMPTIONS
    test: str = "exact sign test (binomial, 1/2)"
    source: str = "Arbuthnott 1710; Clopper & Pearson 1934 for the interval"

    @property
    def decided(self) -> int:
        """Trials with a preference."""
        return self.wins + self.losses

    @property
    def tie_share(self) -> float:
        """Share of answered trials without a preference; NaN if nothing was answered."""
        answered = self.decided + self.ties
        return self.ties / answered if answered else nan

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        if not self.decided:
            return f"No trial ended with a preference ({_ties(self.ties)}): nothing speaks for either."
        low, high = self.interval
        sides = "two-sided" if self.direction == "two-sided" else "in the claimed direction"
        luck = "lands as far from one half, on either side," if self.direction == "two-sided" else "does as well"
        one_sided = (
            f" With {percent(self.level)} confidence at least {percent(self.lower_limit)};"
            if self.direction == "claimed"
            else f" With {percent(self.level)} confidence"
        )
        return (
            f"Preferred in {self.wins} of {number_of(self.decided, 'trial')} with a preference "
            f"({percent(self.proportion)}; {_ties(self.ties)}). A thrown coin {luck} with probability "
            f"{p_words(self.p_value)} (exact, {sides}).{one_sided} "
            f"{'two-sided ' if self.direction == 'claimed' else ''}{percent(low)} to {percent(high)}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        return plain(self, "decided", "tie_share", "sentence")


def preference_test(
    wins: int, losses: int, ties: int = 0, *, direction: Direction = "two-sided", level: float = 0.95
) -> PreferenceTest:
    """Hold `wins` preferences for the claimed device and `losses` for the other against a thrown coin.

    Parameters
    ----------
    ties : trials without a preference; kept apart
    direction : "claimed" only where the direction was sealed before the first trial

    Raises
    ------
    ValueError
        A negative count, an unknown direction, a level outside 0 ... 1.
    """
    wins, losses, ties = _checked(wins, losses, ties)
    checked_probability("level", level)
    check_direction(direction)
    trials = wins + losses
    if not trials:
        proportion, p, low, high, interval = nan, 1.0, 0.0, 1.0, (0.0, 1.0)
    else:
        proportion = wins / trials
        p = upper_tail(wins, trials, HALF)
        if direction == "two-sided":
            p = min(1.0, 2 * min(p, lower_tail(wins, trials, HALF)))
        low, high = lower_limit(wins, trials, level), upper_limit(wins, trials, level)
        interval = clopper_pearson(wins, trials, level)
    return PreferenceTest(
        wins=wins,
        losses=losses,
        ties=ties,
        direction=direction,
        proportion=proportion,
        p_value=p,
        level=float(level),
        lower_limit=low,
        upper_limit=high,
        interval=interval,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PreferenceConclusion:
    """What the counts say about a claim that one of two is preferred, with the tests it rests on."""

    word: PreferenceWord
    wins: int
    losses: int
    ties: int
    unanswered: int
    """Planned, never answered; counted as losses in `against`, as wins in `favouring`."""
    margin: float | None
    """Probability beyond 1/2 that matters; None: *negligible* is out of reach."""
    alpha: float
    direction: Direction
    side: Side
    """On which side of 1/2 the preference is established, whatever the word; "neither": on none."""
    within_margin: bool
    """Whether both one-sided limits lie inside 1/2 -+ margin, of several listeners the widened ones too."""
    against: PreferenceTest
    """Unanswered trials counted against the claimed device: what *shown* has to withstand, and the lower limit."""
    favouring: PreferenceTest
    """Unanswered trials counted for it: what *refuted* has to withstand, and the upper limit."""
    answered: PreferenceTest
    """The answered trials alone."""
    word_if_answered_only: PreferenceWord
    """What the answered trials alone would say: printed beside, never instead."""
    design_effect: float = 1.0
    """How many times as widely several listeners' counts scatter (variance) as those of listeners who are alike; 1: no
    more than chance, or nothing is known of single listeners."""
    wider_limits: Interval | None = None
    """The one-sided limits, widened by the design effect; None where nothing widens them."""
    listeners_differ: bool = False
    """Whether the limits of all answers together lie inside the margin and the widened ones don't."""

    @property
    def limits(self) -> Interval:
        """The one-sided limits that *negligible* compares with 1/2 -+ margin, unanswered trials counted against it."""
        return self.against.lower_limit, self.favouring.upper_limit

    @property
    def sentence(self) -> str:
        """The conclusion in plain words."""
        text = f"{self.word}: {_MEANING[self.word]}"
        if self.word == "negligible" and self.side != "neither":
            whose = "the claimed device" if self.side == "claimed" else "the other one"
            text = f"negligible: {whose} is preferred, yet by less than what was declared to matter"
        if self.listeners_differ:
            text = "open: all answers together lie within what was declared not to matter, but listeners differ"
        return (
            text
            + unanswered_words(
                self.unanswered, answered=self.wins + self.losses + self.ties, alone=self.word_if_answered_only
            )
            + "."
        )

    @property
    def scatter_sentence(self) -> str:
        """How far listeners differ, and the limits that this leaves; empty where nothing widens them."""
        if self.wider_limits is None:
            return ""
        low, high = self.wider_limits
        return scatter_words(self.design_effect, f"are {percent(low)} and {percent(high)}")

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentences included."""
        return plain(self, "limits", "sentence", "scatter_sentence")


_MEANING: dict[PreferenceWord, str] = {
    "shown": "the claimed device is preferred",
    "refuted": "the other one is preferred",
    "negligible": "neither is preferred by what was declared to matter",
    "open": "neither a thrown coin nor a preference that matters can be ruled out",
}


def conclude_preference(
    wins: int,
    losses: int,
    ties: int = 0,
    *,
    margin: float | None,
    alpha: float = 0.05,
    direction: Direction = "two-sided",
    unanswered: int = 0,
    by_listener: Sequence[tuple[int, int]] = (),
) -> PreferenceConclusion:
    """Draw the conclusion about a claim that one of two is preferred; see the module for its words.

    Parameters
    ----------
    margin : smallest probability beyond 1/2 that matters, (0, 1/2); None: *negligible* is out of reach
    alpha : of the test that `direction` names, and of each of the two limits
    by_listener : each listener's (wins, losses); of two or more *negligible* must withstand how much they differ.
        Empty: nothing is known of single listeners, and the word is about all answers together

    Raises
    ------
    ValueError
        Negative counts, no trials planned at all, a margin or alpha out of range, listeners whose counts don't add up.
    """
    wins, losses, ties = _checked(wins, losses, ties)
    own = [_checked(*one, 0)[:2] for one in by_listener]
    if own and (sum(won for won, _ in own), sum(lost for _, lost in own)) != (wins, losses):
        raise ValueError(f"listeners' counts must add up to {wins} and {losses}, got {own}")
    unanswered = index(unanswered)
    if unanswered < 0:
        raise ValueError(f"the number of unanswered trials must be 0 or more, got {unanswered}")
    if not wins + losses + ties + unanswered:
        raise ValueError("no trial was planned: there is nothing to conclude from")
    check_direction(direction)
    level = 1 - checked_probability("alpha", alpha)
    bounds = margin_bounds(margin)
    side, within = sides(wins, losses, unanswered, alpha=alpha, direction=direction, bounds=bounds)
    alone = sides(wins, losses, 0, alpha=alpha, direction=direction, bounds=bounds)
    effect = design_effect([won for won, _ in own], [won + lost for won, lost in own])

    def widened(more: int) -> Interval:
        return effective_limits(wins, wins + more, wins + losses + more, effect=effect, level=level)

    def differing(inside: bool, more: int) -> bool:
        """Return whether the limits lie inside the margin of all answers together only."""
        return inside and effect > 1 and not limits_within(widened(more), bounds)

    def worded(side: Side, inside: bool, differ: bool) -> PreferenceWord:
        return "open" if differ else word_of(side, inside)

    differ = differing(within, unanswered)

    def tested(more_wins: int, more_losses: int) -> PreferenceTest:
        return preference_test(wins + more_wins, losses + more_losses, ties, direction=direction, level=level)

    return PreferenceConclusion(
        word=worded(side, within, differ),
        wins=wins,
        losses=losses,
        ties=ties,
        unanswered=unanswered,
        margin=None if margin is None else float(margin),
        alpha=float(alpha),
        direction=direction,
        side=side,
        within_margin=within and not differ,
        against=tested(0, unanswered),
        favouring=tested(unanswered, 0),
        answered=tested(0, 0),
        word_if_answered_only=worded(*alone, differing(alone[1], 0)),
        design_effect=effect,
        wider_limits=widened(unanswered) if effect > 1 else None,
        listeners_differ=differ,
    )


def sides(
    wins: int,
    losses: int,
    unanswered: int,
    *,
    alpha: float,
    direction: Direction,
    bounds: tuple[Fraction, Fraction] | None,
) -> tuple[Side, bool]:
    """Return on which side of 1/2 the preference is established, and whether it lies inside the margin; exactly."""
    trials = wins + losses + unanswered
    tail = decimal(alpha) / (2 if direction == "two-sided" else 1)
    side: Side = "neither"
    if at_least_is_rare(wins, trials, HALF, tail):
        side = "claimed"
    elif at_most_is_rare(wins + unanswered, trials, HALF, tail):
        side = "other"
    within = (
        bounds is not None
        and at_least_is_rare(wins, trials, bounds[0], alpha)
        and at_most_is_rare(wins + unanswered, trials, bounds[1], alpha)
    )
    return side, within


def word_of(side: Side, within: bool) -> PreferenceWord:
    """Return the word: see the module."""
    if within:
        return "negligible"
    words: dict[Side, PreferenceWord] = {"claimed": "shown", "other": "refuted", "neither": "open"}
    return words[side]


def margin_bounds(margin: float | None) -> tuple[Fraction, Fraction] | None:
    """Return 1/2 -+ margin as fractions, or raise ValueError unless the margin lies between 0 and 1/2."""
    if margin is None:
        return None
    if not 0 < margin < 0.5:
        raise ValueError(f"the margin, a probability beyond 1/2, must lie between 0 and .5, got {margin}")
    return HALF - decimal(margin), HALF + decimal(margin)


def _checked(wins: int, losses: int, ties: int) -> tuple[int, int, int]:
    for name, count in (("wins", wins), ("losses", losses), ("ties", ties)):
        if index(count) < 0:
            raise ValueError(f"{name} must be 0 or more, got {count}")
    return index(wins), index(losses), index(ties)


def _ties(ties: int) -> str:
    return "no tie" if not ties else f"{ties} tie{'s' if ties > 1 else ''} apart"
