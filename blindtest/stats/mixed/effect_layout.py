"""Where the random effects lie: blocks of one large group, and a small dense rest.

With listeners crossed with clips, the information of all random effects is an arrowhead: one small block per level of
the *root* group (the listener, with all that is nested in it: listener:device, slopes of listeners), and a dense part
for what crosses it (clips, clip:device). Effects are numbered root level by root level, r slots each (levels that
need fewer leave slots untouched), then the m crossing ones. Sums over rows into that pattern and gathers from it are
all that ever touches rows; everything else happens in the pattern (`arrowhead.py`).

Rows that agree in everything are counted, not repeated, and lie root level by root level.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault

__all__ = ["EffectLayout", "Group", "RowSum", "Touch", "compressed_rows", "effect_layout", "root_group"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_CROSSING = 3000
"""Crossing effects a dense part may hold: its cost grows with the cube (at 3,000 a few seconds per evaluation)."""
MOST_CELLS = 100_000_000
"""Numbers the pattern of root blocks may hold: 800 MB."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Group:
    """One random term: a group's levels, the level of each row, and what its effects multiply."""

    name: str
    levels: tuple[str, ...]
    codes: Ints
    """(rows,): index into `levels`."""
    columns: tuple[str, ...]
    """("Intercept",) or, with slopes, their names."""
    values: tuple[Floats | None, ...]
    """Per column (rows,); None: 1 in every row."""


class RowSum:
    """Sums rows into cells, by the cheapest of three ways that gives the same."""

    def __init__(self, index: Ints, size: int) -> None:
        self.index, self.size = index, size
        steps = np.diff(index)
        complete = (
            len(index) > 0 and index[0] == 0 and index[-1] == size - 1 and bool(np.all((steps == 0) | (steps == 1)))
        )
        self.identity = complete and size == len(index)
        self.starts = np.concatenate([[0], np.flatnonzero(steps) + 1]) if complete else None

    def __call__(self, values: Floats) -> Floats:
        """Return (size,) sums of `values` (rows,)."""
        if self.identity:
            return values
        if self.starts is not None:
            return np.asarray(np.add.reduceat(values, self.starts))
        return np.asarray(np.bincount(self.index, weights=values, minlength=self.size), dtype=np.float64)

    def gather(self, cells: Floats) -> Floats:
        """Return each row's cell.

        Parameters
        ----------
        cells : (size,); the result is (rows,)
        """
        return cells if self.identity else cells[self.index]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Touch:
    """One column of one term: which effect each row meets, and with which value."""

    term: int
    column: int
    block: RowSum
    """Rows to the slots of the root blocks, or to those that cross them."""
    first: int
    """The slot with which that part begins."""
    value: Floats | None
    crossing: bool

    def weighted(self, values: Floats) -> Floats:
        """Return `values` times what the effect is multiplied by.

        Parameters
        ----------
        values : (rows,), as is the result
        """
        return values if self.value is None else values * self.value


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EffectLayout:
    """The slots of all random effects, and which of them a row meets."""

    groups: tuple[Group, ...]
    root_levels: int
    local: int
    """Slots of a root level, r."""
    crossing: int
    """Effects that cross the root group, m."""
    slots: tuple[Ints, ...]
    """Per term (levels, columns): the slot of each effect."""
    inside: tuple[Ints, ...]
    """Per term (levels in a block, columns): their slots, counted from the start of the block or of what crosses."""
    touches: tuple[Touch, ...]
    pairs: tuple["TouchPair", ...]

    @property
    def size(self) -> int:
        """Number of slots."""
        return self.root_levels * self.local + self.crossing

    def touches_crossing(self, term: int) -> bool:
        """Return whether the term's effects cross the root group."""
        return next(touch.crossing for touch in self.touches if touch.term == term)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TouchPair:
    """Two columns met by the same rows: where their product is summed in the pattern."""

    first: int
    second: int
    kind: str
    """"local" (J, r, r), "border" (J, r, m) or "crossing" (m, m); for "border" `first` is the local one."""
    sums: RowSum
    value: Floats | None
    """Product of the two values; None: 1."""


def compressed_rows(keys: Sequence[Ints], sizes: Sequence[int]) -> tuple[Ints, Ints | None]:
    """Return one row of each distinct combination of keys, sorted by them, and the combination each row belongs to.

    The second is None where the rows were distinct and sorted already.

    The first is (distinct rows,), places in the rows; the second (rows,), places in the first.

    Parameters
    ----------
    keys : each (rows,), whole numbers 0 ... its size - 1
    sizes : how many values each key can have
    """
    combined, size = keys[0].astype(np.int64), sizes[0]
    for key, more in zip(keys[1:], sizes[1:], strict=True):
        if size * more >= 2**62:
            distinct, combined = np.unique(combined, return_inverse=True)
            size = len(distinct)
        combined, size = combined * more + key, size * more
    if len(combined) and np.all(np.diff(combined) > 0):
        return np.arange(len(combined)), None
    _, first, inverse = np.unique(combined, return_index=True, return_inverse=True)
    return first.astype(np.int64), inverse.astype(np.int64)


