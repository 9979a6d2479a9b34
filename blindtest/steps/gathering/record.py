"""What happened, gathered for the report: sittings, trials, seals, versions, deviations."""

import platform
import sys
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any

from blindtest import __version__
from blindtest.audio import libsndfile_version
from blindtest.design import PlannedTrial
from blindtest.methods import METHODS, Drawn, Outcome
from blindtest.nouns import number_of
from blindtest.report import (
    FindingFacts,
    SealFacts,
    SittingFacts,
    TrialFacts,
)
from blindtest.session import FIRST_ATTEMPT
from blindtest.session.own_words import reason_told
from blindtest.steps.answers.sitting import SittingAnswers, trials_met
from blindtest.steps.answers.study import Answers
from blindtest.steps.attendance import attendance_words, elsewhere_words, withdrawn_words
from blindtest.steps.source_state import SOURCE, source_sha256
from blindtest.steps.verification import Verified
from blindtest.steps.withdrawn import counted_against_words
from blindtest.study import (
    Study,
    read_origin,
)

if TYPE_CHECKING:
    from blindtest.session.record import Record
from blindtest.steps.gathering.sound import LOCKED_WORDS

__all__ = [
    "NAMED",
    "deviations_of",
    "hashes_of",
    "seal_facts",
    "sitting_facts",
    "trial_facts",
    "versions",
]

NAMED = ("worn", "labelled", "unreliable")
PACKAGES = (
    "numpy", "scipy", "pandas", "statsmodels", "formulaic", "soundfile", "soxr", "rfc8785", "sqlalchemy", "starlette",
    "matplotlib", "rocrate",
)  # fmt: skip


def sitting_facts(store: "Record", one: SittingAnswers) -> SittingFacts:
    """Return one sitting as the register has it."""
    entry = one.entry
    over = entry.state != "open"
    reason = reason_told(entry, store.events(entry.number)) if entry.reason else ""
    if one.beyond_plan:
        reason = "; ".join(part for part in (reason, "beyond the plan: reported, not counted") if part)
    if one.locked:
        reason = "; ".join(part for part in (reason, LOCKED_WORDS) if part)
    return SittingFacts(
        number=entry.number,
        listener=entry.listener,
        state=entry.state,
        reason=reason,
        withdrawn=entry.forgotten is not None,
        began=entry.created,
        ended=entry.ended,
        planned=one.counted_planned,
        answered=one.counted_answered,
        phase=_phase_of(one),
        commitment=entry.commitment,
        nonce=one.plan.nonce.hex() if over and not one.locked else None,
        public=store.public(entry.commitment),
        chain_head=entry.head,
    )


def _phase_of(one: SittingAnswers) -> str:
    scheduled = one.plan.record.get("scheduled") or {}
    series = scheduled.get("runs", 1) > 1 or scheduled.get("phase", "blind") != "blind"
    return str(scheduled["name"]) if series else ""


def trial_facts(one: SittingAnswers) -> list[TrialFacts]:
    """Return the trials of a finished sitting, the truth of each beside its answer."""
    answered: dict[int, list[Mapping[str, Any]]] = {}
    for row in one.rows:
        answered.setdefault(int(row["trial"]), []).append(row)
    # A withdrawn sitting shows no trials at all; an abandoned one also those that nobody answered.
    shown = one.entry.forgotten is None and not one.locked
    numbers = range(trials_met(one.plan, one.rows)) if shown else ()
    trials = []
    earlier: dict[str, list[Outcome]] = {}
    for number in numbers:
        block, within = one.plan.place(number)
        before = earlier.setdefault(block.id, [])
        rows = answered.get(number, [])
        planned = one.plan.trial(number, before)
        if one.plan.method(block).adaptive and len(before) < within:
            # What a trial would have held that follows from answers nobody gave is not known.
            planned = replace(planned, drawn=Drawn(slots=()))
        elif rows:
            values = {str(row["slot"]): row["response"] for row in rows}
            before.append(Outcome(drawn=planned.drawn, answer=values, correct=rows[0]["correct"]))
        trials.append(_trial(one, planned, rows))
    return trials


