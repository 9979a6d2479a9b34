"""Anchoring in time: requests for time stamps in `anchors/` of a study or bundle, and what the replies there show.

`<commitment>.tsq` is a request, `<commitment>.tsr` the authority's reply, saved beside it by hand; `*.pem` hold the
certificates of authorities whose word is taken. Nothing here opens a connection.
"""

import os
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from blindtest.errors import BlindtestError, Fault, Missing
from blindtest.steps.time_stamp import (
    Certificates,
    NotStamped,
    Stamped,
    UnknownAuthority,
    checked_reply,
    stamp_request,
    trusted_from,
)

if TYPE_CHECKING:
    from blindtest.session.record import Record
    from blindtest.session.register import SittingEntry

__all__ = [
    "ANCHORS",
    "NO_STAMPS",
    "Anchoring",
    "Stamp",
    "StampLine",
    "StampState",
    "anchoring",
    "stamps",
    "write_requests",
]

ANCHORS = "anchors"
"""Name of the folder."""
LARGEST = 1 << 20
"""Bytes of a file that are read; a reply with certificates has a few thousand."""
RESOLUTION_S = 1.0
"""Stamps are read to the second that they lie in."""

StampState = Literal["holds", "fails", "unvouched", "unchecked"]
_COMMITMENT = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamp:
    """A reply in the folder, or a file there that can't be used."""

    file: str
    commitment: str
    """What it stamps; '' where the file says none."""
    state: StampState
    """unvouched: no certificate at hand vouches for who signed it; unchecked: the library isn't there."""
    stamped: Stamped | None = None
    problem: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        told = self.stamped
        return {
            "file": self.file,
            "commitment": self.commitment,
            "state": self.state,
            "problem": self.problem,
            "at": told.at.isoformat() if told else None,
            "accuracy_s": told.accuracy_s if told else None,
            "authority": told.authority if told else None,
            "root_sha256": told.root if told else None,
        }


def write_requests(folder: Path, commitments: Iterable[str]) -> tuple[Path, ...]:
    """Write a request for each commitment that has none yet; return the new ones.

    Raises
    ------
    Missing
        The library isn't there.
    BlindtestError
        The folder can't be written.
    """
    written = []
    for commitment in dict.fromkeys(commitments):
        place = folder / f"{commitment}.tsq"
        if place.exists() or place.with_suffix(".tsr").exists():
            continue
        request = stamp_request(commitment)
        draft = place.with_name(f".{place.name}.draft")
        try:
            folder.mkdir(exist_ok=True)
            draft.write_bytes(request)
            os.replace(draft, place)
        except OSError as error:
            raise BlindtestError(
                Fault(problem=f"the time-stamp request can't be written: {error.strerror}", file=str(place))
            ) from error
        written.append(place)
    return tuple(written)


def stamps(folder: Path, *, authorities: Sequence[Path] = ()) -> tuple[Stamp, ...]:
    """Return what the replies in `folder` stamp, in the order of their names; () where there is no such folder.

    Parameters
    ----------
    authorities : PEM files whose roots alone are taken; those in `folder` else, which whoever made it put there

    Raises
    ------
    BlindtestError
        A file of `authorities` can't be read.
    """
    found: list[Stamp] = []
    replies = sorted(path for path in folder.glob("*.tsr") if not path.name.startswith("."))
    if not replies:
        return ()
    trusted, problems = _trusted(sorted(folder.glob("*.pem")))
    found += problems
    if authorities:
        given, faulty = _trusted(authorities)
        if faulty:
            raise BlindtestError(*(Fault(problem=one.problem, file=one.file, key="--authority") for one in faulty))
        trusted = Certificates(roots=given.roots, others=given.others + trusted.others)
    return (*found, *(_stamp(path, trusted) for path in replies))


def _trusted(paths: Sequence[Path]) -> tuple[Certificates, list[Stamp]]:
    trusted, problems = Certificates(), []
    for path in paths:
        try:
            trusted += trusted_from(_bytes(path))
        except (OSError, ValueError) as error:
            problem = error.strerror if isinstance(error, OSError) else str(error)
            problems.append(Stamp(file=str(path), commitment="", state="fails", problem=problem or "can't be read"))
    return trusted, problems


def _bytes(path: Path) -> bytes:
    if not path.is_file():
        raise ValueError("is no file")
    with path.open("rb") as file:
        content = file.read(LARGEST + 1)
    if len(content) > LARGEST:
        raise ValueError(f"is larger than {LARGEST} bytes")
    return content


