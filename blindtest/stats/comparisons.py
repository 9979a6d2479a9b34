"""Paired comparisons read from a table: columns first, second, outcome; one row an answer.

`first` and `second` name the items in the order they were heard, `outcome` is "first", "second" or "tie". A row without
an outcome is a trial that was not answered: it is counted apart. Columns `listener` and `clip` are counted where they
are there.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.stats.cell import holds_nothing

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["OUTCOMES", "Comparisons", "read_comparisons"]

OUTCOMES = ("first", "second", "tie")
COLUMNS = ("first", "second", "outcome")


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparisons:
    """How often each ordered pair ended how."""

    items: tuple[str, ...]
    """Sorted."""
    cells: dict[tuple[str, str], tuple[int, int, int]]
    """(first heard, second heard) -> how often first, second, tie; answered trials only."""
    unanswered: dict[tuple[str, str], int]
    """(a, b), a before b in `items` -> trials without an outcome, in either order."""
    listeners: int
    """0 where the table does not say."""
    clips: int

    @property
    def answers(self) -> int:
        """Answered trials, ties among them."""
        return sum(map(sum, self.cells.values()))

    @property
    def ties(self) -> int:
        """Answers without a preference."""
        return sum(cell[2] for cell in self.cells.values())

    def pair(self, a: str, b: str) -> tuple[int, int, int]:
        """Return how often a was preferred, b was preferred, neither; whichever was heard first."""
        a_first, b_first = self.cells.get((a, b), (0, 0, 0)), self.cells.get((b, a), (0, 0, 0))
        return a_first[0] + b_first[1], a_first[1] + b_first[0], a_first[2] + b_first[2]

    def compared(self) -> tuple[tuple[str, str], ...]:
        """Return the pairs that were asked about, in the order of `items`."""
        asked = {tuple(sorted(pair)) for pair in self.cells} | set(self.unanswered)
        return tuple(sorted((a, b) for a, b in asked))


def read_comparisons(table: "DataFrame") -> Comparisons:
    """Return the counts of a table of paired comparisons.

    Raises
    ------
    BlindtestError
        A column that is not there, an item without a name or compared with itself, an outcome of another name, no row.
    """
    missing = [name for name in COLUMNS if name not in table]
    if missing:
        raise BlindtestError(*(_missing_column(name, table) for name in missing))
    faults: list[Fault] = []
    cells: dict[tuple[str, str], list[int]] = {}
    unanswered: dict[tuple[str, str], int] = {}
    rows = zip(*(table[name].tolist() for name in COLUMNS), strict=True)
    for number, (first, second, outcome) in enumerate(rows, start=1):
        fault = _row_fault(first, second, outcome)
        if fault:
            faults.append(Fault(line=number, **fault))
        elif holds_nothing(outcome):
            pair = (min(str(first), str(second)), max(str(first), str(second)))
            unanswered[pair] = unanswered.get(pair, 0) + 1
        else:
            cells.setdefault((str(first), str(second)), [0, 0, 0])[OUTCOMES.index(str(outcome))] += 1
    if faults:
        raise BlindtestError.of(faults)
    if not cells and not unanswered:
        raise BlindtestError(Fault(problem="the table holds no comparison", remedy="finish a sitting first"))
    return Comparisons(
        items=tuple(sorted({item for pair in (*cells, *unanswered) for item in pair})),
        cells={pair: (counts[0], counts[1], counts[2]) for pair, counts in cells.items()},
        unanswered=unanswered,
        listeners=int(table["listener"].nunique()) if "listener" in table else 0,
        clips=int(table["clip"].nunique()) if "clip" in table else 0,
    )


def _missing_column(name: str, table: "DataFrame") -> Fault:
    known = [str(column) for column in table.columns]
    return Fault(
        problem="the table of comparisons has no such column",
        key=name,
        got=", ".join(known),
        allowed="columns first, second, outcome",
        remedy=did_you_mean(name, known),
    )


def _row_fault(first: Any, second: Any, outcome: Any) -> dict[str, Any] | None:
    if holds_nothing(first) or holds_nothing(second):
        return {"problem": "the row does not name both items", "key": "first" if holds_nothing(first) else "second"}
    if str(first) == str(second):
        return {"problem": "an item is compared with itself", "key": "second", "got": str(second)}
    if not holds_nothing(outcome) and str(outcome) not in OUTCOMES:
        return {
            "problem": "no such outcome",
            "key": "outcome",
            "got": outcome,
            "allowed": ", ".join(OUTCOMES) + ", or nothing for a trial that was not answered",
        }
    return None
