"""Reading a response from any delimited text with frequency, level and optional phase.

What the columns are is taken from the header where there is one, in the rows above them or in a comment; without one
the order frequency, level, phase is assumed (common practice) and said in a remark. What can be read in two ways is
refused with its line, never guessed; every assumption that was made is among the response's remarks.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from math import isnan, pi
from pathlib import Path

import numpy as np

from blindtest.errors import BlindtestError
from blindtest.nouns import number_of

from .columns import classified, merged_header, split_header
from .dialect import (
    Dialect,
    Row,
    cells_of,
    chosen_dialect,
    delimiter_of,
    is_comment,
    is_data_like,
    is_missing,
    number_reader,
    sampled,
)
from .layout import IN_HERTZ, Layout, layout_by_names, layout_by_position
from .lines import lines_of, read_bytes, refused
from .points import (
    FEW,
    counted_rows,
    doubtful_levels,
    kept_points,
    levels_in_db,
    named_lines,
    refuse_disorder,
    refuse_few,
    refuse_frequencies,
    refuse_levels,
)
from .repeated_points import SAME, merged_points
from .response import Response

__all__ = ["parse_response", "read_response"]

MOST_COLUMNS = 256
HEADER_SEARCH = 300
"""Lines of text that are looked through for a header."""


def read_response(path: str | Path) -> Response:
    """Return the response in a text file: levels in dB, phase in rad where there is one, and what was assumed.

    Read are: columns separated by comma, semicolon, tab or blanks; decimal point or comma; headers and comments; units
    in the header or the cells (kHz, dB, linear gain, Pa, degrees, rad); UTF-8, UTF-16, Latin-1; LF, CRLF, CR; ascending
    or descending frequencies, repeated points (averaged in dB); a left and a right column.

    Raises
    ------
    BlindtestError
        With file and line: no such file, no text, no response, mostly unreadable, or readable in two ways.
    """
    path = Path(path)
    try:
        response = parse_response(read_bytes(path))
    except BlindtestError as error:
        raise BlindtestError(*(fault.in_file(str(path)) for fault in error.faults)) from None
    return Response(
        frequency=response.frequency,
        magnitude=response.magnitude,
        phase=response.phase,
        channels=response.channels,
        remarks=response.remarks,
        sources=(str(path),),
    )


def parse_response(data: bytes) -> Response:
    """Return the response in the bytes of a text file; see `read_response`. Faults name lines, not the file."""
    with np.errstate(all="ignore"):  # absurd numbers are refused by what they come to, not by warnings
        return _parsed(data)


def _parsed(data: bytes) -> Response:
    lines, remarks = lines_of(data)
    table = _found_table(lines)
    layout = table.layout
    rows = _read_rows(lines, table)
    numbers = np.array(rows.numbers, dtype=np.float64)
    frequency = numbers[:, 0] * IN_HERTZ[layout.frequency_unit]
    place = np.array(rows.places)
    remarks += table.remarks + layout.remarks + rows.remarks
    magnitude = levels_in_db(numbers[:, 1 : 1 + len(layout.levels)], layout, place)
    remarks += doubtful_levels(magnitude, layout)
    phase = numbers[:, 1 + len(layout.levels) :]
    keep, zero = kept_points(frequency, magnitude, place)
    remarks += zero
    frequency, magnitude, phase, place = frequency[keep], magnitude[keep], phase[keep], place[keep]
    refuse_frequencies(frequency, place, layout)
    refuse_levels(magnitude, place)
    if frequency[0] > frequency[-1]:
        frequency, magnitude, phase, place = frequency[::-1], magnitude[::-1], phase[::-1], place[::-1]
        remarks.append("descending frequencies turned round")
    refuse_disorder(frequency, place)
    if layout.phase_unit == "deg":
        phase = np.deg2rad(phase)
    frequency, magnitude, phase, repeated = merged_points(frequency, magnitude, phase, place)
    remarks += repeated
    refuse_few(frequency, place)
    return Response(
        frequency=frequency,
        magnitude=magnitude,
        phase=phase if layout.phases else None,
        channels=tuple(side or "both" for side in layout.sides),
        remarks=tuple(remarks),
    )


@dataclass(slots=True, kw_only=True)
class _Table:
    dialect: Dialect
    layout: Layout
    start: int
    """Index of the first line that may be a row."""
    preamble: int
    """Lines of text above it that are no comments."""
    remarks: list[str]


@dataclass(slots=True, kw_only=True)
class _Rows:
    numbers: list[list[float]]
    places: list[int]
    """The line of each row."""
    remarks: list[str]


def _found_table(lines: Sequence[str]) -> _Table:
    data = [(i, line) for i, line in enumerate(lines, 1) if is_data_like(line) and not is_comment(line)]
    if not data:
        line, text = next((i, line) for i, line in enumerate(lines, 1) if line.strip())
        raise refused(
            "no row begins with a number: this is no table of frequency and level",
            line=line,
            got=text.strip(),
            allowed="a row per frequency with frequency and level",
            remedy="export the response as text",
        )
    sample = sampled(data)
    headers = _header_lines(lines, data)

    def names(delimiter: str, count: int) -> bool:
        return any(split_header(text, delimiter, count) for _, text in headers)

    delimiter = delimiter_of(sample, names)
    count, whole = _columns(sample, delimiter)
    header_line, header = _header(headers, delimiter, {count, whole})
    first = next((line for line, text in data if len(cells_of(text, delimiter)) in (count, whole)), data[0][0])
    if header_line:
        above = [line for line, text in data if line < header_line and len(cells_of(text, delimiter)) >= count]
        if len(above) >= FEW:
            raise refused(
                "a second header stands below rows of numbers: two tables in one file",
                line=header_line,
                got=lines[header_line - 1].strip(),
                remedy="write one file per curve",
            )
        first = header_line + 1
        data = [row for row in data if row[0] >= first]
        layout = layout_by_names([classified(cell) for cell in header], header_line)
        needed = layout.needed
    else:
        if count < 2:
            _refuse_single(data[0])
        data = [row for row in data if row[0] >= first]
        needed = list(range(min(count, 3)))
        layout = None
    if not data:
        raise refused("no rows of numbers below the header", line=header_line, remedy="export the response again")
    hertz = IN_HERTZ[layout.frequency_unit] if layout else 1.0
    dialect, remarks = chosen_dialect(data, delimiter, needed, hertz)
    if layout is None:
        layout = layout_by_position(sampled(data), dialect, count)
    text_lines = sum(1 for line in lines[: first - 1] if line.strip() and not is_comment(line))
    return _Table(dialect=dialect, layout=layout, start=first, preamble=text_lines, remarks=remarks)


def _header_lines(lines: Sequence[str], data: Sequence[Row]) -> list[Row]:
    """Lines of text, nearest to the rows first, among those above a quarter of the rows."""
    quarter = data[len(data) // 4][0]
    found = []
    for index in range(quarter - 1, -1, -1):
        line = lines[index]
        if line.strip() and (is_comment(line) or not is_data_like(line)):
            found.append((index + 1, line))
            if len(found) == HEADER_SEARCH:
                break
    return found


def _columns(sample: Sequence[Row], delimiter: str) -> tuple[int, int]:
    """The commonest number of cells, without and with empty ones at the end."""
    filled: Counter[int] = Counter()
    whole: Counter[int] = Counter()
    for _, text in sample:
        cells = cells_of(text, delimiter)
        whole[len(cells)] += 1
        while cells and not cells[-1]:
            cells.pop()
        filled[len(cells)] += 1
    count = filled.most_common(1)[0][0]
    if count > MOST_COLUMNS:
        raise refused(
            "too many columns for a response",
            line=sample[0][0],
            got=count,
            allowed=f"up to {MOST_COLUMNS}",
            remedy="write one row per frequency",
        )
    return count, whole.most_common(1)[0][0]


def _header(headers: Sequence[Row], delimiter: str, counts: set[int]) -> tuple[int, list[str]]:
    for k, (line, text) in enumerate(headers):
        for count in sorted(counts):
            cells = split_header(text, delimiter, count) if count >= 2 else None
            if cells is None:
                continue
            above = None
            if k + 1 < len(headers) and headers[k + 1][0] == line - 1:
                above = [cell.strip(' "') for cell in headers[k + 1][1].lstrip(" *#%!;>:/").split(delimiter)]
                if delimiter == " " or len(above) != count:
                    above = split_header(headers[k + 1][1], delimiter, count)
            return line, merged_header(above, cells)
    for line, text in headers:
        cells = text.strip(" *#%!;>:/").rstrip(delimiter).split(delimiter) if delimiter != " " else []
        if len(cells) >= 2 and split_header(text, delimiter, len(cells)):
            raise refused(
                f"the header names {len(cells)} columns, the rows hold {max(counts)}",
                line=line,
                got=text.strip(),
                remedy="give every column a name, and every row a cell for each",
            )
    return 0, []


def _refuse_single(row: Row) -> None:
    raise refused(
        "only one column of numbers",
        line=row[0],
        got=row[1].strip(),
        allowed="frequency and level in every row",
        remedy="export frequency and level side by side",
    )


def _read_rows(lines: Sequence[str], table: _Table) -> _Rows:
    layout, delimiter = table.layout, table.dialect.delimiter
    read = number_reader(table.dialect)
    needed = layout.needed
    last = max(needed)
    kinds = ["frequency", *("level" for _ in layout.levels), *("phase" for _ in layout.phases)]
    kinds += ["frequency" for _ in layout.frequency_again]
    numbers: list[list[float]] = []
    places: list[int] = []
    bad: list[int] = []
    empty: list[int] = []
    for number in range(table.start, len(lines) + 1):
        line = lines[number - 1]
        if not line or line.isspace():
            empty.append(number)
            continue
        if is_comment(line):
            continue
        cells = cells_of(line, delimiter)
        row = []
        if len(cells) > last:
            for k, kind in zip(needed, kinds, strict=True):
                value, unit = read(cells[k])
                row.append(_in_unit(value, unit, kind, layout) if unit else value)
        if row and not any(map(isnan, row)):
            numbers.append(row)
            places.append(number)
        elif numbers or is_data_like(line) or all(is_missing(cell) for cell in cells):
            bad.append(number)
    # Blank lines at the end, or above the first row, are nobody's rows.
    empty = [number for number in empty if places and places[0] < number < places[-1]]
    _refuse_unreadable(lines, table, places, bad)
    remarks = []
    if bad:
        remarks.append(f"{counted_rows(len(bad))} without readable numbers dropped ({named_lines(bad)})")
    if empty:
        remarks.append(f"{len(empty)} empty {'row' if len(empty) == 1 else 'rows'} dropped ({named_lines(empty)})")
    if layout.frequency_again:
        for row, place in zip(numbers, places, strict=True):
            if any(abs(value - row[0]) > SAME * abs(row[0]) for value in row[-len(layout.frequency_again) :]):
                raise refused(
                    "two frequency columns differ",
                    line=place,
                    got=lines[place - 1].strip(),
                    remedy="write left and right into files of their own",
                )
        numbers = [row[: -len(layout.frequency_again)] for row in numbers]
    return _Rows(numbers=numbers, places=places, remarks=remarks)


def _in_unit(value: float, unit: str, kind: str, layout: Layout) -> float:
    """A cell's number in the unit of its column; NaN where its own unit is of another kind."""
    if kind == "frequency" and unit in ("hz", "khz", "k"):
        return value * (1.0 if unit == "hz" else 1e3) / IN_HERTZ[layout.frequency_unit]
    if kind == "level" and unit.startswith("db") and set(layout.level_units) == {"dB"}:
        return value
    if kind == "phase" and unit.startswith(("deg", "°", "rad")):
        own = "rad" if unit.startswith("rad") else "deg"
        if own == layout.phase_unit:
            return value
        return value * 180 / pi if own == "rad" else value * pi / 180
    return float("nan")


def _refuse_unreadable(lines: Sequence[str], table: _Table, places: Sequence[int], bad: Sequence[int]) -> None:
    good = len(places)
    if not good:
        line = bad[0] if bad else table.start
        raise refused(
            "no row with a readable frequency and level",
            line=min(line, len(lines)),
            got=lines[min(line, len(lines)) - 1].strip(),
            allowed="numbers for frequency and level in every row",
            remedy="export the response as text",
        )
    if len(bad) > max(FEW, good // 10) or len(bad) >= good:
        raise refused(
            f"mostly unreadable: {len(bad)} of {good + len(bad)} rows without readable numbers, the first here",
            line=bad[0],
            got=lines[bad[0] - 1].strip(),
            allowed=f"up to {FEW} such rows, or one in ten",
            remedy="put these rows right, or mark text as a comment with #",
        )
    if table.preamble > 4 * good + 100:
        raise refused(
            f"mostly text: {number_of(table.preamble, 'line')} above {good} rows of numbers",
            line=places[0],
            got=lines[places[0] - 1].strip(),
            remedy="export the response alone",
        )
