"""Anybody's check of what a study folder has recorded: seals, plans drawn again, chains, answers, results."""

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from blindtest.design import Grade, grade, plan_from_record, verify_chain
from blindtest.errors import BlindtestError, Fault
from blindtest.nouns import number_of
from blindtest.session import restored
from blindtest.steps.anchors import ANCHORS, NO_STAMPS, Anchoring, Stamp, anchoring, stamps
from blindtest.steps.earlier import earlier_lacking
from blindtest.steps.place import Entropy
from blindtest.steps.prepared_sitting import study_id
from blindtest.steps.reading_only import open_to_read
from blindtest.steps.stopping_rules import rule_fault
from blindtest.study import load_study

if TYPE_CHECKING:
    from blindtest.session.record import Record
    from blindtest.session.register import SittingEntry

__all__ = ["Finding", "Verified", "hashes_in_text", "in_one_line", "verify", "verify_store"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing that was compared."""

    ok: bool
    what: str
    detail: str = ""

    def text(self) -> str:
        """Return it in a line."""
        return in_one_line(
            f"{'holds' if self.ok else 'FAILS'}: {self.what}" + (f": {self.detail}" if self.detail else "")
        )


LONGEST_LINE = 2000


def in_one_line(text: str) -> str:
    """Return a text in which names of a stranger's may stand, so that none of them ends the line or steers a terminal.

    Else a key of a forged file could say that all holds, below the line that says it fails.
    """
    plain = "".join(letter if letter.isprintable() else "?" for letter in " ".join(text.split()))
    return plain if len(plain) <= LONGEST_LINE else f"{plain[:LONGEST_LINE]}..."


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """What `blindtest verify` found."""

    findings: tuple[Finding, ...]
    grade: Grade
    published: tuple[str, ...]
    """Hashes seen elsewhere that were found in the record."""
    stamps: tuple[Stamp, ...] = ()
    """Time stamps found in anchors/."""
    anchored: Anchoring = NO_STAMPS
    """What they show."""
    ends_unseen: tuple[int, ...] = ()
    """Sittings that are over, and of whose end no hash was seen elsewhere."""
    unread: tuple[int, ...] = ()
    """Sittings that are over, and whose plan and answers lie under a passphrase that was not given."""

    @property
    def ok(self) -> bool:
        """Whether everything holds."""
        return all(finding.ok for finding in self.findings)

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "ok": self.ok,
            "grade": self.grade,
            "published_found": list(self.published),
            "findings": [{"ok": f.ok, "what": f.what, "detail": f.detail} for f in self.findings],
            "stamps": [stamp.to_dict() for stamp in self.stamps],
            "ends_unseen": list(self.ends_unseen),
            "unread": list(self.unread),
        }

    def text(self) -> str:
        """Return a line for each thing compared, and what it proves."""
        notes = [in_one_line(line.text()) for line in self.anchored.lines if line.ok is None]
        # A part that was seen is told above: to say that nothing was would contradict it.
        in_part = self.grade == "consistent" and bool(self.published or self.anchored.shown)
        meaning = [_IN_PART if in_part else _MEANING[self.grade], *(self.unheld() if self.grade == "anchored" else ())]
        return "\n".join([*(finding.text() for finding in self.findings), *notes, "", *meaning])

    def unheld(self, by: str = "") -> list[str]:
        """Return what an anchored record does not hold, a line each.

        by : what else would speak for it
        """
        lines = []
        if self.unread:
            lines.append(
                f"What nobody can read yet: plan and answers of {_sittings(self.unread)}, which are said to lie under "
                "a helper's passphrase."
            )
        if self.ends_unseen:
            lines.append(
                f"What no hash seen elsewhere holds: how {_sittings(self.ends_unseen)} ended (finished or abandoned), "
                f"and when.{by}"
            )
        return lines


def _sittings(numbers: Sequence[int]) -> str:
    """Return sittings by their numbers; many by their count."""
    if len(numbers) > _NUMBERED:
        return f"{len(numbers)} sittings"
    return f"sitting{'s' if len(numbers) > 1 else ''} {', '.join(map(str, numbers))}"


_NUMBERED = 8
_IN_PART = (
    "Grade: consistent. Plans, answers and chain fit together, and a part of them was seen elsewhere, as said above; "
    "but not every plan before the first answer of its sitting, and the last hash of its answers after: where one is "
    "missing, the owner of this machine could have made the rest afterwards. What no check can tell: whether the "
    "listener knew the plan, and whether another record was kept back."
)
_MEANING = {
    "broken": "Grade: broken. What is recorded is not what was sealed or answered.",
    "consistent": (
        "Grade: consistent. Plans, answers and chain fit together. The owner of this machine could have made them all "
        "afterwards: nothing was seen elsewhere before the first trial and after the last. What no check can tell: "
        "whether the listener knew the plan, and whether another record was kept back."
    ),
    "anchored": (
        "Grade: anchored. The commitments were seen elsewhere before, and the last hash of the answers after: neither "
        "plan nor answers were changed in between. What no check can tell: whether the listener knew the plan, and "
        "whether another record was kept back."
    ),
}


def verify(
    folder: Path, *, published: Sequence[str] = (), authorities: Sequence[Path] = (), entropy: Entropy = os.urandom
) -> Verified:
    """Check everything recorded in the study `folder`.

    Parameters
    ----------
    published : commitments and heads seen elsewhere, or the lines that hold them
    authorities : certificates (PEM) of the time-stamp authorities that are trusted; those in anchors/ else

    Raises
    ------
    BlindtestError
        There is no record, or a published hash is not one.
    """
    study = load_study(folder)
    with open_to_read(study, entropy=entropy) as store:
        return verify_store(store, published=published, stamped=stamps(study.folder / ANCHORS, authorities=authorities))


def verify_store(store: "Record", *, published: Sequence[str] = (), stamped: Sequence[Stamp] = ()) -> Verified:
    """Check everything an open database has recorded, and what time stamps on it show."""
    wanted = list(dict.fromkeys(one for text in published for one in hashes_in_text(text)))
    findings = [*_database(store), *_seals(store)]
    entries = store.sittings()
    for entry in entries:
        findings += _sitting(store, entry)
    findings.append(_register(entries))
    findings += [
        Finding(
            ok=not lacking,
            what=f"study seal {commitment[:16]}...: the {count} earlier records that it names are there",
            detail=", ".join(lacking[:5]),
        )
        for commitment, count, lacking in earlier_lacking(store)
    ]
    heads = {entry.head for entry in entries if entry.state != "open" and entry.links}
    plans = {entry.commitment for entry in entries}
    seals = {seal.commitment for seal in store.seals() if seal.kind == "study"}
    ends = {entry.end for entry in entries if entry.end is not None}
    known = heads | plans | seals | ends
    for one in wanted:
        findings.append(
            Finding(
                ok=one in known,
                what=f"published hash {one[:16]}... stands in the record",
                detail="" if one in known else "a tail may have been cut off, or another plan put in",
            )
        )
    intact = all(finding.ok for finding in findings)
    # A reply that doesn't hold is said, and shows nothing; it doesn't make the record another.
    anchored = anchoring(store, stamped)
    findings += [Finding(ok=one.ok, what=one.what, detail=one.detail) for one in anchored.lines if one.ok is not None]
    early, late = anchored.before | set(wanted), anchored.after | set(wanted)
    ended = [entry for entry in entries if entry.state != "open" and entry.links]
    under = {entry.study_seal for entry in ended}
    # Whatever record is given with a seal that nobody can open, the commitment would be the one that was seen.
    shut = any(store.locked(commitment) for commitment in under)
    before = bool(ended) and all(entry.commitment in early for entry in ended) and under <= early and not shut
    # How a sitting ended is made of its last hash: who has seen the one has seen the other.
    after = bool(ended) and all(late & {entry.head, entry.end} for entry in ended)
    return Verified(
        findings=tuple(findings),
        grade=grade(intact=intact, before=before, after=after),
        published=tuple(one for one in wanted if one in known),
        stamps=tuple(stamped),
        anchored=anchored,
        ends_unseen=tuple(entry.number for entry in entries if entry.state != "open" and entry.end not in late),
        unread=tuple(entry.number for entry in entries if entry.state != "open" and store.locked(entry.commitment)),
    )


def hashes_in_text(text: str) -> list[str]:
    """Return the hashes in what was published: a hash alone, or a line that holds several."""
    found = re.findall(r"(?<![0-9a-fA-F])[0-9a-fA-F]{64}(?![0-9a-fA-F])", text)
    if not found:
        raise BlindtestError(
            Fault(
                problem="no commitment or last hash in it",
                key="--published",
                got=text,
                allowed="64 hexadecimal digits, as blindtest seal and listen print them, or the whole line",
            )
        )
    return [one.lower() for one in found]


def _database(store: "Record") -> list[Finding]:
    faults = store.faults()
    if not faults:
        return [Finding(ok=True, what=store.wholeness)]
    return [Finding(ok=False, what="the record", detail=fault.problem) for fault in faults]


def _seals(store: "Record") -> list[Finding]:
    findings = []
    still = {entry.study_seal for entry in store.sittings() if entry.state == "open"}
    for entry in store.seals():
        if entry.kind != "study":
            continue
        if entry.commitment in still and store.locked(entry.commitment):
            what = f"study seal {entry.commitment[:16]}... is opened once no sitting under it is open"
            findings.append(Finding(ok=True, what=what, detail="what was planned can't be held against it until then"))
            continue
        try:
            store.sealed(entry.commitment)
        except BlindtestError as error:
            findings.append(Finding(ok=False, what=f"study seal {entry.commitment[:16]}...", detail=str(error)))
        else:
            findings.append(Finding(ok=True, what=f"study seal {entry.commitment[:16]}... is that of its record"))
    return findings


def _withheld(store: "Record", entry: "SittingEntry", count: int) -> str:
    if not count:
        return ""
    if entry.forgotten is None and entry.state == "open" and "helper" not in store.record(entry.commitment):
        return f"{number_of(count, 'row')} of a sitting that is open, given once it is over"
    if entry.forgotten is None and store.locked(entry.commitment):
        return f"{number_of(count, 'row')} under the helper's passphrase"
    return f"{number_of(count, 'row')} withheld at the listener's request"


def _sitting(store: "Record", entry: "SittingEntry") -> list[Finding]:
    name = f"sitting {entry.number}"
    check = verify_chain(entry.commitment, store.chain(entry.number))
    findings = [
        Finding(
            ok=check.ok,
            what=f"{name}: the chain of {number_of(check.links, 'answer')} holds",
            detail="; ".join(check.faults) or _withheld(store, entry, check.withheld),
        )
    ]
    if entry.forgotten is not None and check.withheld < check.links:
        # Left in the chain and out of the results: what forget erases, it erases whole.
        left = f"{number_of(check.links - check.withheld, 'row of it is', 'rows of it are')} there"
        findings.append(Finding(ok=False, what=f"{name}: it was withdrawn, and its rows erased", detail=left))
    if store.locked(entry.commitment):
        return [*findings, *_locked(store, entry, name)]
    try:
        opened = store.sealed(entry.commitment)
        plan = plan_from_record(
            opened.record, opened.nonce, expected=entry.commitment, public=store.public(entry.commitment)
        )
    except (BlindtestError, ValueError) as error:
        return [*findings, Finding(ok=False, what=f"{name}: the plan is that of its commitment", detail=str(error))]
    findings.append(Finding(ok=True, what=f"{name}: the plan, drawn again, is that of its commitment"))
    if "helper" in opened.record:
        findings.append(
            Finding(
                ok=True,
                what=f"{name}: until it was over its plan and answers lay encrypted",
                detail="the listener could not have read the plan without the helper's passphrase",
            )
        )
    if opened.record["study_seal"] != entry.study_seal:
        findings.append(Finding(ok=False, what=f"{name}: its plan stands under the study seal of the register"))
    if not _as_sealed(opened.record.get("deadline"), entry.deadline):
        findings.append(Finding(ok=False, what=f"{name}: its deadline in the register is that of its plan"))
    if entry.forgotten is not None:
        return findings
    try:
        rows = store.rows(entry.number)
        sitting = restored(plan, rows, study=study_id(plan.record), listener=entry.listener)
    except BlindtestError as error:
        return [*findings, Finding(ok=False, what=f"{name}: its answers belong to its plan", detail=str(error))]
    findings.append(
        Finding(ok=True, what=f"{name}: every trial, its truth and which answers were right follow from the plan")
    )
    others = sorted({str(row.get("listener")) for row in rows} - {entry.listener})
    if others:
        what = f"{name}: its answers are those of the listener in the register"
        findings.append(Finding(ok=False, what=what, detail=f"of {', '.join(others[:3])}"))
    fault = rule_fault(sitting, entry.state)
    if fault is not None:
        findings.append(
            Finding(ok=not fault, what=f"{name}: it ended where its sealed stopping rule says", detail=fault)
        )
    return findings


def _as_sealed(deadline: object, registered: datetime) -> bool:
    """Return whether a plan's deadline, to the second, is that of the register; a plan may have none."""
    try:
        return deadline is None or abs((datetime.fromisoformat(str(deadline)) - registered).total_seconds()) < 1.0
    except (TypeError, ValueError):
        return False


def _locked(store: "Record", entry: "SittingEntry", name: str) -> list[Finding]:
    """Return what can be said of a plan that nobody can open: while its sitting is open, it is as it should be."""
    if entry.state == "open" and "helper" not in store.record(entry.commitment):
        return [Finding(ok=True, what=f"{name}: its plan is given, and can be drawn again, once it is over")]
    # The key of a sitting that was finished was stored with its end.
    if "helper" not in store.record(entry.commitment) or entry.state == "finished":
        # Left out on purpose, a sitting's answers would count as never given.
        return [Finding(ok=False, what=f"{name}: its plan can be drawn again", detail="its nonce was left out")]
    found = [
        Finding(
            ok=True,
            what=f"{name}: its plan lies under a helper's passphrase",
            detail="until it is given neither plan nor answers can be read"
            + ("" if entry.state == "open" else "; the sitting counts as abandoned, its trials as unanswered"),
        )
    ]
    if store.record(entry.commitment)["study_seal"] != entry.study_seal:
        found.append(Finding(ok=False, what=f"{name}: its plan stands under the study seal of the register"))
    return found


def _register(entries: "Sequence[SittingEntry]") -> Finding:
    numbers = [entry.number for entry in entries]
    whole = numbers == list(range(1, len(numbers) + 1))
    states = {state: sum(entry.state == state for entry in entries) for state in ("finished", "abandoned", "open")}
    return Finding(
        ok=whole,
        what=f"the register counts {number_of(len(numbers), 'sitting')} without a gap",
        detail=", ".join(f"{count} {state}" for state, count in states.items() if count),
    )
