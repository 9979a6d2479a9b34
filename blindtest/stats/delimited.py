"""Delimited text as people's programs write it: separator and encoding found out, rows with their line numbers."""

import csv
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

from blindtest.errors import BlindtestError, Fault

__all__ = ["Delimited", "FaultsInFile", "read_delimited"]

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
MOST_FAULTS = 50
"""Faults that are listed; beyond, they are counted."""
MOST_BYTES = 256 * 2**20


@dataclass(frozen=True, slots=True, kw_only=True)
class Delimited:
    """A file of rows, all as long as its header; also of one that is no text, once its cells are."""

    name: str
    header: tuple[str, ...]
    records: tuple[tuple[int, tuple[str, ...]], ...]
    """Line number (the header's first line is 1) and cells."""
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
                faults.append(Fault(problem=f"and {self._more} more faults of this kind or others", file=self._file))
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
    text, encoding = _decoded(data)
    if "\0" in text:
        raise BlindtestError(Fault(problem="this is not a text file", file=str(path), remedy="export the table as CSV"))
    delimiter = _delimiter(text)
    rows = _rows(text, delimiter, str(path))
    if not rows:
        raise BlindtestError(Fault(problem="the file is empty", file=str(path), allowed="a header line, then rows"))
    (header_line, names), *records = rows
    header = tuple(name.strip() for name in names)
    for place, name in enumerate(header):
        if not name:
            # Table programs write row numbers without a name; nobody can ask for that column, so it may stay.
            continue
        if name in header[:place]:
            faults.add("a column stands there twice", header_line, key=name, remedy="rename one of them")
    if not records:
        faults.add("the file has a header and no rows", header_line, got=delimiter.join(header))
    for line, cells in records:
        if len(cells) != len(header):
            faults.add("the row is not as long as the header", line, got=len(cells), allowed=f"{len(header)} cells")
    faults.raise_any()
    return Delimited(name=str(path), header=header, records=tuple(records), delimiter=delimiter, encoding=encoding)


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


def _decoded(data: bytes) -> tuple[str, str]:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", errors="replace"), "UTF-16"
    try:
        return data.decode("utf-8-sig"), "UTF-8"
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace"), "Latin-1"


def _delimiter(text: str) -> str:
    first = next((line for line in text.splitlines() if line.strip()), "")
    # A file of one column has none of them; then any will do.
    return max(DELIMITERS, key=lambda delimiter: len(next(csv.reader([first], delimiter=delimiter), [])))


def _rows(text: str, delimiter: str, file: str) -> list[tuple[int, tuple[str, ...]]]:
    reader = csv.reader(StringIO(text, newline=""), delimiter=delimiter)
    rows, line = [], 1
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                rows.append((line, tuple(cells)))
            line = reader.line_num + 1
    except csv.Error as error:
        raise BlindtestError(Fault(problem=f"the row can't be read: {error}", file=file, line=line)) from None
    return rows
