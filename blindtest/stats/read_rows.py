"""Rows of a trial table as they were read: what their cells say, what follows from it, and what contradicts itself.

Everything is kept by column, each different value once and for every row its place among them, so that a million rows
take some bytes each and a cell is understood once however often it stands there.
"""

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import did_you_mean
from blindtest.nouns import number_of
from blindtest.stats.cell import Kind, is_missing, read_cell, read_number
from blindtest.stats.delimited import Column, Delimited, FaultsInFile

__all__ = ["ReadColumn", "ReadRows"]

Places = NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class ReadColumn:
    """What a column says."""

    values: tuple[Any, ...]
    """Different values; None where there is none."""
    places: Places
    """(rows,) which of them holds in each row."""

    def __getitem__(self, row: int) -> Any:
        return self.values[self.places[row]]

    @property
    def there(self) -> NDArray[np.bool_]:
        """(rows,) whether there is a value."""
        known: NDArray[np.bool_] = np.array([value is not None for value in self.values], dtype=bool)[self.places]
        return known


class ReadRows:
    """The rows of a file; a step for each thing that is made of them or found wrong.

    Parameters
    ----------
    file : as it was written
    source : our name -> place in its header; besides columns of the trial table there may be "truth"
    kinds : our name -> what its cells hold
    faults : where everything that is wrong goes, with its line
    """

    def __init__(
        self, file: Delimited, source: Mapping[str, int], kinds: Mapping[str, Kind], faults: FaultsInFile
    ) -> None:
        self._file = file
        self._source = source
        self._faults = faults
        self.columns: dict[str, ReadColumn] = {
            name: self._read(file.columns[place], kinds.get(name, "value"), file.header[place])
            for name, place in source.items()
        }

    def __len__(self) -> int:
        return len(self._file.lines)

    def _read(self, column: Column, kind: Kind, header: str) -> ReadColumn:
        values: list[Any] = []
        for place, written in enumerate(column.different):
            cell, value = written.strip(), None
            if not is_missing(cell):
                try:
                    value = read_cell(cell, kind, decimal_comma=self._file.decimal_comma)
                except ValueError as error:
                    self._at(column.rows_of(place), "can't be read", key=header, got=cell, allowed=str(error))
            values.append(value)
        return ReadColumn(tuple(values), column.places)

    def _at(self, rows: Places, problem: str, **told: Any) -> None:
        for row in rows:
            self._faults.add(problem, int(self._file.lines[row]), **told)

    def state_method(self, method: str) -> None:
        """Give all rows the method asked for; one that says another is refused."""
        stated = self.columns.get("method")
        for place, value in enumerate(stated.values if stated else ()):
            if stated and value is not None and value != method:
                rows = np.flatnonzero(stated.places == place)
                self._at(rows, "the row contradicts the method asked for", key="method", got=value, allowed=method)
        self.columns["method"] = ReadColumn((method,), np.zeros(len(self), dtype=np.intp))

    def check_methods(self, known: Sequence[str]) -> None:
        """Refuse rows that name no method, or one that is not known."""
        stated = self.columns["method"]
        for place, value in enumerate(stated.values):
            rows = np.flatnonzero(stated.places == place)
            if value is None:
                self._at(rows, "the row does not say its method", key="method", allowed=", ".join(known))
            elif value not in known:
                allowed, remedy = ", ".join(known), did_you_mean(value, known)
                self._at(rows, "no such method", key="method", got=value, allowed=allowed, remedy=remedy)

    def judge(self) -> None:
        """Find out from answer and truth which answers were right; a row that says otherwise is refused."""
        truth, response = self.columns.get("truth"), self.columns.get("response")
        if truth is None or response is None:
            return
        stated = self.columns.get("correct") or ReadColumn((None,), np.zeros(len(self), dtype=np.intp))
        outcomes = (None, False, True)
        of = {value: place for place, value in enumerate(outcomes)}
        judged = np.empty(len(self), dtype=np.intp)
        for rows, (given, right, said) in _alike(response, truth, stated):
            found = None if given is None or right is None else given.casefold() == right.casefold()
            if found is not None and said not in (None, found):
                word, other = ("right", "wrong") if said else ("wrong", "right")
                self._at(
                    rows,
                    f"the row says {word}, but the answer {given!r} to {right!r} is {other}",
                    key="correct",
                    remedy="correct the row, or read only one of the columns",
                )
            judged[rows] = of[said if found is None else found]
        self.columns["correct"] = ReadColumn(outcomes, judged)

    def compare_times(self) -> None:
        """Refuse what was answered before it was shown."""
        shown, answered = self.columns.get("shown_at"), self.columns.get("answered_at")
        if shown is None or answered is None:
            return
        earlier = _moments(answered)[answered.places] < _moments(shown)[shown.places]
        for row in map(int, np.flatnonzero(earlier & shown.there & answered.there)):
            self._faults.add(
                "answered before it was shown",
                int(self._file.lines[row]),
                key="answered_at",
                got=str(answered[row]),
                allowed=f"from {shown[row]} on",
            )

    def find_twice(self, same: Sequence[str]) -> tuple[str, ...]:
        """Refuse a trial that stands there twice; say so where only a column that is not read tells two apart.

        same : names of columns that tell a trial from another
        """
        trial = self.columns.get("trial")
        if trial is None:
            return ()
        rows = np.flatnonzero(trial.there)
        named = _numbered([_by_value(self.columns[name])[rows] for name in same if name in self.columns])
        repeats = len(named) - len(np.unique(named))
        unread = self._unread_factors()
        key = _numbered([named, *(column.places[rows] for column in unread.values())])
        _, first, inverse = np.unique(key, return_index=True, return_inverse=True)
        before = first[inverse]
        for again in np.flatnonzero(before != np.arange(len(rows))):
            row, earlier = int(rows[again]), int(rows[before[again]])
            alike = all(column[row] == column[earlier] for column in self.columns.values())
            values = "with the same values" if alike else "with other values"
            told = ((name, self.columns[name][row]) for name in same if name in self.columns)
            what = ", ".join(f"{name} {value}" for name, value in told if value is not None)
            line = int(self._file.lines[earlier])
            self._faults.add(
                f"{what} stands there twice, first in line {line}, {values}",
                int(self._file.lines[row]),
                key="trial",
                remedy="remove one, or name the columns that tell them apart (sitting, block, conditions, attempt)",
            )
        if not repeats:
            return ()
        names = ", ".join(map(repr, unread))
        return (
            f"{number_of(repeats, 'trial number comes', 'trial numbers come')} again; told apart only by "
            f"what is not read: {names}",
        )

    def _unread_factors(self) -> dict[str, Column]:
        """Return the columns that nobody named and that group the rows: fewer values than half the rows, unlike ids."""
        read = set(self._source.values())
        return {
            name: column
            for place, (name, column) in enumerate(zip(self._file.header, self._file.columns, strict=True))
            if place not in read and 1 < len(column.different) <= len(column) / 2
        }

    def read_ratings(self) -> None:
        """Turn responses into numbers if all that were given are."""
        response = self.columns.get("response")
        if response is None:
            return
        try:
            numbers = tuple(
                None if value is None else read_number(value, decimal_comma=self._file.decimal_comma)
                for value in response.values
            )
        except ValueError:
            return
        self.columns["response"] = ReadColumn(numbers, response.places)


