"""The p of a word that rests on more than one test: the smallest alpha at which it would still be said."""

from collections.abc import Callable

__all__ = ["smallest_alpha"]


def smallest_alpha(word: str, alpha: float, word_at: Callable[[float], str], *, halvings: int) -> float:
    """Return the smallest alpha at which `word` is still the word, by halving; it is at `alpha`."""
    low, high = 0.0, alpha
    for _ in range(halvings):
        middle = (low + high) / 2
        if word_at(middle) == word:
            high = middle
        else:
            low = middle
    return high
