"""What every reach is reckoned with: the risk of error, the least chance to fail, exact binomial tails."""

from collections.abc import Iterator
from fractions import Fraction
from math import comb

__all__ = ["ALPHA", "LEAST_CHANCE", "cumulative"]

LEAST_CHANCE = 0.5
"""With which a claim has to fail when it is false (claims, section 2)."""
ALPHA = Fraction(1, 20)


def cumulative(trials: int, proportion: Fraction) -> Iterator[Fraction]:
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
