"""What every reach is reckoned with: the risk of error, the least chance to fail, exact binomial tails."""

from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from math import comb

__all__ = ["ALPHA", "LEAST_CHANCE", "chance_of", "cumulative"]

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


def chance_of(table: Sequence[Fraction], numbers: Iterable[int]) -> float:
    """Return the probability of these numbers; `table`: P(X <= x) for x = 0, 1, ..."""
    return float(sum(table[x] - (table[x - 1] if x else 0) for x in numbers))


def _share(part: int, whole: int) -> Fraction:
    # Comparisons with alpha need no lowest terms, but Fraction always reduces, which is dear for numbers this long.
    # 2**-200 is far finer than any distance from alpha that these sums can have.
    return Fraction((part << 200) // whole, 1 << 200)
