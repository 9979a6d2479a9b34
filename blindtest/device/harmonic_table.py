"""Tables of harmonic distortion: reading them, and what their numbers come to.

A table says, for a sine of some frequency and level, how strong its harmonics are relative to the fundamental that
comes out. Inside the project it is a DataFrame with `frequency_hz`, `level_db`, `order` and `distortion_db` (and
`phase_deg` where it was measured), a row per number. Files may be written like that, or with a column for each order
(H2, H3, ...), in dB or in percent by their headers; what could be either is refused.
"""

import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blindtest.errors import BlindtestError

from .harmonic_sweeps import absolute_unit, names_fundamental, sweep_levels
from .lines import read_bytes, refused
from .named_table import NamedTable, in_radians, named_table

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = [
    "db_to_percent",
    "names_harmonics",
    "names_totals",
    "parse_harmonics",
    "percent_to_db",
    "read_harmonics",
    "total_harmonic_distortion",
]

Floats = NDArray[np.float64]

HIGHEST_ORDER = 20
COLUMNS = ("frequency_hz", "level_db", "order", "distortion_db")
EXPORT = "export a row per frequency and level, with H2, H3, ... in dB or in percent named by the header"

_ORDER = re.compile(
    r"(?<![a-z0-9])(?:h|hd|d|k)[ _]?(\d{1,2})(?![0-9a-z])|(?<!\d)(\d{1,2})(?:nd|rd|th)\b", re.IGNORECASE
)
_SUM = re.compile(r"\bthd\b|total", re.IGNORECASE)
_PERCENT = re.compile(r"%|percent|\bpct\b", re.IGNORECASE)
_DB = re.compile(r"db", re.IGNORECASE)


class _Found(NamedTuple):
    frequency_hz: float
    level_db: float
    order: int
    value: float
    phase: float
    line: int
    name: str


def percent_to_db(percent: ArrayLike) -> Floats:
    """Return distortion in dB re the fundamental, of the shape of `percent`: 0.1 % is -60 dB (an amplitude ratio).

    None at all is -inf.

    Raises
    ------
    ValueError
        A negative one.
    """
    values = np.asarray(percent, dtype=np.float64)
    if np.any(values < 0):
        raise ValueError("distortion in percent can't be negative")
    with np.errstate(divide="ignore"):
        decibels: Floats = 20 * np.log10(values / 100)
    return decibels


def db_to_percent(decibels: ArrayLike) -> Floats:
    """Return distortion in percent of the fundamental, of the shape of `decibels`: -80 dB is 0.01 %."""
    percent: Floats = 100 * 10 ** (np.asarray(decibels, dtype=np.float64) / 20)
    return percent


def total_harmonic_distortion(harmonics_db: ArrayLike) -> float:
    """Return THD in percent: the root of the summed squares of the harmonics (orders,) in dB re the fundamental.

    IEC 60268-3, "total harmonic distortion", relative to the fundamental (from memory): sqrt(sum h_n^2) / h_1.
    """
    return float(np.sqrt(np.sum(db_to_percent(harmonics_db) ** 2)))


def names_harmonics(header: Sequence[str]) -> tuple[str, ...]:
    """Return the names in a header that make it one of harmonics: H2, H3, ..., or an order and its distortion."""
    orders = tuple(cell for cell in header if (found := _ORDER.search(cell)) and int(found[1] or found[2]) >= 2)
    lowered = [cell.casefold().strip() for cell in header]
    if not orders and any(cell in ("order", "harmonic", "n") for cell in lowered):
        orders = tuple(cell for cell in header if cell.casefold().strip().startswith("distortion"))
    return orders


def names_totals(header: Sequence[str]) -> tuple[str, ...]:
    """Return the names in a header that are those of a sum of distortion, of whatever orders."""
    return tuple(cell for cell in header if _SUM.search(cell) and not _ORDER.search(cell))


def read_harmonics(path: str | Path) -> "DataFrame":
    """Return the table of harmonics in a text file, a row per frequency, level and order.

    Returns
    -------
    DataFrame: frequency_hz, level_db (NaN where the file names none), order, distortion_db re the fundamental, and
    phase_deg where it was measured; sorted. `attrs["remarks"]` says what was assumed.

    Raises
    ------
    BlindtestError
        With file and line: unreadable, no orders named, percent and dB mixed up, distortion above the fundamental.
    """
    path = Path(path)
    try:
        return parse_harmonics(read_bytes(path))
    except BlindtestError as error:
        raise BlindtestError(*(fault.in_file(str(path)) for fault in error.faults)) from None


