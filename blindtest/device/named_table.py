"""A text table whose columns its header names: its cells as numbers, each with its line."""

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .columns import classified, split_header
from .dialect import (
    Row,
    cells_of,
    chosen_dialect,
    delimiter_of,
    is_comment,
    is_data_like,
    is_missing,
    number_reader,
)
from .lines import lines_of, refused

__all__ = ["NamedTable", "in_radians", "named_table"]

LOOKED_AT = 4000
"""Rows that are looked at to tell how the table is written."""


_RADIANS = re.compile(r"(?<![^\W\d_])rad(?!/)", re.IGNORECASE)


def in_radians(name: str) -> bool:
    """Return whether a column's name says that its angles are in radians; in some languages a degree is a grad."""
    return bool(_RADIANS.search(name))


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedTable:
    """Header and rows of a table, as text."""

    header: tuple[str, ...]
    line: int
    """Of the header."""
    delimiter: str
    rows: tuple[Row, ...]
    remarks: tuple[str, ...]
    export: str
    """What to do where the table can't be used."""

    def numbers(self, columns: Sequence[int], hertz: float) -> tuple[list[tuple[int, list[float]]], tuple[str, ...]]:
        """Return line and numbers of each row in `columns` (NaN where a cell says that there is none), and remarks.

        `hertz`: what one unit of the first of `columns` is in Hz, where its cells name no unit of their own.
        """
        dialect, remarks = chosen_dialect(self.rows, self.delimiter, columns, hertz)
        read = number_reader(dialect)
        found: list[tuple[int, list[float]]] = []
        at_zero: list[str] = []
        for line, text in self.rows:
            cells = cells_of(text, self.delimiter)
            if len(cells) < len(self.header):
                raise refused(
                    "the row has fewer cells than the header", line=line, got=text.strip(), remedy=self.export
                )
            row = []
            for place, column in enumerate(columns):
                if is_missing(cells[column]):
                    row.append(float("nan"))
                    continue
                value, unit = read(cells[column])
                if np.isnan(value):
                    name = self.header[column]
                    raise refused("not a number", line=line, key=name, got=cells[column], remedy=self.export)
                if place == 0:
                    value *= 1000.0 if unit.strip().lower() in ("khz", "k") else 1.0 if unit else hertz
                row.append(value)
            if row[0] == 0 and not at_zero:  # a linear grid begins with it
                at_zero.append(f"the row at 0 Hz dropped (line {line})")
                continue
            if not row[0] > 0:
                raise refused("the frequency must be above 0 Hz", line=line, got=cells[columns[0]], remedy=self.export)
            found.append((line, row))
        return found, (*remarks, *at_zero)

    def frequency_column(self) -> tuple[int, float]:
        """Return the column of the frequency and what its unit is in Hz."""
        found = [k for k, cell in enumerate(self.header) if _is_frequency(cell.casefold().strip())]
        found = found or [k for k, cell in enumerate(self.header) if classified(cell).role == "frequency"]
        if len(found) != 1:
            raise refused(
                "the header names several frequencies" if found else "the header names no frequency",
                line=self.line,
                got=", ".join(self.header),
                allowed="one column such as Frequency (Hz)",
                remedy=self.export,
            )
        return found[0], 1000.0 if "khz" in self.header[found[0]].casefold() else 1.0


def named_table(data: bytes, export: str) -> NamedTable:
    """Return the table in the bytes of a text file; its header is the last line of text above the first numbers.

    Raises
    ------
    BlindtestError
        With the line: no text, no rows of numbers, no header; `export` says what to do.
    """
    lines, remarks = lines_of(data)
    rows = [(i, line) for i, line in enumerate(lines, 1) if is_data_like(line) and not is_comment(line)]
    if not rows:
        raise refused("no row begins with a number: this is no table over frequency", line=1, remedy=export)
    line, header, delimiter = _header(lines, rows, export)
    return NamedTable(
        header=tuple(header),
        line=line,
        delimiter=delimiter,
        rows=tuple(row for row in rows if row[0] > line),
        remarks=tuple(remarks),
        export=export,
    )


def _header(lines: Sequence[str], rows: Sequence[Row], export: str) -> tuple[int, list[str], str]:
    first = rows[0][0]

    def names(delimiter: str, count: int) -> bool:
        return any(len(cells_of(_bare(text), delimiter)) == count for text in lines[: first - 1])

    delimiter = delimiter_of(rows[:LOOKED_AT], names)
    width = max(len(cells_of(text, delimiter)) for _, text in rows[:LOOKED_AT])
    for number in range(first - 1, 0, -1):
        text = _bare(lines[number - 1])
        cells = cells_of(text, delimiter) if text else []
        if len(cells) == width:
            return number, cells, delimiter
    # Blanks inside names, or other separators than those of the rows.
    for number in range(first - 1, 0, -1):
        split = split_header(lines[number - 1], delimiter, width)
        if split is not None:
            return number, split, delimiter
    raise refused(
        "no header names the columns: which is which can't be told",
        line=first,
        got=rows[0][1].strip(),
        allowed=f"a line of {width} names above the numbers, separated like them",
        remedy=export,
    )


def _bare(text: str) -> str:
    return text.strip().lstrip("#*%;").strip()


def _is_frequency(cell: str) -> bool:
    return cell.startswith(("freq", "f (", "f[", "f [", "f_", "hz", "khz")) or cell == "f"
