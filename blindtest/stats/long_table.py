"""Anybody's long table, read column by column for one analysis: what it holds, where it can't be read.

An analysis says what it wants (`Wanted`): a name, a kind, under which other names it may be found, and, for answers in
words, which words mean what. The reader says how it understood the file, refuses cells that can't be read with their
row numbers, and gives a table with the wanted names, in which text is text and missing is missing. Faults that an
analysis finds later, in rows of that table, are brought back to the file's own rows and names by `LongTable.placed`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.nouns import number_of
from blindtest.stats.cell import Kind, is_missing, read_cell, read_number
from blindtest.stats.delimited import Column, Delimited, FaultsInFile
from blindtest.stats.table_file import read_table_file

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["LongTable", "Wanted", "read_long_table"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """A column that an analysis reads."""

    name: str
    kind: Kind = "text"
    also: tuple[str, ...] = ()
    """Names it is looked for under when the file has none of its own."""
    needed: bool = True
    what: str = ""
    """What it holds, for the line that says it is not there."""
    words: Mapping[str, str] = field(default_factory=dict)
    """Answers in words, small letters -> what they mean; empty: any text."""
    other_words: bool = False
    """Whether an answer that is none of `words` stands as it is, instead of being refused."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LongTable:
    """A table as it was read for one analysis."""

    table: "DataFrame"
    """A column for each wanted one that was found, by its wanted name, and those read beside, by their own."""
    file: str
    lines: tuple[int, ...]
    """Where each row stands in the file: line of a text (its header is 1), row of a Parquet file (the first is 1)."""
    names: Mapping[str, str]
    """Wanted name -> the file's."""
    understood: tuple[str, ...]
    """Sentences on how the file was read."""
    ignored: tuple[str, ...]
    """Columns that were not read."""

    def has(self, name: str) -> bool:
        """Whether a column was found and says anything."""
        return name in self.table and bool(self.table[name].notna().any())

    def placed(self, error: BlindtestError) -> BlindtestError:
        """Return an error about rows of `table` (the first is 1) as one about the file's own lines and names."""
        faults = []
        for fault in error.faults:
            line = fault.line
            if not fault.file and line is not None and 1 <= line <= len(self.lines):
                line = self.lines[line - 1]
            faults.append(
                replace(fault, file=fault.file or self.file, line=line, key=self.names.get(fault.key, fault.key))
            )
        return type(error)(*faults)

    def only(self, keep: Sequence[bool], left_out: str) -> "LongTable":
        """Return the table with these rows only, and say which were left out; unchanged if all stay."""
        if all(keep):
            return self
        gone = sum(not one for one in keep)
        return replace(
            self,
            table=self.table[list(keep)].reset_index(drop=True),
            lines=tuple(line for line, one in zip(self.lines, keep, strict=True) if one),
            understood=(*self.understood, f"{number_of(gone, 'row')} left out: {left_out}"),
        )

    def fault(self, problem: str, row: int | None = None, **more: Any) -> Fault:
        """Return a fault of this file; `row`: place in `table`, from 0."""
        key = str(more.pop("key", ""))
        return Fault(
            problem=problem,
            file=self.file,
            line=None if row is None else self.lines[row],
            key=self.names.get(key, key),
            **more,
        )


def read_long_table(
    path: str | Path,
    wanted: Sequence[Wanted],
    *,
    columns: Mapping[str, str] | None = None,
    beside: Sequence[str] | None = (),
) -> LongTable:
    """Read the wanted columns of a file of rows.

    Parameters
    ----------
    columns : wanted name -> the file's name, for columns that are called otherwise there
    beside : names of further columns of the file to be read as they are, numbers where all cells are; None: all of them

    Raises
    ------
    BlindtestError
        All columns that are not there, and all cells that can't be read, with their lines.
    """
    file = read_table_file(path)
    faults = FaultsInFile(file.name)
    source = _sources(file, wanted, columns or {}, faults)
    extra = _extra(file, source, beside, faults)
    faults.raise_any()
    lines = tuple(int(line) for line in file.lines)
    read: dict[str, Any] = {}
    understood = [f"{number_of(len(lines), 'row')}, {file.form}"]
    for one in wanted:
        if one.name in source:
            place = source[one.name]
            values, translated = _column(one, file.columns[place], lines, file, file.header[place], faults)
            read[one.name] = values
            understood.append(_said(one.name, file.header[place], values, translated))
    for place in extra:
        read[file.header[place]] = _beside(file.columns[place], decimal_comma=file.decimal_comma)
        understood.append(_said(file.header[place], "", read[file.header[place]], {}))
    faults.raise_any()
    taken = {*source.values(), *extra}
    ignored = tuple(name for place, name in enumerate(file.header) if place not in taken)
    if ignored:
        understood.append("not read: " + ", ".join(map(repr, ignored)))
    return LongTable(
        table=_frame(read, len(lines)),
        file=file.name,
        lines=lines,
        names={name: file.header[place] for name, place in source.items()},
        understood=tuple(understood),
        ignored=ignored,
    )