def _by_value(column: ReadColumn) -> Places:
    """Return numbers (rows,) that are equal where the values are, however these were written."""
    first: dict[Hashable, int] = {}
    number = np.array([first.setdefault(value, len(first)) for value in column.values], dtype=np.intp)
    return number[column.places]


def _numbered(columns: Sequence[Places]) -> Places:
    """Return one number (rows,) for each combination of several."""
    total: Places = np.zeros(len(columns[0]), dtype=np.intp)
    for column in columns:
        # Numbered anew after each: the product of two counts of rows still fits, that of several would not.
        joined = total * (int(column.max(initial=0)) + 1) + column
        total = np.unique(joined, return_inverse=True)[1].reshape(-1)
    return total


def _alike(*columns: ReadColumn) -> list[tuple[Places, tuple[Any, ...]]]:
    """Return the rows of each combination of values, and these."""
    number = _numbered([column.places for column in columns])
    order = np.argsort(number, kind="stable")
    groups = np.split(order, np.flatnonzero(np.diff(number[order])) + 1)
    return [(rows, tuple(column[rows[0]] for column in columns)) for rows in groups if len(rows)]


def _moments(column: ReadColumn) -> NDArray[np.float64]:
    """Return the times among a column's values in s, NaN where there is none."""
    stamp: Callable[[Any], float] = lambda value: value.timestamp() if isinstance(value, datetime) else np.nan  # noqa: E731
    return np.array([stamp(value) for value in column.values])