def _trial(one: SittingAnswers, planned: PlannedTrial, rows: Sequence[Mapping[str, Any]]) -> TrialFacts:
    row = rows[0] if rows else None
    rated = METHODS[planned.method].answer_kind == "rate"
    said = next((each for each in rows if each["slot"] == "set"), row)
    answer = None if said is None else "rated" if rated else str(said["response"])
    return TrialFacts(
        listener=one.entry.listener,
        sitting=one.entry.number,
        trial=planned.number + 1,
        attempt=int(row["attempt"]) - FIRST_ATTEMPT if row else 0,
        phase=planned.phase,
        clip=planned.clip,
        slots=tuple((slot.name, slot.condition) for slot in planned.drawn.slots),
        right=", ".join(str(value) for value in (planned.drawn.right or {}).values()),
        answer=answer,
        correct=row["correct"] if row else None,
        method=planned.method,
        block=planned.block,
        ratings=tuple((str(each["slot"]), float(each["response"])) for each in rows) if rated else (),
        answered_at=datetime.fromisoformat(row["answered_at"]) if row else None,
        time_taken_s=float(row["time_taken_s"]) if row else None,
        switches=int(row["switches"]) if row else None,
        confidence=row["confidence"] if row else None,
        faults=tuple(kind for kind in str(row["faults"]).split("|") if kind) if row else (),
    )


def seal_facts(study: Study, store: "Record", answers: Answers, verified: Verified) -> SealFacts:
    """Return what was sealed, and what verification found."""
    over = all(one.entry.state != "open" for one in answers.sittings)
    origin = read_origin(study.folder)
    return SealFacts(
        study_commitment=answers.seal.commitment,
        study_nonce=store.sealed(answers.seal.commitment).nonce.hex() if over else None,
        sealed_at=answers.seal.created,
        grade=verified.grade,
        published=tuple(f"{one} was given as seen elsewhere" for one in verified.published),
        stamps=verified.anchored.shown,
        of_a_panel="panel" in answers.seal.record,
        listener_could_read=not all("helper" in one.plan.record for one in answers.sittings),
        findings=tuple(FindingFacts(ok=f.ok, what=f.what, detail=f.detail) for f in verified.findings),
        plans_sealed=len(store.sittings()),
        plans_before=origin.plans_sealed if origin else 0,
    )


def versions() -> dict[str, str]:
    """Return the versions of everything that computed something; of blindtest itself also the hash of its source."""
    found = {
        "blindtest": __version__,
        SOURCE: source_sha256(),
        "Python": platform.python_version(),
        "platform": sys.platform,
    }
    for package in PACKAGES:
        try:
            found[package] = version(package)
        except PackageNotFoundError:
            continue
    return {**found, "libsndfile": libsndfile_version()}


def hashes_of(answers: Answers) -> dict[str, str]:
    """Return the hashes of files that the study seal holds."""
    record = answers.seal.record
    hashes = {f"file {name}": digest for name, digest in record["files"].items()}
    for clip, conditions in record["stimuli"].items():
        hashes |= {f"stimulus {clip}, {condition}": digest for condition, digest in conditions.items()}
    return hashes


def deviations_of(store: "Record", answers: Answers) -> tuple[str, ...]:
    """Return where the plan was left, and what was withheld, in words."""
    found = [f"{one.what}, because: {one.reason}" for one in store.overrides()]
    if answers.withheld:
        found.append(withdrawn_words(answers.withheld))
    found += counted_against_words(answers)
    if attended := attendance_words(answers):
        found.append(attended)
    beyond = sum(one.beyond_plan for one in answers.sittings)
    if beyond:
        found.append(f"{number_of(beyond, 'sitting')} beyond the plan, reported and not counted")
    found += [f"sitting {one.entry.number}: {LOCKED_WORDS}" for one in answers.sittings if one.locked]
    if elsewhere := elsewhere_words(answers.elsewhere):
        found.append(elsewhere)
    return tuple(found)
