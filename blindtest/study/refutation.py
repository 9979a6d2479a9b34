"""Can the plan refute the claim? For what is heard and preferred exact binomial arithmetic, in whole numbers.

A claim can fail if its plan reaches *negligible* with a chance of at least one half when the listener merely guesses
(claims.md 2). *Negligible* is the similarity test of ISO 4120 and ISO 10399: x or fewer right have probability alpha or
less where the share `margin` of trials is heard. *Shown* is the exact one-sided test against guessing. The sums are of
integers over a common denominator, in one pass: `design.claim` asks single tails, here hundreds of plans are tried for
the one that would do.

For a preference the plan has to reach *refuted* or *negligible*, each when it is true, with the arithmetic of
`stats.preference`. What choices of the one with more of an attribute can refute stands in `attribute_reach.py`, what
ratings can in `rated_reach.py`.
"""

from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Literal, TypeAlias, Union

from blindtest.nouns import number_of
from blindtest.study.tails import ALPHA, LEAST_CHANCE, chance_of, cumulative

if TYPE_CHECKING:
    from blindtest.study.attribute_reach import AttributeReach
    from blindtest.study.rated_reach import RatedReach
    from blindtest.study.ruled_reach import RuledReach
    from blindtest.study.scale_reach import ScaleReach
    from blindtest.study.stage_reach import StageReach
    from blindtest.study.unreliable_reach import UnreliableReach

__all__ = [
    "AnyReach",
    "PreferenceReach",
    "Reach",
    "pairs_needed",
    "preference_reach",
    "reach",
    "trials_needed",
]

