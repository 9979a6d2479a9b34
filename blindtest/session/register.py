"""What stands in the database beside the answers: seals, sittings, impressions, overrides; and what an acknowledgement
says.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from blindtest.design import end_hash
from blindtest.session.event import time_text

__all__ = [
    "WITHHELD",
    "Acknowledged",
    "ImpressionEntry",
    "Override",
    "SealEntry",
    "SealKind",
    "SittingEntry",
    "State",
    "scheduled_in",
]

SealKind = Literal["study", "sitting"]
State = Literal["open", "finished", "abandoned"]

WITHHELD = "withheld"
"""Stands in the register in place of the pseudonym of a listener who asked to be forgotten."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SealEntry:
    """A seal as it may be published: without its nonce."""

    commitment: str
    kind: SealKind
    record: Mapping[str, Any]
    created: datetime
    opened: datetime | None
    """When its nonce was opened."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SittingEntry:
    """A sitting in the register."""

    number: int
    study_seal: str
    commitment: str
    """Of its plan; where its chain begins."""
    listener: str
    state: State
    created: datetime
    deadline: datetime
    ended: datetime | None
    reason: str
    """Why it was abandoned."""
    links: int
    """Length of its chain: rows recorded, withheld ones too."""
    head: str
    """Last hash of its chain; the plan's commitment while it is empty."""
    forgotten: datetime | None
    """When its rows were erased at the listener's request."""
    phase: str = "blind"
    """What the sitting is about, as its plan's record has it under 'scheduled': worn, labelled or blind."""
    name: str = "blind"
    """What it is called: its phase, with 'k of n' where the phase has several sittings."""
    place: int = 0
    """Which of its listener's sittings it is, from 0."""
    beyond_plan: bool = False
    """One more than planned: reported, never counted."""
    helped: bool = False
    """Whether its plan was sealed under a helper's passphrase."""

    @property
    def end(self) -> str | None:
        """What holds how it ended, hex (`design.end_hash`); None while it is open."""
        if self.state == "open" or self.ended is None:
            return None
        return end_hash(self.head, self.state, time_text(self.ended), helped=self.helped)


@dataclass(frozen=True, slots=True, kw_only=True)
class ImpressionEntry:
    """An impression on record."""

    hash: str
    """SHA-256(salt || canonical row), hex: what a claim names and what is posted elsewhere."""
    created: datetime
    row: Mapping[str, Any] | None
    """What was said, by whom, about what; None once it was erased."""
    forgotten: datetime | None
    """When row and salt were erased at the request of who had it."""
    salt: bytes | None = None
    """Hashed together with the row; None once it was erased."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Acknowledged:
    """Rows are stored for good. Handing the same rows in again gets the same acknowledgement."""

    sitting: int
    position: int
    """Of the last of these rows in the chain, from 1."""
    head: str
    """Hash of the chain there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Override:
    """A rule that was set aside on purpose, on record."""

    at: datetime
    what: str
    reason: str


def scheduled_in(record: Mapping[str, Any]) -> dict[str, Any]:
    """Return what a plan's record has of its sitting: phase, name, place, whether it was planned and had a helper."""
    found: dict[str, Any] = {"beyond_plan": bool(record.get("beyond_plan")), "helped": "helper" in record}
    scheduled = record.get("scheduled")
    if isinstance(scheduled, dict):
        found |= {key: str(scheduled[key]) for key in ("phase", "name") if key in scheduled}
        place = scheduled.get("place", 0)
        found["place"] = place if isinstance(place, int) else 0
    return found