def parse_harmonics(data: bytes) -> "DataFrame":
    """Return the table in the bytes of a text file; see `read_harmonics`. Faults name lines, not the file."""
    import pandas as pd

    text = named_table(data, EXPORT)
    layout = _Layout(text)
    numbers, remarks = text.numbers(layout.needed, layout.hertz)
    place = {column: k for k, column in enumerate(layout.needed)}
    found: list[_Found] = []
    for line, row in numbers:
        level = row[place[layout.level]] if layout.level is not None else float("nan")
        for order_column, column, fixed in layout.values:
            value = row[place[column]]
            order = fixed if order_column is None else _whole_order(row[place[order_column]], line)
            angle = layout.phases.get(order if order_column is None else 0)
            phase = float("nan") if angle is None else row[place[angle]]
            if angle is not None and in_radians(text.header[angle]):
                phase = float(np.rad2deg(phase))
            if not np.isnan(value):
                name = text.header[column]
                found.append(_Found(row[0], level, order, value, phase, line, name))
    if not found:
        raise refused("no number of a harmonic in the table", line=text.line, remedy=EXPORT)
    if layout.absolute(found):
        found = [row._replace(value=row.value - row.level_db) for row in found if not np.isnan(row.level_db)]
        layout.remarks.append("harmonics in levels of their own: that of the fundamental is taken off")
    percent = _in_percent(layout, found)
    named, sweeps = sweep_levels([row.frequency_hz for row in found], [row.level_db for row in found])
    if sweeps:
        levels = ", ".join(f"{level:g}" for level in sweeps)
        layout.remarks.append(
            f"levels that follow the frequency are those of a sweep at one drive: it goes by its level at 1 kHz, "
            f"{levels} dB"
        )
    found = [row._replace(level_db=float(level)) for row, level in zip(found, named, strict=True)]
    table = []
    lines = []
    for frequency, level, order, value, phase, line, name in found:
        decibels = value
        if percent:
            if value < 0:
                raise refused("a percentage can't be negative: percent and dB mixed up", line=line, key=name, got=value)
            if value == 0:
                continue
            decibels = float(percent_to_db(value))
        if decibels >= 0:
            unit = f"{value:g} %" if percent else f"{value:g} dB"
            raise refused(
                "distortion at or above the fundamental",
                line=line,
                key=name,
                got=unit,
                allowed="below 0 dB, 100 %: relative to the fundamental",
                remedy="check the unit, and give the harmonics relative to the fundamental",
            )
        table.append((frequency, level, order, decibels, phase))
        lines.append(line)
    frame = pd.DataFrame(table, columns=[*COLUMNS, "phase_deg"]).astype({"order": int})
    doubled = frame.duplicated(["frequency_hz", "level_db", "order"])
    if doubled.any():
        twice = int(np.argmax(doubled.to_numpy()))
        raise refused(
            "the same frequency, level and order stand in the table twice",
            line=lines[twice],
            got=f"{table[twice][0]:g} Hz, order {table[twice][2]}",
            remedy="name the level of each row in a column level, or write one file per level",
        )
    if frame.phase_deg.isna().all():
        frame = frame.drop(columns="phase_deg")
    frame = frame.sort_values(["level_db", "frequency_hz", "order"], ignore_index=True)
    frame.attrs["remarks"] = (*text.remarks, *remarks, *layout.remarks)
    return frame