def _stamp(path: Path, trusted: Certificates) -> Stamp:
    commitment = path.stem if _COMMITMENT.fullmatch(path.stem) else ""
    state: StampState = "fails"
    stamped, problem = None, ""
    beside = path.with_suffix(".tsq")
    try:
        if not commitment:
            raise NotStamped("its name is no commitment: save a reply under the name of its request, ending in .tsr")
        request = _bytes(beside) if beside.exists() else None
        stamped = checked_reply(_bytes(path), commitment, request=request, trusted=trusted)
        state = "holds"
    except Missing as error:
        state, problem = "unchecked", str(error)
    except UnknownAuthority as error:
        state, problem = "unvouched", str(error)
    except (OSError, ValueError) as error:
        problem = (error.strerror if isinstance(error, OSError) else str(error)) or "can't be read"
    return Stamp(file=str(path), commitment=commitment, state=state, stamped=stamped, problem=problem)


@dataclass(frozen=True, slots=True, kw_only=True)
class StampLine:
    """What one stamp shows of a record."""

    ok: bool | None
    """None: nothing is wrong, and nothing shown."""
    what: str
    detail: str = ""

    def text(self) -> str:
        """Return it in a line."""
        verb = {True: "holds", False: "FAILS", None: "note"}[self.ok]
        return f"{verb}: {self.what}" + (f": {self.detail}" if self.detail else "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Anchoring:
    """What the time stamps show of a record."""

    lines: tuple[StampLine, ...] = ()
    before: frozenset[str] = frozenset()
    """Study seals and plans that stood before the first answer."""
    after: frozenset[str] = frozenset()
    """Last hashes of answers, and of how sittings ended, that stood after the last one."""

    @property
    def shown(self) -> tuple[str, ...]:
        """What holds, a line each."""
        return tuple(line.what for line in self.lines if line.ok)


NO_STAMPS = Anchoring()
"""What no time stamps show."""


def anchoring(record: "Record", found: Sequence[Stamp]) -> Anchoring:
    """Return what stamps show of a record: which of its commitments existed before the first answer, or after the last.

    A stamp counts as earlier than the first answer when the latest that it can be, by the authority's time and what
    that may be off by, is no later than the answer's time on the clock of the computer that recorded it.
    """
    sittings = [(entry, *_answered(record, entry)) for entry in record.sittings()]
    seals = {entry.commitment for entry in record.seals() if entry.kind == "study"}
    lines = []
    shown: dict[str, set[str]] = {"before": set(), "after": set(), "ahead": set()}
    for stamp in found:
        shows, line = _shown(stamp, seals, sittings)
        lines.append(line)
        if shows:
            shown[shows].add(stamp.commitment)
    # Where a clock ran ahead, that a stamp is earlier than an answer by that clock shows nothing.
    before = shown["before"] - {entry.commitment for entry, *_ in sittings if {entry.head, entry.end} & shown["ahead"]}
    # No result rests on what was withdrawn; and a plan's record names the study seal that it stands under, so that what
    # holds of all its plans holds of the seal.
    before |= {entry.commitment for entry, *_ in sittings if entry.forgotten is not None}
    for seal in seals:
        under = [entry.commitment for entry, *_ in sittings if entry.study_seal == seal and _counts(entry)]
        if under and before.issuperset(under):
            before.add(seal)
    return Anchoring(lines=(*lines, *_roots(found)), before=frozenset(before), after=frozenset(shown["after"]))


def _shown(
    stamp: Stamp, seals: set[str], sittings: "Sequence[_Sitting]"
) -> tuple[Literal["before", "after", "ahead"] | None, StampLine]:
    """Return what one stamp shows: that something stood before the first answer or after the last, or a fast clock."""
    if stamp.stamped is None:
        return None, _unusable(stamp)
    if stamp.commitment in seals:
        early, line = _on_seal(stamp, stamp.stamped, sittings)
        return "before" if early else None, line
    for entry, first, last in sittings:
        if stamp.commitment == entry.commitment:
            early, line = _early(
                f"the plan of sitting {entry.number}", stamp.stamped, first, its="its", unanswered=not entry.links
            )
            return "before" if early else None, line
        if stamp.commitment in (entry.head, entry.end) and entry.state != "open":
            told = "the answers" if stamp.commitment == entry.head else "answers and end"
            late, line = _late(f"{told} of sitting {entry.number}", stamp.stamped, last)
            return "after" if late else "ahead", line
    return None, StampLine(
        ok=False,
        what=f"time stamp on {stamp.commitment[:16]}... stands on something in the record",
        detail="a tail may have been cut off, or another plan put in",
    )


_Sitting = tuple["SittingEntry", datetime | None, datetime | None]


def _counts(entry: "SittingEntry") -> bool:
    return entry.state != "open" and bool(entry.links)


def _answered(record: "Record", entry: "SittingEntry") -> tuple[datetime | None, datetime | None]:
    """Return the times of the first and the last answer, where all can be read."""
    try:
        rows = record.rows(entry.number) if entry.links and not record.locked(entry.commitment) else ()
    except BlindtestError:
        # A row that was made unreadable: that is for verification to say, not to stop at.
        return None, None
    times = sorted(datetime.fromisoformat(row["answered_at"]) for row in rows)
    return (times[0], times[-1]) if times and len(rows) == entry.links else (None, None)


def _on_seal(stamp: Stamp, stamped: Stamped, sittings: "Sequence[_Sitting]") -> tuple[bool, StampLine]:
    under = [(entry, first) for entry, first, _ in sittings if entry.study_seal == stamp.commitment and entry.links]
    known = [first for entry, first in under if first is not None or entry.forgotten is None]
    first = None if None in known else min((one for one in known if one is not None), default=None)
    name = f"the study seal {stamp.commitment[:16]}..."
    return _early(name, stamped, first, its="the", unanswered=not known)


def _early(
    name: str, stamped: Stamped, first: datetime | None, *, its: str, unanswered: bool = False
) -> tuple[bool, StampLine]:
    told = f"time stamp on {name} is of {_time(stamped)}"
    if unanswered:
        return True, StampLine(ok=True, what=f"{told}: nobody has answered yet")
    if first is None:
        return False, StampLine(ok=None, what=told, detail=f"when {its} first answer was given can't be read")
    answered = f"{its} first answer, given at {_moment(first)} by the recording computer's clock"
    if _latest(stamped) <= first:
        return True, StampLine(ok=True, what=f"{told}, before {answered}", detail=f"signed by {stamped.authority}")
    return False, StampLine(ok=None, what=f"{told}, not before {answered}", detail="it doesn't show what was planned")


def _late(name: str, stamped: Stamped, last: datetime | None) -> tuple[bool, StampLine]:
    told = f"time stamp on {name} is of {_time(stamped)}"
    # The head can't exist before the last answer. A stamp that is earlier shows a clock that ran ahead: then times of
    # answers are too late, and a plan may seem to have been stamped before the first one.
    ahead = 0.0 if last is None else (last - _latest(stamped)).total_seconds()
    if ahead > 0:
        return False, StampLine(
            ok=None,
            what=f"{told}, earlier than its last answer by the recording computer's clock",
            detail=f"that clock was ahead by {ahead:.0f} s or more: what it says of first answers is no proof",
        )
    return True, StampLine(ok=True, what=f"{told}: nothing in them was changed since", detail=f"by {stamped.authority}")


def _unusable(stamp: Stamp) -> StampLine:
    name = f"{ANCHORS}/{Path(stamp.file).name}"
    if stamp.state == "fails":
        return StampLine(ok=False, what=f"{name} is a time stamp of that commitment", detail=stamp.problem)
    return StampLine(ok=None, what=f"{name} was not checked", detail=stamp.problem)


def _roots(found: Sequence[Stamp]) -> list[StampLine]:
    """Return a line for each certificate that stamps rest on: whoever doubts compares it with what its owner says."""
    roots = dict.fromkeys(stamp.stamped.root for stamp in found if stamp.stamped)
    return [
        StampLine(ok=None, what=f"time stamps rest on the certificate with SHA-256 {root}", detail=_COMPARE)
        for root in roots
    ]


_COMPARE = "compare it with the one that the authority publishes"


def _latest(stamped: Stamped) -> datetime:
    return stamped.at + timedelta(seconds=RESOLUTION_S + (stamped.accuracy_s or 0.0))


def _time(stamped: Stamped) -> str:
    within = "" if stamped.accuracy_s is None else f" within {stamped.accuracy_s:g} s"
    return _moment(stamped.at) + within


def _moment(at: datetime) -> str:
    return f"{at.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC"
