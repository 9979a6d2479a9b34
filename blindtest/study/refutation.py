"""Can the plan refute the claim? Exact binomial arithmetic, in whole numbers.

A claim can fail if its plan reaches *negligible* with a chance of at least one half when the listener merely guesses
(claims.md 2). *Negligible* is the similarity test of ISO 4120 and ISO 10399: x or fewer right have probability alpha or
less where the share `margin` of trials is heard. *Shown* is the exact one-sided test against guessing. The sums are of
integers over a common denominator, in one pass: `design.claim` asks single tails, here hundreds of plans are tried for
the one that would do.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from math import comb

__all__ = ["Reach", "reach", "trials_needed"]

ALPHA = Fraction(1, 20)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """Which verdicts a plan can reach, and how often."""

    trials: int
    margin: float
    shown_from: int | None
    """Least number right that shows a difference; None where even all right would not."""
    negligible_to: int | None
    """Greatest number right that shows the difference negligible; None where even none right would not."""
    chance_shown: float
    """Chance of *shown* for a listener who hears the share `margin` of the trials."""
    chance_negligible: float
    """Chance of *negligible* for a listener who guesses."""

    @property
    def can_fail(self) -> bool:
        """Whether a guesser ends as *negligible* at least every other time."""
        return self.chance_negligible >= 0.5


def reach(trials: int, margin: float, guess: float = 0.5) -> Reach:
    """Return what a discrimination test of `trials` answers can show, for a margin between 0 and 1.

    >>> r = reach(28, 0.5)
    >>> r.shown_from, r.negligible_to, round(r.chance_shown, 2), round(r.chance_negligible, 2)
    (19, 16, 0.86, 0.83)
    """
    p0 = Fraction(guess).limit_denominator(10**6)
    p1 = p0 + (1 - p0) * Fraction(margin).limit_denominator(10**6)
    guessing, hearing = list(_cumulative(trials, p0)), list(_cumulative(trials, p1))
    shown_from = next((x for x in range(1, trials + 1) if 1 - guessing[x - 1] <= ALPHA), None)
    negligible_to = max((x for x in range(trials + 1) if hearing[x] <= ALPHA), default=None)
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
    for trials in range(1, most + 1):
        plan = reach(trials, margin, guess)
        if plan.can_fail and plan.shown_from is not None:
            return trials
    return None


def _cumulative(trials: int, proportion: Fraction) -> Iterator[Fraction]:
    """Yield P(X <= x) for x = 0 ... trials."""
    hit, miss = proportion.numerator, proportion.denominator - proportion.numerator
    whole = proportion.denominator**trials
    hits, misses = [1], [1]
    for _ in range(trials):
        hits.append(hits[-1] * hit)
        misses.append(misses[-1] * miss)
    total = 0
    for x in range(trials + 1):
        total += comb(trials, x) * hits[x] * misses[trials - x]
        yield _share(total, whole)


def _share(part: int, whole: int) -> Fraction:
    # Comparisons with alpha need no lowest terms, but Fraction always reduces, which is dear for numbers this long.
    # 2**-200 is far finer than any distance from alpha that these sums can have.
    return Fraction((part << 200) // whole, 1 << 200)