class _Layout:
    """Which columns hold what, by the header's names."""

    def __init__(self, text: NamedTable) -> None:
        self.remarks: list[str] = []
        header, line = text.header, text.line
        self.header, self.line = header, line
        self.frequency, self.hertz = text.frequency_column()
        lowered = [cell.casefold().strip() for cell in header]
        phases = {k for k, cell in enumerate(lowered) if "phase" in cell or "deg" in cell}
        self.phases: dict[int, int] = {}
        self.level: int | None = None
        wide: list[tuple[int, int]] = []
        for k, cell in enumerate(lowered):
            if k == self.frequency:
                continue
            match = _ORDER.search(cell)
            if match:
                order = int(match[1] or match[2])
                if k in phases:
                    self.phases[order] = k
                elif order >= 2:
                    wide.append((k, order))
            elif k in phases:
                self.phases[0] = k
        taken = {self.frequency, *self.phases.values(), *(k for k, _ in wide)}
        order_column = next(
            (k for k, cell in enumerate(lowered) if cell in ("order", "harmonic", "n") and k not in taken), None
        )
        values = [k for k, cell in enumerate(lowered) if cell.startswith(("distortion", "value")) and k not in taken]
        self.values: list[tuple[int | None, int, int]]
        if order_column is not None and len(values) == 1:
            self.values = [(order_column, values[0], 0)]
            taken |= {order_column, values[0]}
        elif wide:
            self.values = [(None, k, order) for k, order in sorted(wide, key=lambda pair: pair[1])]
            if len({order for _, order in wide}) < len(wide):
                raise refused("an order stands in two columns", line=line, got=", ".join(header), remedy=EXPORT)
        elif totals := names_totals(header):
            raise refused(
                "a sum over all harmonics (THD) says nothing of single orders, and none is invented",
                line=line,
                got=", ".join(totals),
                allowed="columns H2, H3, ... or order and distortion",
                remedy=f"it can be printed beside a review, but not made audible: {EXPORT}",
            )
        else:
            raise refused(
                "the header names no harmonics",
                line=line,
                got=", ".join(header),
                allowed="columns H2, H3, ... or order and distortion",
                remedy=EXPORT,
            )
        level = [
            k
            for k, cell in enumerate(lowered)
            if k not in taken and ("level" in cell or "spl" in cell or "drive" in cell)
        ]
        level = level or [k for k in range(len(header)) if k not in taken and names_fundamental(header[k])]
        self.level = level[0] if level else None
        taken |= set(level[:1])
        sums = [header[k] for k in range(len(header)) if k not in taken and _SUM.search(lowered[k])]
        left = [header[k] for k in range(len(header)) if k not in taken and header[k] not in sums]
        if sums:
            self.remarks.append(f"left out, since it says nothing of single orders: {', '.join(sums)}")
        if left:
            self.remarks.append(f"columns left out: {', '.join(left)}")
        for order in (order for _, _, order in self.values if order > HIGHEST_ORDER):
            raise refused(f"order {order} is out of range", line=line, allowed=f"2 to {HIGHEST_ORDER}", remedy=EXPORT)

    def absolute(self, found: "Sequence[_Found]") -> bool:
        """Whether the numbers are levels like the fundamental's: by their units, or since all lie above 0 dB."""
        if self.level is None:
            return False
        names = [self.header[column] for _, column, _ in self.values]
        own = absolute_unit(self.header[self.level])
        if own and all(absolute_unit(name) == own for name in names):
            return True
        under = all(0 < row.value < row.level_db for row in found)
        return under and names_fundamental(self.header[self.level]) and all(_DB.search(name) for name in names)

    @property
    def needed(self) -> list[int]:
        """The columns that are read."""
        own = [column for pair in self.values for column in pair[:2] if column is not None]
        return [self.frequency, *([] if self.level is None else [self.level]), *own, *self.phases.values()]


def _whole_order(value: float, line: int) -> int:
    if np.isnan(value) or value != int(value) or not 2 <= value <= HIGHEST_ORDER:
        raise refused(
            "the order must be a whole number", line=line, key="order", got=value, allowed=f"2 to {HIGHEST_ORDER}"
        )
    return int(value)


def _in_percent(layout: _Layout, found: "Sequence[_Found]") -> bool:
    """Whether the numbers are percentages, by their headers; refused where headers or signs contradict each other."""
    names = [layout.header[column] for _, column, _ in layout.values]
    percent = [name for name in names if _PERCENT.search(name)]
    decibel = [name for name in names if _DB.search(name)]
    if percent and decibel:
        raise refused(
            "some columns are in percent and some in dB: percent and dB mixed up",
            line=layout.line,
            got=", ".join(names),
            allowed="one unit for all orders",
            remedy=EXPORT,
        )
    values = np.array([row.value for row in found])
    signs = (values < 0).any(), (values > 0).any()
    if not percent and not decibel:
        if all(signs):
            worst = next(row for row in found if row.value > 0)
            raise refused(
                "negative and positive numbers, and no unit: percent and dB mixed up",
                line=worst.line,
                key=worst.name,
                got=worst.value,
                allowed="dB below 0, or percent",
                remedy="name the unit in the header",
            )
        if signs[1]:
            raise refused(
                "no unit in the header, and these could be percent or dB",
                line=layout.line,
                got=", ".join(names),
                remedy="name the unit in the header: H2 (%) or H2 (dB)",
            )
        layout.remarks.append("distortion without a unit in the header: negative, so taken as dB")
    if decibel and signs[1] and not signs[0]:
        raise refused(
            "all numbers are positive, though the header says dB: percent and dB mixed up",
            line=layout.line,
            got=", ".join(names),
            allowed="dB relative to the fundamental, below 0",
            remedy="name the unit they are in: H2 (%); levels of their own need the fundamental's beside them",
        )
    return bool(percent)


def as_orders(table: Mapping[int, float]) -> dict[int, float]:
    """Return {order: dB} checked: whole orders from 2, dB below the fundamental."""
    for order, decibels in table.items():
        if int(order) != order or not 2 <= order <= HIGHEST_ORDER:
            raise ValueError(f"orders are whole numbers from 2 to {HIGHEST_ORDER}, got {order!r}")
        if not decibels < 0:
            raise ValueError(f"harmonic {order} must lie below the fundamental, got {decibels!r} dB")
    return {int(order): float(decibels) for order, decibels in sorted(table.items())}