AnyReach: TypeAlias = Union[
    "Reach",
    "PreferenceReach",
    "AttributeReach",
    "RatedReach",
    "RuledReach",
    "ScaleReach",
    "StageReach",
    "UnreliableReach",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """Which verdicts a plan can reach, and how often."""

    trials: int
    margin: float
    shown_from: int | None
    """Least number right that shows a difference; None where even all right would not. Fewer may tell it from guessing
    and be negligible all the same."""
    negligible_to: int | None
    """Greatest number right that shows the difference negligible; None where even none right would not."""
    chance_shown: float
    """Chance of *shown* for a listener who hears the share `margin` of the trials."""
    chance_negligible: float
    """Chance of *negligible* for a listener who guesses."""

    @property
    def can_fail(self) -> bool:
        """Whether a guesser ends as *negligible* at least every other time."""
        return self.chance_negligible >= LEAST_CHANCE

    @property
    def sentence(self) -> str:
        """What the plan can show and refute, in plain words."""
        shown = (
            "no number right shows a difference"
            if self.shown_from is None
            else f"{self.shown_from} or more right show a difference (chance {self.chance_shown:.2f} where the margin "
            "is the truth)"
        )
        refuted = (
            "no number right makes it negligible"
            if self.negligible_to is None
            else f"{self.negligible_to} or fewer make it negligible (chance {self.chance_negligible:.2f} for a guesser)"
        )
        return f"with {number_of(self.trials, 'trial')} and margin {self.margin:g}, {shown}, {refuted}"


def reach(trials: int, margin: float, guess: float = 0.5) -> Reach:
    """Return what a discrimination test of `trials` answers can show, for a margin between 0 and 1.

    >>> r = reach(28, 0.5)
    >>> r.shown_from, r.negligible_to, round(r.chance_shown, 2), round(r.chance_negligible, 2)
    (19, 16, 0.86, 0.83)
    """
    p0 = Fraction(guess).limit_denominator(10**6)
    p1 = p0 + (1 - p0) * Fraction(margin).limit_denominator(10**6)
    guessing, hearing = list(cumulative(trials, p0)), list(cumulative(trials, p1))
    negligible_to = max((x for x in range(trials + 1) if hearing[x] <= ALPHA), default=None)
    # Where both tests succeed the word is *negligible*, as in stats.conclusion.
    first = 1 if negligible_to is None else negligible_to + 1
    shown_from = next((x for x in range(max(1, first), trials + 1) if 1 - guessing[x - 1] <= ALPHA), None)
    return Reach(
        trials=trials,
        margin=margin,
        shown_from=shown_from,
        negligible_to=negligible_to,
        chance_shown=0.0 if shown_from is None else float(1 - hearing[shown_from - 1]),
        chance_negligible=0.0 if negligible_to is None else float(guessing[negligible_to]),
    )


def trials_needed(margin: float, guess: float = 0.5, most: int = 400) -> int | None:
    """Return the smallest number of trials that can both show the claim and refute it, up to `most`; None beyond."""
    for trials in range(_surely_too_few(guess * (1 - guess), (1 - guess) * margin), most + 1):
        plan = reach(trials, margin, guess)
        if plan.can_fail and plan.shown_from is not None:
            return trials
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class PairWords:
    """What is counted, in words."""

    trials: str
    wins: str
    share: str
    more: str
    neither: str
    """When there is nothing to be found."""


PAIRS = PairWords(trials="pairs", wins="wins", share="preference", more="a preference", neither="neither is preferred")
TRACKS = PairWords(
    trials="tracks",
    wins="choices",
    share="share",
    more="more than an equal share",
    neither="each is chosen as often as the other",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PreferenceReach:
    """Which conclusions a plan of paired preferences can reach, all pairs ending with a preference, and how often."""

    trials: int
    margin: float
    direction: Literal["two-sided", "claimed"]
    shown_from: int | None
    """Least number of pairs won by the device that shows it is preferred; None where even all would not."""
    refuted_to: int | None
    """Greatest number that refutes it; None where even none won would not."""
    negligible: tuple[int, int] | None
    """From the first to the second number: the preference is negligible; None where no number is."""
    chance_shown: float
    """Of *shown* where the device is preferred with probability 1/2 + margin."""
    chance_refuted: float
    """Of *refuted* where it is preferred with probability 1/2 - margin."""
    chance_negligible: float
    """Of *negligible* where neither is preferred."""
    of: PairWords = PAIRS

    @property
    def chance_to_fail(self) -> float:
        """The larger of the chances of *refuted* and *negligible*, each when it is true."""
        return max(self.chance_refuted, self.chance_negligible)

    @property
    def can_fail(self) -> bool:
        """Whether a false claim is refuted, or found negligible, at least every other time."""
        return self.chance_to_fail >= LEAST_CHANCE

    @property
    def sentence(self) -> str:
        """What the plan can show and refute, in plain words."""
        shown = (
            f"no number of {self.of.wins} shows {self.of.more}"
            if self.shown_from is None
            else f"{self.shown_from} or more for the device show {self.of.more} (chance {self.chance_shown:.2f} at a "
            f"true {self.of.share} of {0.5 + self.margin:g})"
        )
        refuted = (
            "no number refutes it"
            if self.refuted_to is None
            else f"{self.refuted_to} or fewer refute it (chance {self.chance_refuted:.2f} at {0.5 - self.margin:g})"
        )
        negligible = (
            "no number makes it negligible"
            if self.negligible is None
            else f"{self.negligible[0]} to {self.negligible[1]} make it negligible "
            f"(chance {self.chance_negligible:.2f} where {self.of.neither})"
        )
        sides = "tested on both sides" if self.direction == "two-sided" else "tested in the claimed direction"
        plan = f"with {self.trials} {self.of.trials} and margin {self.margin:g}"
        return f"{plan}, {sides}, {shown}, {refuted}, {negligible}"


def preference_reach(
    trials: int, margin: float, direction: Literal["two-sided", "claimed"] = "two-sided", *, of: PairWords = PAIRS
) -> PreferenceReach:
    """Return what a sign test of `trials` pairs can show, for a margin between 0 and 1/2 (probability beyond 1/2).

    >>> r = preference_reach(20, 0.3)
    >>> r.shown_from, r.refuted_to, round(r.chance_shown, 2), round(r.chance_refuted, 2)
    (15, 5, 0.8, 0.8)
    """
    half = Fraction(1, 2)
    away = Fraction(margin).limit_denominator(10**6)
    evens, more = list(cumulative(trials, half)), list(cumulative(trials, half + away))
    tail = ALPHA / 2 if direction == "two-sided" else ALPHA

    # By symmetry P(X >= x) where p = 1/2 - margin is P(X <= trials - x) where p = 1/2 + margin.
    inside = [x for x in range(trials + 1) if more[x] <= ALPHA and more[trials - x] <= ALPHA]
    shown = [x for x in range(trials + 1) if evens[trials - x] <= tail and x not in inside]
    refuted = [x for x in range(trials + 1) if evens[x] <= tail and x not in inside]

    return PreferenceReach(
        trials=trials,
        margin=margin,
        direction=direction,
        shown_from=min(shown, default=None),
        refuted_to=max(refuted, default=None),
        negligible=(min(inside), max(inside)) if inside else None,
        chance_shown=chance_of(more, shown),
        chance_refuted=chance_of(more, [trials - x for x in refuted]),
        chance_negligible=chance_of(evens, inside),
        of=of,
    )


def pairs_needed(
    margin: float, direction: Literal["two-sided", "claimed"] = "two-sided", most: int = 400
) -> int | None:
    """Return the smallest number of pairs that can both show a preference and refute it, up to `most`; None beyond."""
    for trials in range(_surely_too_few(0.25, margin), most + 1):
        plan = preference_reach(trials, margin, direction)
        if plan.can_fail and plan.shown_from is not None:
            return trials
    return None


def _surely_too_few(variance: float, distance: float) -> int:
    """Return where to begin looking: 2/5 of what the normal approximation of a one-sided 5 % test at 1/2 asks for."""
    return max(1, int(0.4 * 1.645**2 * variance / distance**2))
