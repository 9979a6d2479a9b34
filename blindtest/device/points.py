"""The points of a response as they were read: within reason, in order, each frequency once."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from .layout import HIGHEST_LEVEL_DB, UNNAMED_UNIT, Layout
from .lines import refused
from .repeated_points import SAME

__all__ = [
    "FEW",
    "counted_rows",
    "doubtful_levels",
    "kept_points",
    "levels_in_db",
    "named_lines",
    "refuse_disorder",
    "refuse_few",
    "refuse_frequencies",
    "refuse_levels",
]

Floats = NDArray[np.float64]
Lines = NDArray[np.int64]

FEWEST_POINTS = 3
LOWEST_FREQUENCY, HIGHEST_FREQUENCY = 1e-3, 1e6
LOWEST_TOP_HZ = 100.0
"""A response that ends below this covers nothing that music has much of; a column in kHz would."""
LARGEST_RATIO = 4.0
"""A response in dB re a frequency of its own goes through 0, and one in dB SPL stands far higher; our rule."""
FEW = 3
"""Rows that may be without numbers in any file; in long ones one in ten."""
REFERENCE = {"linear": 1.0, "V": 1.0, "mV": 1e3, "Pa": 20e-6, "mPa": 20e-3, "µPa": 20.0}
"""What is 0 dB in a linear column: 1, 1 V, 20 µPa (IEC 61672-1)."""


def levels_in_db(columns: Floats, layout: Layout, place: Lines) -> Floats:
    """Return the level columns (points, columns) in dB, linear ones converted by their unit; -inf for a gain of zero.

    Raises
    ------
    BlindtestError
        A negative linear gain, with its line.
    """
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


def doubtful_levels(magnitude: Floats, layout: Layout) -> list[str]:
    """Return a remark where levels without a unit look like ratios: all above 0, and none as large as a level in dB."""
    if UNNAMED_UNIT not in layout.remarks or not np.all((magnitude > 0) & (magnitude <= LARGEST_RATIO)):
        return []
    return [
        f"all levels lie between 0 and {LARGEST_RATIO:g}: name the unit linear in the header if they are no decibels"
    ]


def kept_points(frequency: Floats, magnitude: Floats, place: Lines) -> tuple[NDArray[np.bool_], list[str]]:
    """Leave out 0 Hz, which a linear grid begins with, and points with a linear gain of zero."""
    remarks = []
    at_zero = frequency == 0
    if at_zero.sum() == 1:
        remarks.append(f"the row at 0 Hz dropped ({named_lines(place[at_zero])})")
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
        remarks.append(f"{counted_rows(int(silent.sum()))} with a gain of zero dropped ({named_lines(place[silent])})")
    return ~at_zero & ~silent, remarks


def refuse_few(frequency: Floats, place: Lines) -> None:
    """Refuse less than three points."""
    if len(frequency) < FEWEST_POINTS:
        raise refused(
            "too few points for a response",
            line=int(place[0]) if len(place) else None,
            got=len(frequency),
            allowed=f"{FEWEST_POINTS} frequencies or more",
            remedy="export the response with more points",
        )


def refuse_frequencies(frequency: Floats, place: Lines, layout: Layout) -> None:
    """Refuse frequencies that no response has, with the line of the first."""
    refuse_few(frequency, place)
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


def refuse_levels(magnitude: Floats, place: Lines) -> None:
    """Refuse levels beyond +-300 dB, with the line of the first."""
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


def refuse_disorder(frequency: Floats, place: Lines) -> None:
    """Refuse frequencies that turn back."""
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


def counted_rows(count: int) -> str:
    """Return "1 row", "2 rows"."""
    return f"{count} {'row' if count == 1 else 'rows'}"


def named_lines(lines: Sequence[int] | Lines) -> str:
    """Return "line 5", "lines 5, 8", naming six at most."""
    shown = ", ".join(str(int(line)) for line in lines[:6])
    word = "line" if len(lines) == 1 else "lines"
    return f"{word} {shown}" + (f" and {len(lines) - 6} more" if len(lines) > 6 else "")
