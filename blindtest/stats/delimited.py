"""Delimited text as people's programs write it: separator and encoding found out, rows with their line numbers.

What is read is kept by column, each different cell once and for every row its place among them: a table of a million
answers has a few different cells in most columns, and what a cell says has to be found out once.
"""

import csv
from array import array
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from io import BytesIO, TextIOWrapper
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault
from blindtest.nouns import number_of

__all__ = ["Column", "Delimited", "FaultsInFile", "column_of", "read_delimited"]

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
MOST_FAULTS = 50
"""Faults that are listed; beyond, they are counted."""
MOST_BYTES = 256 * 2**20


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """A column as it was written."""

    different: tuple[str, ...]
    """Its different cells, in the order in which they come first."""
    places: NDArray[np.intp]
    """(rows,) which of them stands in each row."""

    def __len__(self) -> int:
        return len(self.places)

    def __iter__(self) -> Iterator[str]:
        """Go through the cells row by row."""
        different = self.different
        return (different[place] for place in self.places)

    def __getitem__(self, row: int) -> str:
        return self.different[int(self.places[row])]

    def rows_of(self, place: int) -> NDArray[np.intp]:
        """Return the rows in which one of the different cells stands."""
        return np.flatnonzero(self.places == place)


def column_of(cells: Sequence[str]) -> Column:
    """Return cells (rows,) as a column."""
    first: dict[str, int] = {}
    places = [first.setdefault(cell, len(first)) for cell in cells]
    return Column(tuple(first), np.array(places, dtype=np.intp))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Delimited:
    """A file of rows, all as long as its header; also of one that is no text, once its cells are."""

    name: str
    header: tuple[str, ...]
    columns: tuple[Column, ...]
    """In the order of the header."""
    lines: NDArray[np.intp]
    """(rows,) number of each row's line; the header's first line is 1."""
    delimiter: str
    """Empty for a file that keeps its cells apart by itself."""
    encoding: str

    @property
    def decimal_comma(self) -> bool:
        """Whether numbers may be written with a comma."""
        return self.delimiter == ";"

    @property
    def form(self) -> str:
        """How the rows are kept, in words."""
        return f"separated by {DELIMITERS[self.delimiter]}, {self.encoding}" if self.delimiter else self.encoding


class FaultsInFile:
    """Collects the faults of one file; many of them are counted, not listed."""

    def __init__(self, file: str) -> None:
        self._file = file
        self._faults: list[Fault] = []
        self._more = 0

    @property
    def any(self) -> bool:
        """Whether there is one."""
        return bool(self._faults)

    def add(
        self,
        problem: str,
        line: int | None = None,
        *,
        key: str = "",
        got: object = None,
        allowed: str = "",
        remedy: str = "",
    ) -> None:
        """Put a fault on the list."""
        if len(self._faults) < MOST_FAULTS:
            self._faults.append(
                Fault(problem=problem, file=self._file, line=line, key=key, got=got, allowed=allowed, remedy=remedy)
            )
        else:
            self._more += 1

    def raise_any(self) -> None:
        """Raise BlindtestError with all faults so far, if there are any."""
        if self._faults:
            faults = sorted(self._faults, key=lambda fault: fault.line or 0)
            if self._more:
                faults.append(
                    Fault(problem=f"and {number_of(self._more, 'more fault')} of this kind or others", file=self._file)
                )
            raise BlindtestError(*faults)