def effect_layout(groups: Sequence[Group]) -> EffectLayout:
    """Lay out the effects of `groups`, rows sorted and compressed by the caller or not.

    Parameters
    ----------
    groups : each of the same number of rows
    """
    root = root_group(groups)
    levels = len(groups[root].levels)
    root_codes = groups[root].codes
    nested = [_parents(group, root_codes) for group in groups]
    slots: list[Ints] = []
    local = 0
    for group, parents in zip(groups, nested, strict=True):
        width = len(group.columns)
        if parents is None:
            slots.append(np.zeros((0, width), dtype=np.int64))
            continue
        order = np.argsort(parents, kind="stable")
        ranked = parents[order]
        place = np.empty(len(parents), dtype=np.int64)
        place[order] = np.arange(len(parents)) - np.searchsorted(ranked, ranked)
        within = local + place * width
        slots.append(within[:, None] + np.arange(width))
        local += (int(place.max()) + 1) * width
    crossing = 0
    for number, (group, parents) in enumerate(zip(groups, nested, strict=True)):
        width = len(group.columns)
        if parents is None:
            here = levels * local + crossing
            slots[number] = here + np.arange(len(group.levels) * width).reshape(-1, width)
            crossing += len(group.levels) * width
        else:
            slots[number] = parents[:, None] * local + slots[number]
    if crossing > MOST_CROSSING:
        raise _too_many_crossing(groups, nested, crossing, groups[root].name)
    if levels * local * (local + crossing) > MOST_CELLS:
        raise BlindtestError(
            Fault(
                problem=f"the random effects do not fit: {levels} levels of {groups[root].name!r} with {local} effects "
                f"each, crossed with {crossing}",
                key="random",
                remedy="leave out the terms with most levels, or slopes",
            )
        )
    inner = levels * local
    touches = tuple(
        Touch(
            term=number,
            column=column,
            block=(
                RowSum(slots[number][group.codes, column] - inner, crossing)
                if nested[number] is None
                else RowSum(slots[number][group.codes, column], inner)
            ),
            first=inner if nested[number] is None else 0,
            value=group.values[column],
            crossing=nested[number] is None,
        )
        for number, group in enumerate(groups)
        for column in range(len(group.columns))
    )
    return EffectLayout(
        groups=tuple(groups),
        root_levels=levels,
        local=local,
        crossing=crossing,
        slots=tuple(slots),
        inside=tuple(
            slot - inner if parents is None else np.unique(slot % local, axis=0)
            for slot, parents in zip(slots, nested, strict=True)
        ),
        touches=touches,
        pairs=_pairs(touches, levels, local, crossing),
    )


def _parents(group: Group, root_codes: Ints) -> Ints | None:
    """Return the root level in which each of the group's levels lies, or None if one lies in several."""
    parents = np.zeros(len(group.levels), dtype=np.int64)
    parents[group.codes] = root_codes
    return parents if np.array_equal(parents[group.codes], root_codes) else None


def root_group(groups: Sequence[Group]) -> int:
    """Return the group whose blocks leave the least that crosses them; of equals, the one with more levels.

    Parameters
    ----------
    groups : each of the same number of rows; the result is a place among them, from 0
    """

    def crossing(candidate: int) -> tuple[int, int]:
        codes = groups[candidate].codes
        rest = sum(len(g.levels) * len(g.columns) for g in groups if _parents(g, codes) is None)
        return rest, -len(groups[candidate].levels)

    return min(range(len(groups)), key=crossing)


def _pairs(touches: Sequence[Touch], levels: int, local: int, crossing: int) -> tuple[TouchPair, ...]:
    inner = levels * local
    pairs = []
    for one in range(len(touches)):
        for two in range(one, len(touches)):
            first, second = (two, one) if touches[one].crossing and not touches[two].crossing else (one, two)
            a, b = touches[first], touches[second]
            at, to = a.block.index, b.block.index
            if a.crossing:
                kind, index, size = "crossing", at * crossing + to, crossing * crossing
            elif b.crossing:
                kind, index, size = "border", at * crossing + to, inner * crossing
            else:
                kind, index, size = "local", at * local + to % local, inner * local
            value = b.value if a.value is None else a.value if b.value is None else a.value * b.value
            pairs.append(TouchPair(first=first, second=second, kind=kind, sums=RowSum(index, size), value=value))
    return tuple(pairs)


def _too_many_crossing(
    groups: Sequence[Group], nested: Sequence[Ints | None], crossing: int, root: str
) -> BlindtestError:
    names = ", ".join(
        f"{group.name!r} ({len(group.levels)} levels)"
        for group, parents in zip(groups, nested, strict=True)
        if parents is None
    )
    return BlindtestError(
        Fault(
            problem=f"too many random effects cross {root!r}: {names}, {crossing} effects",
            key="random",
            allowed=f"up to {MOST_CROSSING}",
            remedy="leave out the group with most levels, or nest it",
        )
    )
