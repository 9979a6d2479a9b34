"""The record as a report tells it: impressions, the order of events, sittings, trials, and the seal.

Times are `datetime` with a zone.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

__all__ = [
    "EventKind",
    "FindingFacts",
    "ImpressionFacts",
    "RecordEvent",
    "SealFacts",
    "SittingFacts",
    "TrialFacts",
]

EventKind = Literal[
    "clip chosen", "impression", "measurement", "graph seen", "seal", "commitment seen elsewhere", "sitting", "other"
]


@dataclass(frozen=True, slots=True, kw_only=True)
class ImpressionFacts:
    """What was said, verbatim, and what was known then; never changed, only followed by another."""

    hash: str
    """Hex; what was printed when it was put on record."""
    quote: str = ""
    """'' where its words were withheld."""
    who: str = ""
    """Pseudonym."""
    unit: str = ""
    serial_suffix: str = ""
    revision: str = ""
    firmware: str = ""
    rig: str = ""
    against: str = ""
    clips: tuple[str, ...] = ()
    when: datetime | None = None
    known: tuple[str, ...] = ()
    """What was known then: price, maker, graph ..."""
    worn: str = ""
    """For how long, in the user's words."""
    files: tuple[tuple[str, str], ...] = ()
    """(measurement file, SHA-256) that lay in the folder at that moment."""
    withheld: bool = False
    """Whether its words were erased at the listener's request; the hash stays."""

    @classmethod
    def of(cls, hash_: str, row: Mapping[str, Any] | None, created: datetime | None = None) -> "ImpressionFacts":
        """Return the facts of an entry of the store: its hash, its row (None once erased), when it was stored."""
        if row is None:
            return cls(hash=hash_, when=created, withheld=True)
        unit = row.get("unit") or {}
        unit = unit if isinstance(unit, Mapping) else {"id": unit}
        files = row.get("files") or {}
        pairs = files.items() if isinstance(files, Mapping) else files
        said = row.get("when")
        return cls(
            hash=hash_,
            quote=str(row.get("quote", "")),
            who=str(row.get("who") or ""),
            unit=str(unit.get("name") or unit.get("id") or ""),
            serial_suffix=str(unit.get("serial_suffix") or ""),
            revision=str(unit.get("revision") or ""),
            firmware=str(unit.get("firmware") or ""),
            rig=str(unit.get("rig") or ""),
            against=str(row.get("against") or ""),
            clips=_texts(row.get("clips")),
            when=datetime.fromisoformat(said) if isinstance(said, str) and said else created,
            known=_texts(row.get("known")),
            worn=str(row.get("worn") or ""),
            files=tuple((str(name), str(digest)) for name, digest in pairs),
        )


def _texts(value: object) -> tuple[str, ...]:
    if isinstance(value, str):
        return (value,) if value else ()
    return tuple(str(one) for one in value) if isinstance(value, Sequence) else ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordEvent:
    """One thing that happened, and when: a moment with a zone, or a day as the user wrote it."""

    kind: EventKind
    what: str
    """In words."""
    when: datetime | str
    """A moment, or a day 'YYYY-MM-DD' where no more is known."""
    hash: str = ""
    by: str = ""
    """Whose clock says so, in words: 'organiser's clock', 'study file' ..."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SittingFacts:
    """One sitting of the register, finished or not, with its seal."""

    number: int
    listener: str
    state: Literal["finished", "abandoned", "open"]
    reason: str = ""
    withdrawn: bool = False
    """Whether its rows were erased at its listener's wish."""
    began: datetime | None = None
    ended: datetime | None = None
    planned: int = 0
    """Counted trials."""
    answered: int = 0
    commitment: str = ""
    nonce: str | None = None
    """None while the plan is sealed."""
    public: str = ""
    """Public string mixed into the seed after the commitment, '' where none."""
    chain_head: str = ""
    phase: str = ""
    """What the sitting was about: 'worn', 'labelled 1 of 2', 'blind 2 of 2'; '' where a study has one kind only."""
    overrides: tuple[str, ...] = ()
    """Recorded exceptions: analysed while open ..."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialFacts:
    """One trial as it happened, truth included."""

    listener: str
    sitting: int
    trial: int
    """As counted by a reader, from 1."""
    attempt: int = 0
    phase: str = "blind"
    clip: str
    slots: tuple[tuple[str, str], ...]
    """(slot, condition), in the order shown: ('A', 'heron'), ('B', 'plover'), ('X', 'heron')."""
    right: str = ""
    """The right answer; '' where no answer is right (preference, rating)."""
    answer: str | None
    """None: unanswered. Of a preference the slot's name, or 'none'."""
    correct: bool | None
    """None where unanswered, or where no answer is right."""
    method: str = "abx"
    block: str = ""
    ratings: tuple[tuple[str, float], ...] = ()
    """(slot, value 0 ... 100) where slots were rated."""
    answered_at: datetime | None = None
    time_taken_s: float | None = None
    switches: int | None = None
    confidence: float | None = None
    """How sure the answer was, 1 to 4; None where that was not asked."""
    remark: str = ""
    """What the listener wrote, where the organiser has it shown."""
    faults: tuple[str, ...] = ()

    @property
    def counted(self) -> bool:
        """Whether an answer enters the analysis."""
        return self.phase not in ("practice", "control")

    @property
    def answered(self) -> bool:
        """Whether an answer was given."""
        return self.answer is not None

    @property
    def chosen(self) -> str:
        """The condition in the slot that was chosen; '' where none was (unanswered, no preference, a rating)."""
        return next((condition for slot, condition in self.slots if slot == self.answer), "")


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingFacts:
    """One thing that verification looked at."""

    ok: bool
    what: str
    detail: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SealFacts:
    """The study's seal and what verification found."""

    study_commitment: str = ""
    study_nonce: str | None = None
    sealed_at: datetime | None = None
    grade: Literal["consistent", "anchored", "witnessed", "broken", "unsealed"] = "consistent"
    published: tuple[str, ...] = ()
    """Where commitments and chain heads were seen elsewhere, in words."""
    stamps: tuple[str, ...] = ()
    """What time stamps of an authority show of them, in words."""
    listener_could_read: bool = True
    """Whether a plan lay where the listener could have read it, and not under a helper's passphrase."""
    of_a_panel: bool = False
    """Whether plans lay on the organiser's machine, which listeners reached through its pages alone."""
    findings: tuple[FindingFacts, ...] = ()
    plans_sealed: int = 0
    """Every plan ever sealed in this folder ..."""
    plans_before: int = 0
    """... and in those it came from."""
