"""The entropy rule: which level would tell most about a listener's psychometric function?

Source: Kontsevich & Tyler 1999 (Vision Research 39, 2729-2737). The posterior over threshold and slope is kept on a
lattice; of all levels the one with the least expected entropy of the next posterior is taken. The expected entropy is
the present one less what the answer tells, H(mean of psi) - mean of H(psi), which is what is compared here: the same
choice, with logarithms of one table instead of one for each trial.

The function runs over *places* on the grid, so levels belong in steps that the ear takes for equal: dB, or factors.
psi(x) = guess + (1 - guess - lapse) / (1 + exp(-(x - a) / s)); a from two places below the grid to two above in half
places, s from half a place up by factors of the square root of 2, all equally likely beforehand.

A plan is drawn again on another machine, so each choice must come out alike there: exponentials and logarithms are
those of `decimal`, which rounds correctly by its specification, sums are exact before their one rounding, and of levels
that tell as much within 1e-9 bit the lowest is taken. The machine's own library promises none of this.
"""

from collections.abc import Sequence
from decimal import Context, Decimal, localcontext
from functools import lru_cache
from math import fsum, sqrt

__all__ = ["LAPSE", "most_telling", "posterior"]

LAPSE = 0.02
"""Share of trials in which the listener is elsewhere; our choice."""
_BEYOND = 2
"""Places past each end of the grid where the threshold may lie."""
_FINEST = 0.5
_TIE = 1e-9
_EXACT = Context(prec=20)

Answered = tuple[int, bool]
"""A trial: the place of its level, and whether the answer was right."""


def most_telling(levels: int, guess: float, answered: Sequence[Answered]) -> int:
    """Return the place, 0 ... levels - 1, whose answer would tell most after those so far."""
    return _most_telling(levels, guess, tuple(answered))


def posterior(levels: int, guess: float, answered: Sequence[Answered]) -> tuple[tuple[float, float, float], ...]:
    """Return (threshold, spread, probability) of each point of the lattice, in places of the grid."""
    lattice = _lattice(levels)
    weights = [1 / len(lattice)] * len(lattice)
    for place, right in answered:
        chance = _chances(levels, guess)[place]
        weights = [w * (p if right else 1 - p) for w, p in zip(weights, chance, strict=True)]
        total = fsum(weights)
        weights = [w / total for w in weights]
    return tuple((a, s, w) for (a, s), w in zip(lattice, weights, strict=True))


@lru_cache(maxsize=1024)
def _most_telling(levels: int, guess: float, answered: tuple[Answered, ...]) -> int:
    weights = [weight for _, _, weight in posterior(levels, guess, answered)]
    best, place = -1.0, 0
    for candidate in range(levels):
        chance, uncertainty = _chances(levels, guess)[candidate], _uncertainties(levels, guess)[candidate]
        mean = fsum(w * p for w, p in zip(weights, chance, strict=True))
        told = _uncertainty(mean) - fsum(w * h for w, h in zip(weights, uncertainty, strict=True))
        if told > best + _TIE:
            best, place = told, candidate
    return place


@lru_cache(maxsize=16)
def _lattice(levels: int) -> tuple[tuple[float, float], ...]:
    spreads = [_FINEST]
    while spreads[-1] * sqrt(2) <= max(levels / 2, 2 * _FINEST):
        spreads.append(spreads[-1] * sqrt(2))
    halves = range(-2 * _BEYOND, 2 * (levels - 1 + _BEYOND) + 1)
    return tuple((half / 2, spread) for half in halves for spread in spreads)


@lru_cache(maxsize=16)
def _chances(levels: int, guess: float) -> tuple[tuple[float, ...], ...]:
    """Return the probability of a right answer: a row for each place, a column for each point of the lattice."""
    return tuple(
        tuple(guess + (1 - guess - LAPSE) * _logistic((place - a) / s) for a, s in _lattice(levels))
        for place in range(levels)
    )


@lru_cache(maxsize=16)
def _uncertainties(levels: int, guess: float) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(_uncertainty(p) for p in row) for row in _chances(levels, guess))


@lru_cache(maxsize=16384)
def _logistic(z: float) -> float:
    with localcontext(_EXACT):
        return float(1 / (1 + Decimal(-z).exp()))


@lru_cache(maxsize=16384)
def _uncertainty(p: float) -> float:
    """Return the entropy of an answer that is right with probability p, in bits; p within 0 ... 1, ends excluded."""
    with localcontext(_EXACT):
        one, other = Decimal(p), 1 - Decimal(p)
        return float(-(one * one.ln() + other * other.ln()) / Decimal(2).ln())
