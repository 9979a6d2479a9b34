"""Where each random effect stands: blocks of one group's levels, and the few effects that cross them.

One grouping (listeners, most often) is the root: its own effects and those of groups nested in it (listener:device)
form a block per level, and blocks don't meet in any row. Effects of all other groups (clips, clip:device) are the
rest. The root is chosen so that the rest is small.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blindtest.stats.mixed.codes import Codes
from blindtest.stats.mixed.random_part import RandomTerm

__all__ = ["BlockLayout", "TermPlace", "block_layout"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TermPlace:
    """Where the effects of one term stand: level by level, the columns of a level side by side."""

    term: int
    size: int
    """Columns of the term, q."""
    start: int
    """First slot within a block, or within the rest."""
    slots: int
    """Levels the term has in one block, or in the rest."""
    local: Ints
    """(levels,): a level's place within its block, or within the rest."""
    root: Ints | None
    """(levels,): the block of each level; None for the rest."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlockLayout:
    """All random effects of a model: `blocks` times `width` slots, then `rest` slots."""

    root: Codes
    width: int
    rest: int
    places: tuple[TermPlace, ...]

    @property
    def blocks(self) -> int:
        """Levels of the root."""
        return self.root.count


def block_layout(terms: Sequence[RandomTerm]) -> BlockLayout:
    """Return the layout with the smallest rest."""
    candidates = _distinct_groupings(terms)
    nested = [[_nested(term.grouping, root) for term in terms] for root in candidates]
    rests = [
        sum(t.grouping.count * len(t.columns) for t, inside in zip(terms, row, strict=True) if inside is None)
        for row in nested
    ]
    best = min(range(len(candidates)), key=lambda i: (rests[i], -candidates[i].count))
    root, places, width, rest = candidates[best], [], 0, 0
    for i, (term, inside) in enumerate(zip(terms, nested[best], strict=True)):
        size = len(term.columns)
        if inside is None:
            local, slots, start = np.arange(term.grouping.count), term.grouping.count, rest
            rest += slots * size
        else:
            local, slots = _places_within(term, terms, root, inside)
            start = width
            width += slots * size
        places.append(TermPlace(term=i, size=size, start=start, slots=slots, local=local, root=inside))
    return BlockLayout(root=root, width=width, rest=rest, places=tuple(places))


def _distinct_groupings(terms: Sequence[RandomTerm]) -> list[Codes]:
    found: dict[str, Codes] = {}
    for term in terms:
        found.setdefault(term.group, term.grouping)
    return list(found.values())


def _nested(grouping: Codes, root: Codes) -> Ints | None:
    """Return the root level of each level, or None where a level meets several."""
    if grouping.count < root.count:
        return None
    image = np.zeros(grouping.count, dtype=np.intp)
    for rows in (slice(0, 10_000), slice(None)):  # groups that cross show it within the first rows
        inner, outer = grouping.codes[rows], root.codes[rows]
        image[inner] = outer
        if not np.array_equal(image[inner], outer):
            return None
    return image


def _places_within(term: RandomTerm, terms: Sequence[RandomTerm], root: Codes, inside: Ints) -> tuple[Ints, int]:
    """Return each level's place in its block and their number.

    Levels of a product with the root stand where the other factors put them, so that blocks of equal designs look
    alike.
    """
    name = next(t.group for t in terms if t.grouping is root)
    order = np.argsort(inside, kind="stable")
    starts = np.searchsorted(inside[order], np.arange(root.count))
    rank = np.empty(len(order), dtype=np.intp)
    rank[order] = np.arange(len(order)) - starts[inside[order]]
    most = int(rank.max()) + 1
    own, roots = term.group.split(":"), set(name.split(":"))
    others = [place for column, place in zip(own, term.grouping.places, strict=True) if column not in roots]
    if roots < set(own) and others:
        combined, counts = np.zeros(len(order), dtype=np.intp), 1
        for place in others:
            high = int(place.max()) + 1
            combined, counts = combined * high + place, counts * high
            combined = np.unique(combined, return_inverse=True)[1]
            counts = int(combined.max()) + 1
        if counts <= 2 * most:
            return combined, counts
    return rank, most
