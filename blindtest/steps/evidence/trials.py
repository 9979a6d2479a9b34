"""`trials.csv` of an evidence bundle, and what its columns hold (Frictionless Table Schema)."""

import csv
import io
from collections.abc import Mapping
from typing import Any

from blindtest.methods import CONFIDENCE_LEVELS, METHODS
from blindtest.session import COLUMNS
from blindtest.steps.answers.study import Answers

__all__ = ["COLUMN_WORDS", "trial_rows", "trials_schema", "trials_text"]

COLUMN_WORDS: dict[str, tuple[str, str, str]] = {
    "study": ("string", "Id of the study: begins the commitment of its seal.", ""),
    "listener": ("string", "Pseudonym of who answered.", ""),
    "sitting": ("integer", "Number of the sitting in the register, from 1.", ""),
    "trial": ("integer", "Number of the trial in its sitting, from 0.", ""),
    "attempt": ("integer", "Number of the attempt, from 1: a trial that a fault spoilt is offered again.", ""),
    "slot": ("string", "What was answered for: the name of a rated slot, 'set', or 'choice'.", ""),
    "block": ("string", "Id of the block of the protocol.", ""),
    "block_trial": ("integer", "Number of the trial in its block, from 0.", ""),
    "phase": (
        "string",
        "practice, worn, labelled, unreliable, blind, or control (a trial whose truth is obvious).",
        "",
    ),
    "method": ("string", "Test method.", ""),
    "kind": ("string", "Kind of answer: choose, rate or adjust.", ""),
    "clip": ("string", "Id of the clip that was heard.", ""),
    "conditions": ("string", "Ids of the conditions that the block compares, with | between.", ""),
    "order": ("string", "The truth: which condition stood at which slot, slot=condition with | between.", ""),
    "condition": ("string", "What sounded in the rated slot.", ""),
    "label": ("string", "Condition whose name stood at the slot, where names may have been wrong.", ""),
    "response": (
        "any",
        "The answer: a slot's name, points, or a setting; missing where none was chosen.",
        "",
    ),
    "correct": ("boolean", "Whether the answer was right; missing where there is no right one.", ""),
    "confidence": ("integer", "How sure the listener was, where asked: 1 a guess ... 4 certain.", ""),
    "shown_at": ("datetime", "When the sounds of this attempt were there to be heard, UTC.", ""),
    "answered_at": ("datetime", "When the answer was confirmed, UTC.", ""),
    "time_taken_s": ("number", "From one to the other.", "s"),
    "switches": ("integer", "How often the listener switched between slots in this attempt.", ""),
    "faults": ("string", "Faults of playback that were reported in this trial, with | between.", ""),
}
"""By column: its type in the table schema, what it holds, and its unit ('' for none, '1' for a share)."""

_PHASES = ["practice", "worn", "labelled", "unreliable", "blind", "control"]
_MAY_LACK = {"condition", "label", "response", "correct", "confidence", "faults"}
_FROM = {"sitting": 1, "trial": 0, "attempt": 1, "block_trial": 0, "switches": 0, "time_taken_s": 0}


def trial_rows(answers: Answers) -> list[Mapping[str, Any]]:
    """Return the rows of the trial table: of every sitting under the seal that has ended, as they were recorded."""
    return [row for one in answers.sittings if one.entry.state != "open" for row in one.rows]


def trials_text(answers: Answers) -> bytes:
    """Return the trial table as CSV (RFC 4180 with line feeds): UTF-8, true and false, nothing where missing."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in trial_rows(answers):
        writer.writerow([_cell(row.get(column)) for column in COLUMNS])
    return out.getvalue().encode()


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    text = str(value)
    return text.removesuffix("+00:00") + "Z" if text.endswith("+00:00") else text


def trials_schema() -> dict[str, Any]:
    """Return the table schema of `trials.csv`."""
    return {
        "$schema": "https://datapackage.org/profiles/2.0/tableschema.json",
        "fields": [_field(name) for name in COLUMNS],
        "missingValues": [""],
        "primaryKey": ["sitting", "trial", "attempt", "slot"],
    }


def _field(name: str) -> dict[str, Any]:
    kind, words, unit = COLUMN_WORDS[name]
    constraints: dict[str, Any] = {} if name in _MAY_LACK else {"required": True}
    if name in _FROM:
        constraints["minimum"] = _FROM[name]
    if name == "phase":
        constraints["enum"] = _PHASES
    if name == "method":
        constraints["enum"] = sorted(METHODS)
    if name == "kind":
        constraints["enum"] = ["choose", "rate", "adjust"]
    if name == "confidence":
        constraints |= {"minimum": CONFIDENCE_LEVELS[0][0], "maximum": CONFIDENCE_LEVELS[-1][0]}
    field: dict[str, Any] = {"name": name, "type": kind, "title": name.replace("_", " "), "description": words}
    if kind == "boolean":
        field |= {"trueValues": ["true"], "falseValues": ["false"]}
    if unit:
        field["unit"] = unit
    if constraints:
        field["constraints"] = constraints
    return field
