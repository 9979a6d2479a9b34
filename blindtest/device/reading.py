"""Reading a response from any delimited text with frequency, level and optional phase.

What the columns are is taken from the header where there is one, in the rows above them or in a comment; without one
the order frequency, level, phase is assumed (common practice) and said in a remark. What can be read in two ways is
refused with its line, never guessed; every assumption that was made is among the response's remarks.
"""

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from math import isnan, pi
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from ..errors import BlindtestError
from .columns import Column, classified, merged_header, split_header
from .dialect import (
    Dialect,
    Row,
    cells_of,
    delimiter_of,
    is_comment,
    is_data_like,
    is_missing,
    number_reader,
    styles_of,
)
from .lines import lines_of, read_bytes, refused
from .response import Response

__all__ = ["parse_response", "read_response"]

Floats = NDArray[np.float64]

FEWEST_POINTS = 3
HIGHEST_LEVEL_DB = 300.0
LOWEST_FREQUENCY, HIGHEST_FREQUENCY = 1e-3, 1e6
LOWEST_TOP_HZ = 100.0
"""A response that ends below this covers nothing that music has much of; a column in kHz would."""
MOST_COLUMNS = 256
SAMPLE = 4000
HEADER_SEARCH = 300
FEW = 3
"""Rows that may be without numbers in any file; in long ones one in ten."""
SAME = 1e-9
"""Frequencies nearer than this, relative, are one point."""
REFERENCE = {"linear": 1.0, "Pa": 20e-6, "mPa": 20e-3, "µPa": 20.0, "mV": 1e3}
"""What is 0 dB in a linear column: 1, 20 µPa (IEC 61672-1), 1 V."""


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
    frequency = numbers[:, 0] * _FACTOR[layout.frequency_unit]
    place = np.array(rows.places)
    remarks += table.remarks + layout.remarks + rows.remarks
    magnitude = _in_db(numbers[:, 1 : 1 + len(layout.levels)], layout, place)
    phase = numbers[:, 1 + len(layout.levels) :]
    keep, zero = _kept(frequency, magnitude, place)
    remarks += zero
    frequency, magnitude, phase, place = frequency[keep], magnitude[keep], phase[keep], place[keep]
    _refuse_frequencies(frequency, place, layout)
    _refuse_levels(magnitude, place)
    if frequency[0] > frequency[-1]:
        frequency, magnitude, phase, place = frequency[::-1], magnitude[::-1], phase[::-1], place[::-1]
        remarks.append("descending frequencies turned round")
    _refuse_disorder(frequency, place)
    if layout.phase_unit == "deg":
        phase = np.deg2rad(phase)
    frequency, magnitude, phase, repeated = _merged(frequency, magnitude, phase, place)
    remarks += repeated
    if len(frequency) < FEWEST_POINTS:
        raise refused(
            "too few points for a response",
            line=int(place[0]),
            got=len(frequency),
            allowed=f"{FEWEST_POINTS} frequencies or more",
            remedy="export the response with more points",
        )
    return Response(
        frequency=frequency,
        magnitude=magnitude,
        phase=phase if layout.phases else None,
        channels=tuple(side or "both" for side in layout.sides),
        remarks=tuple(remarks),
    )


_GROUPED = re.compile(r"[-+]?\d{1,3}(?:\.\d{3})+\D*")
_FACTOR = {"": 1.0, "Hz": 1.0, "kHz": 1e3, "rad/s": 1 / (2 * pi)}


@dataclass(slots=True, kw_only=True)
class _Layout:
    """Which columns are read, and as what."""

    frequency: int
    levels: list[int]
    sides: list[str]
    phases: list[int] = field(default_factory=list)
    frequency_unit: str = ""
    level_units: list[str] = field(default_factory=list)
    phase_unit: str = "deg"
    frequency_again: list[int] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    @property
    def needed(self) -> list[int]:
        return [self.frequency, *self.levels, *self.phases, *self.frequency_again]


@dataclass(slots=True, kw_only=True)
class _Table:
    dialect: Dialect
    layout: _Layout
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
    sample = _sampled(data)
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
        layout = _by_names([classified(cell) for cell in header], header_line)
        needed = layout.needed
    else:
        if count < 2:
            _refuse_single(data[0])
        data = [row for row in data if row[0] >= first]
        needed = list(range(min(count, 3)))
        layout = None
    if not data:
        raise refused("no rows of numbers below the header", line=header_line, remedy="export the response again")
    dialect, remarks = _style(data, delimiter, needed, layout)
    if layout is None:
        layout = _by_position(_sampled(data), dialect, count)
    text_lines = sum(1 for line in lines[: first - 1] if line.strip() and not is_comment(line))
    return _Table(dialect=dialect, layout=layout, start=first, preamble=text_lines, remarks=remarks)


