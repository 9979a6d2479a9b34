"""The match table as rows and as a file; it names conditions, and so it names no file."""

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import fields

from blindtest.audio import MatchRow
from blindtest.errors import BlindtestError, Fault

__all__ = ["TABLE_NAME", "match_row", "number_in", "place_in_table", "table_text"]

TABLE_NAME = "table.csv"

_ROW_COLUMNS = tuple(field.name for field in fields(MatchRow) if field.name not in ("clip", "condition", "measure"))
_UNITS = {
    "heard_before": "heard_before_lufs",
    "heard_after": "heard_after_lufs",
    "file_before": "file_before_lufs",
    "file_after": "file_after_lufs",
    "a_weighted_before": "a_weighted_before_db",
    "a_weighted_after": "a_weighted_after_db",
    "rms_before": "rms_before_db",
    "rms_after": "rms_after_db",
    "gain_db": "gain_db",
    "true_peak_after": "true_peak_after_dbtp",
}


def place_in_table(pair: tuple[str, str]) -> tuple[str, str, float, str]:
    """Return what rows are sorted by, of a clip's and a condition's id: levels of a grid as numbers, 5 before 10."""
    clip, condition = pair
    grid, _, level = condition.partition("@")
    try:
        return clip, grid, float(level or "-inf"), condition
    except ValueError:
        return clip, grid, math.inf, condition


def table_text(table: Sequence[MatchRow]) -> str:
    """Return the match table as CSV, a unit in every column's name; it names no file."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["clip", "condition", "matched_by", *(_UNITS[name] for name in _ROW_COLUMNS)])
    for row in table:
        numbers = [f"{getattr(row, name):.4f}" for name in _ROW_COLUMNS]
        writer.writerow([row.clip, row.condition, row.measure, *numbers])
    return out.getvalue()


def match_row(clip: str, condition: str, measure: str, facts: Mapping[str, object]) -> MatchRow:
    """Return the row of one stimulus from what was measured."""
    numbers = {name: number_in(facts, name) for name in _ROW_COLUMNS}
    return MatchRow(clip=clip, condition=condition, measure=measure, **numbers)


def number_in(facts: Mapping[str, object], name: str) -> float:
    """Return one measured number; BlindtestError where the manifest it came from lacks it."""
    value = facts.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise BlindtestError(
            Fault(
                problem=f"the stimuli's manifest lacks {name}",
                got=value,
                remedy="move manifest.json away and render again: the stimuli are made anew, byte for byte as before",
            )
        )
    return float(value)