def _sources(
    file: Delimited, wanted: Sequence[Wanted], columns: Mapping[str, str], faults: FaultsInFile
) -> dict[str, int]:
    known = [one.name for one in wanted]
    places = {name: place for place, name in enumerate(file.header)}
    folded = {name.casefold(): place for name, place in reversed(places.items())}
    source: dict[str, int] = {}
    for ours, theirs in columns.items():
        if ours not in known:
            faults.add(
                "this analysis reads no such column",
                key=ours,
                allowed=", ".join(known),
                remedy=did_you_mean(ours, known),
            )
        elif theirs not in places:
            faults.add(
                "the file has no such column",
                1,
                key=ours,
                got=theirs,
                allowed=", ".join(file.header),
                remedy=did_you_mean(theirs, places),
            )
        elif places[theirs] in source.values():
            faults.add("two columns of the analysis are to be read from this one", key=theirs, got=ours)
        else:
            source[ours] = places[theirs]
    for one in wanted:
        if one.name in columns:
            continue
        for name in (one.name, *one.also):
            place = folded.get(name.casefold())
            if place is not None and place not in source.values():
                source[one.name] = place
                break
        else:
            if one.needed:
                faults.add(
                    f"no column says {one.what or one.name}",
                    1,
                    key=one.name,
                    got=", ".join(file.header),
                    remedy=f"name it: {one.name}=COLUMN",
                )
    return source


def _extra(
    file: Delimited, source: Mapping[str, int], beside: Sequence[str] | None, faults: FaultsInFile
) -> tuple[int, ...]:
    taken = set(source.values())
    if beside is None:
        return tuple(place for place, name in enumerate(file.header) if name and place not in taken)
    places = {name: place for place, name in enumerate(file.header)}
    for name in beside:
        if name not in places and name not in source:
            faults.add(
                "the file has no such column",
                1,
                key=name,
                allowed=", ".join(file.header),
                remedy=did_you_mean(name, places),
            )
    return tuple(places[name] for name in beside if name in places and places[name] not in taken)


def _column(
    one: Wanted, column: Column, lines: Sequence[int], file: Delimited, header: str, faults: FaultsInFile
) -> tuple[list[Any], dict[str, str]]:
    """Return a column's values, and the words of the file that were taken to mean others."""
    meanings: list[Any] = []
    translated: dict[str, str] = {}
    for place, cell in enumerate(written.strip() for written in column.different):
        value: Any = None
        wrong, allowed = "", ""
        if one.words and cell.casefold() in one.words:
            value = one.words[cell.casefold()]
            if value != cell.casefold():
                translated[cell] = value
        elif not is_missing(cell):
            if one.words and not one.other_words:
                wrong, allowed = "no such answer", ", ".join(dict.fromkeys(one.words.values()))
            else:
                try:
                    value = read_cell(cell, one.kind, decimal_comma=file.decimal_comma)
                except ValueError as error:
                    wrong, allowed = "can't be read", str(error)
        if wrong:
            for row in column.rows_of(place):
                faults.add(wrong, lines[row], key=header, got=cell, allowed=allowed)
        meanings.append(value)
    return [meanings[place] for place in column.places], translated


def _beside(column: Column, *, decimal_comma: bool) -> list[Any]:
    present: list[Any] = [None if is_missing(cell) else cell.strip() for cell in column.different]
    try:
        meanings = [None if cell is None else read_number(cell, decimal_comma=decimal_comma) for cell in present]
    except ValueError:
        meanings = present
    return [meanings[place] for place in column.places]


def _said(name: str, header: str, values: Sequence[Any], translated: Mapping[str, str]) -> str:
    present = [value for value in values if value is not None]
    different = len(set(present))
    if present and all(isinstance(value, bool) for value in present):
        held = f"{sum(present)} right, {len(present) - sum(present)} wrong"
    elif present and all(isinstance(value, int | float) for value in present):
        held = f"{min(present):g} to {max(present):g}, {different} different"
    elif different <= 6:
        held = ", ".join(sorted({str(value) for value in present}))
    else:
        held = f"{different} different"
    place = f"{name} from column {header!r}" if header else f"column {name!r}"
    said = f"{place}: {held or 'nothing'}; {len(values) - len(present)} missing"
    if translated:
        said += " (" + ", ".join(f"{theirs!r} read as {ours}" for theirs, ours in sorted(translated.items())) + ")"
    return said


def _frame(read: Mapping[str, Sequence[Any]], rows: int) -> "DataFrame":
    import pandas as pd

    frame = pd.DataFrame(index=pd.RangeIndex(rows))
    for name, values in read.items():
        present = [value for value in values if value is not None]
        numeric = bool(present) and all(isinstance(v, int | float) and not isinstance(v, bool) for v in present)
        frame[name] = pd.Series(values, dtype="float64" if numeric else "object")
    return frame