def _sampled(data: Sequence[Row]) -> Sequence[Row]:
    """Rows at equal distances: enough to tell how a table is written; a row written otherwise is found when read."""
    return data[:: -(-len(data) // SAMPLE)]


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


def _by_names(columns: Sequence[Column], line: int) -> _Layout:
    frequency = [k for k, column in enumerate(columns) if column.role == "frequency"]
    if not frequency:
        over = next(column.name for column in columns if column.role == "time")
        raise refused(
            "this is over time, not over frequency",
            line=line,
            got=over,
            allowed="a frequency column",
            remedy="export the frequency response",
        )
    remarks = []
    levels = _chosen_levels(columns, line)
    if columns[levels[0]].role == "unknown":
        remarks.append(f"column {columns[levels[0]].name!r} taken as the level in dB")
    elif any(not columns[k].unit for k in levels):
        remarks.append("level without a unit in the header: taken as dB")
    units = [columns[k].unit or "dB" for k in levels]
    for unit in dict.fromkeys(units):
        if unit != "dB":
            what = "20 µPa" if unit.endswith("Pa") else "1 V" if unit == "mV" else "1"
            remarks.append(f"{'linear gain' if unit == 'linear' else unit} by the header: turned into dB re {what}")
    sides = [columns[k].side for k in levels]
    phases = _chosen_phases(columns, sides)
    phase_units = {columns[k].unit for k in phases}
    if phases and "" in phase_units:
        remarks.append("phase without a unit in the header: taken as degrees")
    unit = columns[frequency[0]].unit
    if unit == "kHz":
        remarks.append("frequencies in kHz by the header")
    elif unit == "rad/s":
        remarks.append("frequencies in rad/s by the header")
    used = {*frequency, *levels, *phases}
    left_out = [column.name or f"column {k + 1}" for k, column in enumerate(columns) if k not in used]
    if left_out:
        shown = ", ".join(repr(name) for name in left_out[:6]) + (" and more" if len(left_out) > 6 else "")
        remarks.append(f"columns left out: {shown}")
    return _Layout(
        frequency=frequency[0],
        frequency_again=frequency[1:],
        frequency_unit=unit,
        levels=levels,
        level_units=units,
        sides=list(sides),
        phases=phases,
        phase_unit="rad" if phase_units == {"rad"} else "deg",
        remarks=remarks,
    )


def _chosen_levels(columns: Sequence[Column], line: int) -> list[int]:
    """The one level column, or the left and the right one."""
    levels = [k for k, column in enumerate(columns) if column.role == "level"]
    in_db = [k for k in levels if columns[k].unit in ("", "dB")]
    levels = in_db or levels
    if not levels:
        levels = [k for k, column in enumerate(columns) if column.role == "unknown" and column.name]
    sides = {side: [k for k in levels if columns[k].side == side] for side in ("", "left", "right")}
    if len(sides["left"]) == len(sides["right"]) == 1:
        return [sides["left"][0], sides["right"][0]]
    if len(levels) == 1:
        return levels
    named = ", ".join(repr(columns[k].name) for k in levels[:6])
    if not levels:
        raise refused(
            "the header names no level column",
            line=line,
            got=", ".join(column.name for column in columns[:6]),
            allowed="a column named level, magnitude, SPL or gain",
            remedy="name the level column, with its unit",
        )
    raise refused(
        "several columns could be the level",
        line=line,
        got=named,
        allowed="one level column, or one named left and one named right",
        remedy="write one file per curve, or name the columns left and right",
    )


def _chosen_phases(columns: Sequence[Column], sides: Sequence[str]) -> list[int]:
    """The phase of each channel, or none at all."""
    found = [k for k, column in enumerate(columns) if column.role == "phase"]
    if len(sides) == 1:
        own = [k for k in found if columns[k].side in ("", sides[0])]
        return own if len(own) == 1 else []
    pairs = [[k for k in found if columns[k].side == side] for side in sides]
    units = {columns[k].unit for pair in pairs for k in pair}
    return [pair[0] for pair in pairs] if all(len(pair) == 1 for pair in pairs) and len(units) == 1 else []


def _by_position(sample: Sequence[Row], dialect: Dialect, count: int) -> _Layout:
    """Frequency, level and perhaps phase, in this order, where no header names them."""
    read = number_reader(dialect)
    wide = min(count, 4)
    cells = (cells_of(text, dialect.delimiter) for _, text in sample)
    table = np.array([[read(cell)[0] for cell in row[:wide]] for row in cells if len(row) >= wide]).reshape(-1, wide)
    table = table[~np.isnan(table[:, :2]).any(axis=1)]
    first = 1 if wide >= 3 and _is_index(table[:, 0]) and _rises(table[:, 1]) else 0
    line = sample[0][0]
    if len(table) and not first and _is_index(table[:, 0]) and table[-1, 0] < LOWEST_TOP_HZ * 20 and table[0, 0] <= 1:
        raise refused(
            "the first column counts rows and no header names a frequency column",
            line=line,
            got=sample[0][1].strip(),
            allowed="frequency in Hz and level in dB",
            remedy="add the frequencies, or a header if these are frequencies in steps of 1 Hz",
        )
    remarks = ["no header: columns taken as frequency in Hz and level in dB"]
    if first:
        remarks = ["no header: the first column counts rows, the next taken as frequency in Hz and level in dB"]
    phases = []
    if wide > first + 2:
        third, level = table[:, first + 2], table[:, first + 1]
        if _is_second_channel(level, third):
            raise refused(
                "the third column could be the right channel or a phase, and no header says which",
                line=line,
                got=sample[0][1].strip(),
                remedy="add a header such as Frequency (Hz), Left (dB), Right (dB)",
            )
        if len(third) and np.isnan(third).mean() < 0.1:
            phases = [first + 2]
            remarks = [remarks[0].replace(" and level in dB", ", level in dB and phase in degrees")]
        if count > first + 3:
            remarks.append(f"columns left out: {first + 4} to {count}")
    return _Layout(
        frequency=first, levels=[first + 1], level_units=["dB"], sides=[""], phases=phases, remarks=remarks
    )


def _is_index(column: Floats) -> bool:
    steps = np.diff(column)
    return bool(len(column) > 1 and column[0] in (0, 1) and np.all(steps == 1))


def _rises(column: Floats) -> bool:
    return bool(len(column) > 1 and column[-1] > 10 and np.all(column > 0) and np.all(np.diff(column) > 0))


def _is_second_channel(level: Floats, other: Floats) -> bool:
    """Whether two columns look like two measurements of one kind."""
    both = (np.abs(level) <= HIGHEST_LEVEL_DB) & (np.abs(other) <= HIGHEST_LEVEL_DB)
    if both.sum() < FEWEST_POINTS:
        return False
    level, other = level[both], other[both]
    near = float(np.median(np.abs(level - other)))
    if np.ptp(level) < 1e-9 or np.ptp(other) < 1e-9:
        return near < 1
    alike = float(np.corrcoef(level, other)[0, 1])
    return near < 10 and alike > 0.8


def _style(
    data: Sequence[Row], delimiter: str, needed: Sequence[int], layout: _Layout | None
) -> tuple[Dialect, list[str]]:
    """Decimal mark and thousands, by what gives a response where the cells alone allow both."""
    with_commas = any("," in text for _, text in data)
    data = _sampled(data)
    if not with_commas and not _grouped_by_points(data, delimiter, needed):
        return Dialect(delimiter, "."), []
    if delimiter == "," and not any('"' in text for _, text in data):
        return Dialect(delimiter, "."), []
    ways = styles_of(delimiter, _cells(data, delimiter, needed))
    if len(ways) == 1:
        return ways[0], _of_style(ways[0])
    unit = _FACTOR[layout.frequency_unit] if layout else 1.0
    fitting = [way for way in ways if _plausible(data, way, needed, unit)]
    if len(fitting) == 1:
        return fitting[0], _of_style(fitting[0])
    if ways[0].decimal == "." and not ways[0].thousands:
        return ways[0], []
    line, cell = next((line, cell) for line, cell in _cells(data, delimiter, needed) if "," in cell)
    raise refused(
        "the comma could be a decimal mark or stand between thousands",
        line=line,
        got=cell,
        allowed="one decimal mark throughout, nothing between thousands",
        remedy="write decimals with a point, or give the levels another number of decimals than three",
    )


def _grouped_by_points(data: Sequence[Row], delimiter: str, needed: Sequence[int]) -> bool:
    """Whether every point could stand between thousands, as in 1.000."""
    dotted = [cell for _, cell in _cells(data, delimiter, needed) if "." in cell]
    return bool(dotted) and all(_GROUPED.fullmatch(cell) for cell in dotted)


def _of_style(dialect: Dialect) -> list[str]:
    if dialect.thousands:
        mark = "comma" if dialect.thousands == "," else "point"
        return [f"a {mark} stands between thousands, a {'point' if mark == 'comma' else 'comma'} is the decimal mark"]
    return ["commas are decimal marks"] if dialect.decimal == "," else []


def _cells(data: Sequence[Row], delimiter: str, needed: Sequence[int]) -> Iterator[tuple[int, str]]:
    for line, text in data:
        cells = cells_of(text, delimiter)
        for k in needed:
            if k < len(cells):
                yield line, cells[k]


def _plausible(data: Sequence[Row], dialect: Dialect, needed: Sequence[int], unit: float) -> bool:
    """Whether read in this way frequencies go one way and all is within reason."""
    read = number_reader(dialect)
    pairs = []
    for _, text in data:
        cells = cells_of(text, dialect.delimiter)
        if len(cells) > max(needed[:2]):
            pairs.append([read(cells[k])[0] for k in needed[:2]])
    table = np.array(pairs).reshape(-1, 2)
    table = table[~np.isnan(table).any(axis=1)]
    if len(table) < max(2, len(data) / 2):
        return False
    frequency, steps = table[:, 0] * unit, np.diff(table[:, 0])
    return bool(
        np.all(frequency >= 0)
        and (np.all(steps >= 0) or np.all(steps <= 0))
        and np.any(steps != 0)
        and LOWEST_TOP_HZ <= frequency.max() <= HIGHEST_FREQUENCY
        and np.all(np.abs(table[:, 1]) <= HIGHEST_LEVEL_DB)
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
        remarks.append(f"{_rows(len(bad))} without readable numbers dropped ({_named(bad)})")
    if empty:
        remarks.append(f"{len(empty)} empty {'row' if len(empty) == 1 else 'rows'} dropped ({_named(empty)})")
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


def _in_unit(value: float, unit: str, kind: str, layout: _Layout) -> float:
    """A cell's number in the unit of its column; NaN where its own unit is of another kind."""
    if kind == "frequency" and unit in ("hz", "khz", "k"):
        return value * (1.0 if unit == "hz" else 1e3) / _FACTOR[layout.frequency_unit]
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
            f"mostly text: {table.preamble} lines above {good} rows of numbers",
            line=places[0],
            got=lines[places[0] - 1].strip(),
            remedy="export the response alone",
        )


def _in_db(columns: Floats, layout: _Layout, place: NDArray[np.int64]) -> Floats:
    levels = columns.copy()
    for k, unit in enumerate(layout.level_units):
        if unit == "dB":
            continue
        negative = levels[:, k] < 0
        if negative.any():
            raise refused(
                "a linear gain can't be negative",
                line=int(place[np.argmax(negative)]),
                got=float(levels[np.argmax(negative), k]),
                allowed="0 or more",
                remedy="name the column's unit dB in the header if these are decibels",
            )
        with np.errstate(divide="ignore", over="ignore"):
            levels[:, k] = 20 * (np.log10(levels[:, k]) - np.log10(REFERENCE[unit]))
    return levels


def _kept(frequency: Floats, magnitude: Floats, place: NDArray[np.int64]) -> tuple[NDArray[np.bool_], list[str]]:
    """Leave out 0 Hz, which a linear grid begins with, and points with a linear gain of zero."""
    remarks = []
    at_zero = frequency == 0
    if at_zero.sum() == 1:
        remarks.append(f"the row at 0 Hz dropped ({_named(place[at_zero])})")
    elif at_zero.any():
        raise refused(
            "the frequency is zero in several rows",
            line=int(place[at_zero][1]),
            got=0,
            allowed="frequencies above 0 Hz",
            remedy="check which column holds the frequency",
        )
    silent = np.isinf(magnitude).any(axis=1) & ~at_zero
    if silent.any():
        if silent.sum() > max(FEW, len(place) // 10):
            raise refused(
                "the linear gain is zero in many rows",
                line=int(place[silent][0]),
                got=f"{silent.sum()} of {len(place)} rows",
                remedy="export the level in dB",
            )
        remarks.append(f"{_rows(int(silent.sum()))} with a gain of zero dropped ({_named(place[silent])})")
    return ~at_zero & ~silent, remarks


def _refuse_frequencies(frequency: Floats, place: NDArray[np.int64], layout: _Layout) -> None:
    if len(frequency) < FEWEST_POINTS:
        raise refused(
            "too few points for a response",
            line=int(place[0]) if len(place) else None,
            got=len(frequency),
            allowed=f"{FEWEST_POINTS} frequencies or more",
            remedy="export the response with more points",
        )
    for wrong, problem, allowed in (
        (frequency < 0, "a frequency can't be negative", "above 0 Hz"),
        (frequency < LOWEST_FREQUENCY, "the frequency is beyond reason", f"{LOWEST_FREQUENCY} Hz or more"),
        (frequency > HIGHEST_FREQUENCY, "the frequency is beyond reason", f"up to {HIGHEST_FREQUENCY:g} Hz"),
    ):
        if wrong.any():
            raise refused(
                problem,
                line=int(place[np.argmax(wrong)]),
                got=f"{frequency[np.argmax(wrong)]:g} Hz",
                allowed=allowed,
                remedy="check which column holds the frequency, and its unit in the header",
            )
    if np.all(frequency == frequency[0]):
        raise refused(
            "the frequency is the same in every row",
            line=int(place[0]),
            got=f"{frequency[0]:g} Hz",
            allowed="ascending or descending frequencies",
            remedy="check which column holds the frequency",
        )
    if frequency.max() < LOWEST_TOP_HZ:
        hint = "write kHz into the header if these are kHz" if layout.frequency_unit == "" else "check the unit"
        raise refused(
            "the frequencies end too low for a response",
            line=int(place[np.argmax(frequency)]),
            got=f"{frequency.max():g} Hz",
            allowed=f"up to {LOWEST_TOP_HZ:g} Hz at least",
            remedy=hint,
        )


def _refuse_levels(magnitude: Floats, place: NDArray[np.int64]) -> None:
    wrong = np.abs(magnitude).max(axis=1) > HIGHEST_LEVEL_DB
    if wrong.any():
        row = int(np.argmax(wrong))
        raise refused(
            "the level is beyond reason",
            line=int(place[row]),
            got=f"{magnitude[row][np.argmax(np.abs(magnitude[row]))]:g} dB",
            allowed=f"-{HIGHEST_LEVEL_DB:g} to {HIGHEST_LEVEL_DB:g} dB",
            remedy="check which column holds the level; leave the level empty where nothing was measured",
        )


def _refuse_disorder(frequency: Floats, place: NDArray[np.int64]) -> None:
    back = np.diff(frequency) < -SAME * frequency[1:]
    if back.any():
        at = int(np.argmax(back)) + 1
        raise refused(
            "the frequencies go up and down",
            line=int(place[at]),
            got=f"{frequency[at]:g} Hz beside {frequency[at - 1]:g} Hz",
            allowed="ascending or descending, points may repeat",
            remedy="write one file per curve, sort the rows, and put nothing between thousands",
        )


def _merged(
    frequency: Floats, magnitude: Floats, phase: Floats, place: NDArray[np.int64]
) -> tuple[Floats, Floats, Floats, list[str]]:
    """One point for each frequency: mean of the levels in dB, phases as unit vectors."""
    new = np.concatenate([[True], np.diff(frequency) > SAME * frequency[1:]])
    if new.all():
        return frequency, magnitude, phase, []
    starts = np.flatnonzero(new)
    size = np.diff(np.append(starts, len(frequency)))[:, None]
    apart = np.maximum.reduceat(magnitude, starts) - np.minimum.reduceat(magnitude, starts)
    repeated = size[:, 0] > 1
    if repeated.sum() > len(starts) / 2 and np.median(apart[repeated]) > 3:
        first = int(starts[repeated][0]) + 1
        raise refused(
            "most frequencies stand twice, with different levels: two curves in one table",
            line=int(place[first]),
            got=f"levels {np.median(apart[repeated]):.1f} dB apart",
            remedy="write one file per curve",
        )
    turned = np.angle(np.add.reduceat(np.exp(1j * phase), starts)) if phase.shape[1] else phase[starts]
    kept_phase = np.where(size > 1, turned, phase[starts])
    remark = (
        f"{repeated.sum()} repeated {'point' if repeated.sum() == 1 else 'points'} averaged in dB, "
        f"at most {apart.max():.2g} dB apart"
    )
    return frequency[starts], np.add.reduceat(magnitude, starts) / size, kept_phase, [remark]


def _rows(count: int) -> str:
    return f"{count} {'row' if count == 1 else 'rows'}"


def _named(lines: Sequence[int] | NDArray[np.int64]) -> str:
    shown = ", ".join(str(int(line)) for line in lines[:6])
    word = "line" if len(lines) == 1 else "lines"
    return f"{word} {shown}" + (f" and {len(lines) - 6} more" if len(lines) > 6 else "")
