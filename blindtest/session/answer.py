"""Answers: a confirmed answer with all that belongs to it, and its rows in the trial table."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from blindtest.methods import Drawn, Outcome, Value
from blindtest.session.event import time_text

__all__ = ["COLUMNS", "Answer", "rows_of"]

COLUMNS = (
    "study", "listener", "sitting", "trial", "attempt", "slot", "block", "block_trial", "phase", "method", "kind",
    "clip", "conditions", "order", "condition", "label", "response", "correct", "confidence", "shown_at", "answered_at",
    "time_taken_s", "switches", "faults",
)  # fmt: skip
"""Keys of a row, in the order of the trial table; `trial` and `block_trial` count from 0, `attempt` from 1.
`label` stands only in rows of trials whose names may be wrong."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """A confirmed answer with everything that belongs to it, truth included. Stays on the server."""

    study: str
    listener: str
    """Pseudonym."""
    sitting: int
    trial: int
    attempt: int
    block: str
    block_trial: int
    phase: str
    method: str
    kind: str
    """Kind of answer: choose, rate, adjust."""
    clip: str
    conditions: tuple[str, ...]
    """What the block compares, in the order of its question's options."""
    drawn: Drawn
    values: Mapping[str, Value]
    correct: bool | None
    confidence: float | None
    shown_at: datetime
    """When the sounds of this attempt were there to be heard, or a trial without sound came up."""
    answered_at: datetime
    time_taken_s: float
    switches: int
    """How often the listener switched in this attempt, also from a slot to itself, after the first slot."""
    faults: tuple[str, ...]
    """Faults reported in this trial, those of earlier attempts too."""
    labels: Mapping[str, str] = field(default_factory=dict)
    """Where names may be wrong: the condition whose name stood at each slot; else empty."""

    @property
    def outcome(self) -> Outcome:
        """What adaptive methods draw from."""
        return Outcome(drawn=self.drawn, answer=self.values, correct=self.correct)


def rows_of(answer: Answer) -> tuple[dict[str, Any], ...]:
    """Return the answer's rows, one per value, keyed (sitting, trial, attempt, slot); canonical JSON can hold them.

    `slot` is the name of the value: that of a rated slot, or 'choice'. Lists are joined by '|': `conditions` is
    'heron|plover', `order` 'A=heron|B=plover|X=heron'. `condition` is what sounded in the rated slot, else None;
    `label` the condition whose name stood there, where names may be wrong.
    """
    truth = {slot.name: slot.condition for slot in answer.drawn.slots}
    common = {
        "study": answer.study,
        "listener": answer.listener,
        "sitting": answer.sitting,
        "trial": answer.trial,
        "attempt": answer.attempt,
        "block": answer.block,
        "block_trial": answer.block_trial,
        "phase": answer.phase,
        "method": answer.method,
        "kind": answer.kind,
        "clip": answer.clip,
        "conditions": "|".join(answer.conditions),
        "order": "|".join(f"{name}={condition}" for name, condition in truth.items()),
        "correct": answer.correct,
        "confidence": answer.confidence,
        "shown_at": time_text(answer.shown_at),
        "answered_at": time_text(answer.answered_at),
        "time_taken_s": answer.time_taken_s,
        "switches": answer.switches,
        "faults": "|".join(answer.faults),
    }
    rows = ({**common, "slot": key, "condition": truth.get(key), "response": v} for key, v in answer.values.items())
    named = ({**row, "label": answer.labels.get(str(row["slot"]))} for row in rows)
    # Rows without names stay as they always were: their hashes are chained.
    columns = [column for column in COLUMNS if column != "label" or answer.labels]
    return tuple({column: row[column] for column in columns} for row in named)
