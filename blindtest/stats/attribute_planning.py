"""Which conclusions a plan of forced choices can reach about a claim of an attribute, and how often."""

from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np

from blindtest.nouns import number_of
from blindtest.stats.attribute import MEANING, checked_method, margin_bounds, sides_of, signed_proportion
from blindtest.stats.binomial import checked_counts, checked_probability, point
from blindtest.stats.direction import Direction, check_direction
from blindtest.stats.plain import plain
from blindtest.stats.planning import LEAST_CHANCE
from blindtest.stats.preference import PreferenceWord, word_of

__all__ = ["AttributeChances", "attribute_chances"]


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributeChances:
    """Which conclusions a plan of choices can reach, and how often when they are true."""

    trials: int
    method: str
    margin: float
    """d' that matters."""
    alpha: float
    direction: Direction
    critical_number: int | None
    """This many or more choices of the claimed one: *shown*; None: no number does."""
    refuting_number: int | None
    """This many or fewer: *refuted*; None: no number does."""
    negligible_numbers: tuple[int, int] | None
    """From the first to the second number: *negligible*; None: no number does."""
    chance_shown: float
    """How often a d' of the margin ends as *shown*."""
    chance_refuted: float
    """How often a d' of the margin, the other way round, ends as *refuted*."""
    chance_negligible: float
    """How often a guesser ends as *negligible*."""
    chance_open: float
    """How often a guesser ends as *open*."""
    chance_shown_by_luck: float
    """How often a guesser ends as *shown*: at most alpha (two-sided: half of it)."""
    assumptions: tuple[str, ...] = ("every trial has the same chance to be right, independently of the others",)
    source: str = "exact binomial"

    @property
    def chance_to_fail(self) -> float:
        """The larger of the chances of *refuted* and *negligible*, each when it is true."""
        return max(self.chance_refuted, self.chance_negligible)

    @property
    def can_fail(self) -> bool:
        """Whether a claim under this plan can fail: `chance_to_fail` is at least one half (claims, section 2)."""
        return self.chance_to_fail >= LEAST_CHANCE

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        shown = (
            "no number of choices shows it"
            if self.critical_number is None
            else f"{self.critical_number} or more for the claimed one show it (probability {self.chance_shown:.2f} at "
            f"d' {self.margin:g})"
        )
        refuted = (
            "no number refutes it"
            if self.refuting_number is None
            else f"{self.refuting_number} or fewer refute it (probability {self.chance_refuted:.2f} at d' "
            f"{-self.margin:g})"
        )
        near = self.negligible_numbers
        negligible = (
            "no number makes it negligible"
            if near is None
            else f"{near[0]} to {near[1]} make it negligible (probability {self.chance_negligible:.2f} for a guesser)"
        )
        return f"Of {number_of(self.trials, 'trial')}, {shown}; {refuted}; {negligible}."

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "chance_to_fail", "can_fail", "sentence")


def attribute_chances(
    trials: int, *, method: str, margin: float, alpha: float = 0.05, direction: Direction = "two-sided"
) -> AttributeChances:
    """Return which conclusions `trials` choices can reach about a claim with this margin in d'; by every count.

    Raises
    ------
    ValueError
        No trials, or a number out of its range.
    """
    _, trials = checked_counts(0, trials)
    checked_probability("alpha", alpha)
    guess, bounds = checked_method(method), margin_bounds(margin, method)
    check_direction(direction)
    words = [
        word_of(*sides_of(right, right, trials, guess=guess, alpha=alpha, direction=direction, bounds=bounds))
        for right in range(trials + 1)
    ]
    held = {word: [right for right, one in enumerate(words) if one == word] for word in MEANING}

    def chance(word: PreferenceWord, proportion: float | Fraction) -> float:
        return float(np.sum([point(right, trials, proportion) for right in held[word]]))

    near = held["negligible"]
    return AttributeChances(
        trials=trials,
        method=method,
        margin=float(margin),
        alpha=float(alpha),
        direction=direction,
        critical_number=min(held["shown"], default=None),
        refuting_number=max(held["refuted"], default=None),
        negligible_numbers=(min(near), max(near)) if near else None,
        chance_shown=chance("shown", signed_proportion(margin, method)),
        chance_refuted=chance("refuted", signed_proportion(-margin, method)),
        chance_negligible=chance("negligible", guess),
        chance_open=chance("open", guess),
        chance_shown_by_luck=chance("shown", guess),
    )