def read_delimited(path: str | Path) -> Delimited:
    """Read a file with a header line, rows separated by comma, semicolon, tab or '|', in UTF-8, UTF-16 or Latin-1.

    Empty lines are skipped.

    Raises
    ------
    BlindtestError
        There is no such file, it is empty, has no rows, names a column twice, or has rows of another length.
    """
    path = Path(path)
    faults = FaultsInFile(str(path))
    data = _bytes_of(path)
    codec, encoding = _encoding(data)
    delimiter = _delimiter(data, codec)
    rows = _rows(data, codec, delimiter, str(path))
    try:
        header_line, names = next(rows)
    except StopIteration:
        raise BlindtestError(
            Fault(problem="the file is empty", file=str(path), allowed="a header line, then rows")
        ) from None
    header = tuple(name.strip() for name in names)
    for place, name in enumerate(header):
        if not name:
            # Table programs write row numbers without a name; nobody can ask for that column, so it may stay.
            continue
        if name in header[:place]:
            faults.add("a column stands there twice", header_line, key=name, remedy="rename one of them")
    columns, lines = _by_column(rows, len(header), faults)
    if not len(lines) and not faults.any:
        faults.add("the file has a header and no rows", header_line, got=delimiter.join(header))
    faults.raise_any()
    return Delimited(
        name=str(path), header=header, columns=columns, lines=lines, delimiter=delimiter, encoding=encoding
    )


def _by_column(
    rows: Iterator[tuple[int, list[str]]], width: int, faults: FaultsInFile
) -> tuple[tuple[Column, ...], NDArray[np.intp]]:
    first: list[dict[str, int]] = [{} for _ in range(width)]
    places = [array("q") for _ in range(width)]
    lines = array("q")
    for line, cells in rows:
        if len(cells) != width:
            faults.add("the row is not as long as the header", line, got=len(cells), allowed=f"{width} cells")
            continue
        lines.append(line)
        for cell, known, own in zip(cells, first, places, strict=True):
            own.append(known.setdefault(cell, len(known)))
    columns = tuple(
        Column(tuple(known), np.array(own, dtype=np.intp)) for known, own in zip(first, places, strict=True)
    )
    return columns, np.array(lines, dtype=np.intp)


def _bytes_of(path: Path) -> bytes:
    try:
        if path.stat().st_size > MOST_BYTES:
            raise BlindtestError(
                Fault(
                    problem="the file is too large for a trial table",
                    file=str(path),
                    got=f"{path.stat().st_size} bytes",
                    allowed=f"up to {MOST_BYTES} bytes",
                )
            )
        return path.read_bytes()
    except FileNotFoundError:
        raise BlindtestError(Fault(problem="there is no such file", file=str(path))) from None
    except OSError as error:
        reason = error.strerror or str(error)
        raise BlindtestError(Fault(problem=f"the file can't be read: {reason}", file=str(path))) from None


def _encoding(data: bytes) -> tuple[str, str]:
    """Return the codec that reads the file, and its name for people."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16", "UTF-16"
    try:
        data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return "cp1252", "Latin-1"
    return "utf-8-sig", "UTF-8"


def _text(data: bytes, codec: str) -> TextIOWrapper:
    """Return the file as lines of text, decoded while they are read: a large one is never in memory twice."""
    return TextIOWrapper(BytesIO(data), encoding=codec, errors="replace", newline="")


def _delimiter(data: bytes, codec: str) -> str:
    first = next((line for line in _text(data, codec) if line.strip()), "")
    # A file of one column has none of them; then any will do.
    return max(DELIMITERS, key=lambda delimiter: len(next(csv.reader([first], delimiter=delimiter), [])))


def _rows(data: bytes, codec: str, delimiter: str, file: str) -> Iterator[tuple[int, list[str]]]:
    if codec != "utf-16" and b"\0" in data:
        raise _no_text(file)
    reader, line = csv.reader(_text(data, codec), delimiter=delimiter), 1
    try:
        for cells in reader:
            if any(cell and not cell.isspace() for cell in cells):
                if codec == "utf-16" and any("\0" in cell for cell in cells):
                    raise _no_text(file)
                yield line, cells
            line = reader.line_num + 1
    except csv.Error as error:
        raise BlindtestError(Fault(problem=f"the row can't be read: {error}", file=file, line=line)) from None


def _no_text(file: str) -> BlindtestError:
    return BlindtestError(Fault(problem="this is not a text file", file=file, remedy="export the table as CSV"))
