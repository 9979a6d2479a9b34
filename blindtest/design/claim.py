"""Claims: what was said, turned into a statement that can fail."""

from dataclasses import dataclass
from fractions import Fraction
from math import comb
from typing import Literal

__all__ = [
    "DEFAULT_KEPT",
    "DEFAULT_MARGIN_POINTS",
    "Claim",
    "ClaimKind",
    "Direction",
    "StageEffect",
    "chance_of_negligible",
    "chance_of_shown",
    "most_correct_for_negligible",
    "tail_from",
]

ClaimKind = Literal["heard", "preferred", "attribute", "threshold", "keeps listening", "rated", "matched", "stage"]
Direction = Literal["two-sided", "claimed"]
StageEffect = Literal["either", "raises", "lowers"]

DEFAULT_KEPT = 2 / 3
"""Share of the labelled effect that counts as surviving (claims, section 4)."""
DEFAULT_MARGIN_POINTS = 8.0
"""Smallest difference of ratings that matters, of a scale of 100 points (claims, section 4)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Claim:
    """A statement about two conditions, the device named first, that a plan can show or refute."""

    id: str
    kind: ClaimKind
    device: str
    """What the claim speaks of: what is preferred, has more of the attribute, or is rated higher."""
    comparator: str
    clips: tuple[str, ...] | Literal["all"] = "all"
    margin: float | None = None
    """Smallest effect that matters. 'heard': share of trials heard beyond guessing, 0 ... 1; 'preferred': probability
    beyond 1/2, 0 ... 1/2; 'attribute': d', 0 ... 5, or points (grades) where it is rated; 'threshold': level on the
    grid; 'rated': points of the scale, 0 ... 100; 'matched': how far from the match
    settings may lie, in the unit of the grid; 'stage': points of the scale."""
    primary: bool = True
    quote: str = ""
    """Words of the impression."""
    impression: str = ""
    """How the hash of the impression begins that the quote stands in."""
    kept: float = DEFAULT_KEPT
    """'rated': share of the labelled effect that counts as surviving."""
    attribute: str = ""
    """'attribute': which one, where the protocol rates several; 'quality' is the scale that names none. '' for the only
    one."""
    direction: Direction = "two-sided"
    """'preferred' and 'attribute': whether the test looks at both sides of guessing, or only at the claimed one, sealed
    beforehand."""
    stage: str = ""
    """'stage': which one of the device's factors."""
    effect: StageEffect = "either"
    """'stage': what it is said to do to ratings; either: to change them."""
    variant_of: str = ""
    """The claim that was written, where this one asks it of another model of the device's harmonics."""


def tail_from(correct: int, trials: int, proportion: float) -> float:
    """Return P(X >= correct) for X binomial; summed exactly in integers, so that no comparison with alpha rounds."""
    p = Fraction(proportion).limit_denominator(10**12)
    q = 1 - p
    return float(sum((comb(trials, k) * p**k * q ** (trials - k) for k in range(correct, trials + 1)), Fraction(0)))


def most_correct_for_negligible(trials: int, guess: float, margin: float, alpha: float = 0.05) -> int | None:
    """Return the largest number correct at which the effect is shown to be below `margin`, or None if no number is.

    The similarity test of ISO 4120 and ISO 10399 (methods: P(X <= x) under guess + (1 - guess) margin, at most alpha).
    """
    proportion = guess + (1 - guess) * margin
    passing = [x for x in range(trials + 1) if 1 - tail_from(x + 1, trials, proportion) <= alpha]
    return max(passing, default=None)


def chance_of_negligible(trials: int, guess: float, margin: float, alpha: float = 0.05) -> float:
    """Return the chance that a mere guesser ends as *negligible*: how well the plan can refute the claim."""
    most = most_correct_for_negligible(trials, guess, margin, alpha)
    return 0.0 if most is None else 1 - tail_from(most + 1, trials, guess)


def chance_of_shown(trials: int, guess: float, effect: float, alpha: float = 0.05) -> float:
    """Return the chance that a listener who hears the share `effect` of the trials ends as *shown*."""
    proportion = guess + (1 - guess) * effect
    for least in range(trials + 1):
        if tail_from(least, trials, guess) <= alpha:
            return tail_from(least, trials, proportion)
    return 0.0
