"""Cells of anybody's table: what their text says, or what would have been allowed."""

from datetime import UTC, datetime
from math import isfinite, nan
from typing import Any, Literal

__all__ = ["Kind", "holds_nothing", "is_missing", "read_cell", "read_number"]

Kind = Literal["text", "label", "count", "number", "truth", "right", "time", "value"]
"""Kinds of columns.

"label": a whole number or text; "count": a whole number; "right": how many right answers, or whether the one was;
"value": whatever was answered.
"""

MISSING = frozenset({"", "na", "n/a", "nan", "null", "none", "<na>", "-", "."})
RIGHT = frozenset({"1", "1.0", "true", "t", "yes", "y", "right", "correct"})
WRONG = frozenset({"0", "0.0", "false", "f", "no", "n", "wrong", "incorrect"})


def is_missing(cell: str) -> bool:
    """Return whether a cell says that there is no value."""
    return cell.strip().casefold() in MISSING


def holds_nothing(value: Any) -> bool:
    """Return whether a value of a data frame or a row is none: None, nan, NA, NaT or empty text."""
    if value is None or isinstance(value, float):
        return value is None or value != value
    return type(value).__name__ in ("NAType", "NaTType") or value == ""


def read_cell(cell: str, kind: Kind, *, decimal_comma: bool = False) -> Any:
    """Return what a cell of this kind of column says.

    Raises
    ------
    ValueError
        With what is allowed as its text.
    """
    match kind:
        case "truth":
            if cell.casefold() in RIGHT | WRONG:
                return cell.casefold() in RIGHT
            raise ValueError("0/1, true/false, yes/no, right/wrong, or empty; one row per trial, not counts")
        case "count":
            if _is_whole(cell.removesuffix(".0")):
                return int(cell.removesuffix(".0"))
            raise ValueError("a whole number")
        case "right":
            if cell.casefold() in RIGHT | WRONG:
                return int(cell.casefold() in RIGHT)
            if _is_whole(cell.removesuffix(".0")):
                return int(cell.removesuffix(".0"))
            raise ValueError("a number of right answers, or right/wrong, true/false, 1/0 of a single trial")
        case "label":
            # 007 is a name, and so is what has more digits than a 64-bit number.
            return int(cell) if _is_whole(cell) and (cell == "0" or not cell.startswith("0")) else cell
        case "number":
            return read_number(cell, decimal_comma=decimal_comma)
        case "time":
            return _time(cell)
        case _:
            return cell


def read_number(cell: str, *, decimal_comma: bool = False) -> float:
    """Return a cell's number, or raise ValueError with what is allowed as its text."""
    try:
        number = float(cell.replace(",", ".") if decimal_comma else cell)
    except ValueError:
        number = nan
    if not isfinite(number):
        raise ValueError("a finite number")
    return number


def _time(cell: str) -> datetime:
    try:
        time = datetime.fromisoformat(cell)
        time = time.replace(tzinfo=UTC) if time.tzinfo is None else time.astimezone(UTC)
    except (ValueError, OverflowError):
        time = datetime.min
    if not 1900 <= time.year < 2200:
        raise ValueError("a time as ISO 8601 writes it, 2026-03-02T20:15:00Z")
    return time


def _is_whole(cell: str) -> bool:
    return cell.isascii() and cell.isdecimal() and len(cell) <= 15
