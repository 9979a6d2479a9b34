"""Two-level factorial designs: which combinations of switches are heard, and which effects these can't tell apart.

A full design holds every combination. A fraction holds 1/2, 1/4 ... of them: its last factors are products of the
first ones (the generators), so that each effect is estimated together with others, its aliases. Generators are chosen
by greatest resolution, then by fewest short words (least aberration), then in the order in which they are listed; signs
are those of the principal fraction, so that the combination with everything on is always in.

Source: Box and Hunter 1961 (Technometrics 3, 311); Fries and Hunter 1980 (Technometrics 22, 601) for aberration.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import prod

__all__ = ["Factorial", "effect_name", "factorial"]

Word = frozenset[int]
_ROMAN = {3: "III", 4: "IV", 5: "V", 6: "VI", 7: "VII", 8: "VIII"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Factorial:
    """Combinations of factors that are on or off."""

    factors: tuple[str, ...]
    runs: tuple[tuple[bool, ...], ...]
    """For each combination whether each factor is on; everything off first where it is in, everything on last."""
    generators: tuple[tuple[str, tuple[str, ...]], ...]
    """(factor, those whose product it is); () for a full design."""
    words: tuple[Word, ...]
    """The defining relation: products that are the same in every combination, by places of factors."""

    @property
    def fraction(self) -> str:
        """How much of all combinations there is: '1', '1/2' ..."""
        whole = 2 ** len(self.generators)
        return "1" if whole == 1 else f"1/{whole}"

    @property
    def resolution(self) -> int | None:
        """Length of the shortest word; None for a full design, in which every effect stands alone."""
        return min((len(word) for word in self.words), default=None)

    @property
    def resolution_words(self) -> str:
        """The resolution as it is written: 'full', 'III' ..."""
        return "full" if self.resolution is None else _ROMAN.get(self.resolution, str(self.resolution))

    def aliases(self, effect: Sequence[str], *, up_to: int | None = None) -> tuple[tuple[str, ...], ...]:
        """Return the effects that can't be told from `effect`, shortest first; `up_to`: of so many factors at most.

        Raises
        ------
        ValueError
            No factor of this name.
        """
        own = frozenset(self.factors.index(name) for name in effect)
        others = sorted((own ^ word for word in self.words), key=lambda word: (len(word), sorted(word)))
        return tuple(
            tuple(self.factors[place] for place in sorted(word))
            for word in others
            if up_to is None or len(word) <= up_to
        )

    @property
    def pairs(self) -> tuple[tuple[tuple[str, str], ...], ...]:
        """Products of two that can be estimated: each as the list of those that are one and the same, the first named.

        A product that stands together with a factor alone is in none.
        """
        done: set[tuple[str, ...]] = set()
        found = []
        for first, second in combinations(self.factors, 2):
            alike = self.aliases((first, second), up_to=2)
            if (first, second) in done or any(len(other) < 2 for other in alike):
                continue
            group = ((first, second), *((other[0], other[1]) for other in alike))
            done.update(group)
            found.append(group)
        return tuple(found)

    @property
    def confounded(self) -> tuple[str, ...]:
        """What can't be told apart, in words: single factors and products of two, 'a = b x c'."""
        alone = [
            (effect_name((name,)), [effect_name(other) for other in alike])
            for name in self.factors
            if (alike := self.aliases((name,), up_to=2))
        ]
        together = [(effect_name(group[0]), [effect_name(one) for one in group[1:]]) for group in self.pairs]
        return tuple(" = ".join((name, *others)) for name, others in (*alone, *together) if others)


def effect_name(effect: Sequence[str]) -> str:
    """Return what an effect is called: its factors, joined by x."""
    return " x ".join(effect)


def factorial(factors: Sequence[str], halvings: int = 0) -> Factorial:
    """Return the full factorial of `factors`, or its fraction of 1 / 2^halvings.

    Raises
    ------
    ValueError
        Fewer than two factors, one named twice, or a fraction that can't tell every factor from every other.
    """
    names = tuple(factors)
    if len(names) < 2 or len(set(names)) < len(names):
        raise ValueError(f"two or more factors are needed, each once, got {', '.join(names) or 'none'}")
    if halvings < 0 or 2 ** (len(names) - halvings) < len(names) + 1:
        raise ValueError(f"1/{2**halvings} of {len(names)} factors can't tell each of them from the others")
    base = len(names) - halvings
    chosen = _generators(base, halvings)
    signs = []
    for number in range(2**base):
        run = [1 if number >> place & 1 else -1 for place in range(base)]
        signs.append((*run, *(prod(run[place] for place in word) for word in chosen)))
    return Factorial(
        factors=names,
        runs=tuple(tuple(sign > 0 for sign in run) for run in signs),
        generators=tuple(
            (names[base + number], tuple(names[place] for place in sorted(word))) for number, word in enumerate(chosen)
        ),
        words=_relation(base, chosen),
    )


def _relation(base: int, chosen: Sequence[Word]) -> tuple[Word, ...]:
    """Return every product of the generators' words."""
    own = [word | {base + number} for number, word in enumerate(chosen)]
    found = []
    for size in range(1, len(own) + 1):
        for some in combinations(own, size):
            word: Word = frozenset()
            for one in some:
                word = word ^ one
            found.append(word)
    return tuple(sorted(found, key=lambda word: (len(word), sorted(word))))


def _generators(base: int, count: int) -> tuple[Word, ...]:
    if not count:
        return ()
    possible = [frozenset(word) for size in range(2, base + 1) for word in combinations(range(base), size)]

    def shortness(chosen: Sequence[Word]) -> tuple[int, ...]:
        lengths = [len(word) for word in _relation(base, chosen)]
        return tuple(lengths.count(length) for length in range(1, base + count + 1))

    return min(combinations(possible, count), key=shortness)
