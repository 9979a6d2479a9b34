"""Which columns of a table are read, and as what: by the header's names, or by their order where there is none."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import pi

import numpy as np
from numpy.typing import NDArray

from .columns import Column
from .dialect import Dialect, Row, cells_of, number_reader
from .lines import refused

__all__ = ["IN_HERTZ", "UNNAMED_UNIT", "Layout", "layout_by_names", "layout_by_position"]

Floats = NDArray[np.float64]

IN_HERTZ = {"": 1.0, "Hz": 1.0, "kHz": 1e3, "rad/s": 1 / (2 * pi)}
HIGHEST_LEVEL_DB = 300.0
UNNAMED_UNIT = "level without a unit in the header: taken as dB"
HIGHEST_INDEX = 2000
"""Rows counted up to here could be taken for frequencies; a response in steps of 1 Hz goes further."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Which columns are read (by index, from 0), as what and in which units."""

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
        """The columns that are read, in the order frequency, levels, phases, further frequencies."""
        return [self.frequency, *self.levels, *self.phases, *self.frequency_again]


def layout_by_names(columns: Sequence[Column], line: int) -> Layout:
    """Return the layout that a header on `line` describes, refusing one without a frequency or with several levels."""
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
        remarks.append(UNNAMED_UNIT)
    units = [columns[k].unit or "dB" for k in levels]
    for unit in dict.fromkeys(units):
        if unit != "dB":
            what = "20 µPa" if unit.endswith("Pa") else "1 V" if unit.endswith("V") else "1"
            remarks.append(f"{'linear gain' if unit == 'linear' else unit} by the header: turned into dB re {what}")
    sides = [columns[k].side for k in levels]
    if len(levels) == 1 and columns[levels[0]].symbol:
        sides = [""]
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
    return Layout(
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
            remedy=_instead([column.name for column in columns]),
        )
    raise refused(
        "several columns could be the level",
        line=line,
        got=named,
        allowed="one level column, or one named left and one named right",
        remedy="write one file per curve, or name the columns left and right",
    )


def _instead(header: Sequence[str]) -> str:
    """Return what to do with a table of something else than levels."""
    from .harmonic_table import EXPORT, names_harmonics, names_totals
    from .impedance import names_impedance

    if names_harmonics(header) or names_impedance(header):
        return (
            "this isn't a response: measure the folder of its unit, or name the file in a [[unit]] under harmonics or "
            "impedance; in a response, name the level column, with its unit"
        )
    if names_totals(header):
        return f"a sum of distortion is no response, and no single order follows from it: {EXPORT}"
    return "name the level column, with its unit"


def _chosen_phases(columns: Sequence[Column], sides: Sequence[str]) -> list[int]:
    """The phase of each channel, or none at all."""
    found = [k for k, column in enumerate(columns) if column.role == "phase"]
    if len(sides) == 1:
        own = [k for k in found if columns[k].side in ("", sides[0])]
        return own if len(own) == 1 else []
    pairs = [[k for k in found if columns[k].side == side] for side in sides]
    units = {columns[k].unit for pair in pairs for k in pair}
    return [pair[0] for pair in pairs] if all(len(pair) == 1 for pair in pairs) and len(units) == 1 else []


def layout_by_position(sample: Sequence[Row], dialect: Dialect, count: int) -> Layout:
    """Frequency, level and perhaps phase, in this order, where no header names them."""
    read = number_reader(dialect)
    wide = min(count, 4)
    cells = (cells_of(text, dialect.delimiter) for _, text in sample)
    table = np.array([[read(cell)[0] for cell in row[:wide]] for row in cells if len(row) >= wide]).reshape(-1, wide)
    table = table[~np.isnan(table[:, :2]).any(axis=1)]
    first = 1 if wide >= 3 and _is_index(table[:, 0]) and _rises(table[:, 1]) else 0
    line = sample[0][0]
    if len(table) and not first and _is_index(table[:, 0]) and table[-1, 0] < HIGHEST_INDEX and table[0, 0] <= 1:
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
    return Layout(frequency=first, levels=[first + 1], level_units=["dB"], sides=[""], phases=phases, remarks=remarks)


def _is_index(column: Floats) -> bool:
    steps = np.diff(column)
    return bool(len(column) > 1 and column[0] in (0, 1) and np.all(steps == 1))


def _rises(column: Floats) -> bool:
    return bool(len(column) > 1 and column[-1] > 10 and np.all(column > 0) and np.all(np.diff(column) > 0))


def _is_second_channel(level: Floats, other: Floats) -> bool:
    """Whether two columns look like two measurements of one kind."""
    both = (np.abs(level) <= HIGHEST_LEVEL_DB) & (np.abs(other) <= HIGHEST_LEVEL_DB)
    if both.sum() < 3:
        return False
    level, other = level[both], other[both]
    near = float(np.median(np.abs(level - other)))
    if np.ptp(level) < 1e-9 or np.ptp(other) < 1e-9:
        return near < 1
    alike = float(np.corrcoef(level, other)[0, 1])
    return near < 10 and alike > 0.8
