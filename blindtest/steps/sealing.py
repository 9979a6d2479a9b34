"""What is fixed before anybody listens: the study's seal.

A study seal commits to claim, margin, analysis, stopping rule, protocol with all its blocks, the number of sittings,
the stimuli by their hashes, every file that was read, the version of the code, and to what was recorded before. As
long as nothing of that changes, all sittings stand under one seal; a changed study gets another one, and the register
counts both. No pseudonym is part of it.
"""

import os
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from blindtest.design import canonical
from blindtest.design import seal as sealed_with
from blindtest.errors import Missing
from blindtest.render import Rendered
from blindtest.steps.anchors import ANCHORS, NO_STAMPS, Anchoring, Stamp, anchoring, stamps, write_requests
from blindtest.steps.place import Entropy, Progress, now, open_store, stimuli_folder
from blindtest.steps.quotes import check_quotes
from blindtest.steps.sealed_analysis import OF_SEVERAL
from blindtest.steps.sealed_record import study_record
from blindtest.steps.second_rate import load_both
from blindtest.steps.several import check_several
from blindtest.steps.stopping_rules import check_rules
from blindtest.study import Study, load_study, render_job

if TYPE_CHECKING:
    from blindtest.session.store import Store

__all__ = ["SealShown", "StudySeal", "ensure_sealed", "seal"]

_CHANGING = ("code", "earlier")
"""Parts of the record that may differ between sittings under one seal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StudySeal:
    """The seal under which sittings are made now."""

    commitment: str
    sealed_at: datetime
    made_now: bool


def _core(record: Mapping[str, Any], lacking: Collection[str] = ()) -> bytes:
    """Return what all sittings under a seal share; lacking : analyses that an older seal doesn't have."""
    core = {key: value for key, value in record.items() if key not in _CHANGING}
    analysis = {kind: words for kind, words in core.get("analysis", {}).items() if kind not in lacking}
    return canonical({**core, "analysis": analysis})


def current_seal(store: "Store", record: Mapping[str, Any]) -> StudySeal | None:
    """Return the seal that commits to what `record` holds, or None if the study was not sealed as it stands."""
    for entry in reversed(store.seals()):
        if entry.kind != "study":
            continue
        lacking = [kind for kind in OF_SEVERAL if kind not in entry.record.get("analysis", {})]
        if _core(entry.record) == _core(record, lacking):
            return StudySeal(commitment=entry.commitment, sealed_at=entry.created, made_now=False)
    return None


def _earlier(store: "Store") -> tuple[Mapping[str, Any], ...]:
    """Return hashes of what was recorded before: salted by nonces, so they tell nothing but order."""
    seals = [{"study_seal": entry.commitment} for entry in store.seals() if entry.kind == "study"]
    said = [{"impression": entry.hash} for entry in store.impressions()]
    sittings = [{"sitting": entry.number, "plan": entry.commitment, "head": entry.head} for entry in store.sittings()]
    return (*said, *seals, *sittings)


def ensure_sealed(study: Study, rendered: Rendered, store: "Store", *, at: datetime, entropy: Entropy) -> StudySeal:
    """Return the seal of the study as it stands, made now if there is none.

    Raises
    ------
    BlindtestError
        A claim quotes what is not on record (`check_quotes`), can't fail under its stopping rule (`check_rules`), or
        not by all planned listeners' answers together (`check_several`).
    """
    record = study_record(study, rendered)
    found = current_seal(store, record)
    if found is not None:
        return found
    check_quotes(study.path, store)
    check_rules(study)
    check_several(study)
    sealed = sealed_with({**record, "earlier": [dict(entry) for entry in _earlier(store)]}, entropy(32))
    store.add_seal(sealed, kind="study", created=at)
    return StudySeal(commitment=sealed.commitment, sealed_at=at, made_now=True)


@dataclass(frozen=True, slots=True, kw_only=True)
class SealShown:
    """What `blindtest seal` prints."""

    folder: Path
    study_seal: StudySeal
    sittings: tuple[dict[str, Any], ...]
    """number, state, commitment of the plan, head of the chain, hash of how it ended."""
    requests: tuple[Path, ...] = ()
    """Time-stamp requests written now."""
    stamps: tuple[Stamp, ...] = ()
    """Replies found in anchors/."""
    anchored: Anchoring = NO_STAMPS
    """What they show."""
    lacking: str = ""
    """Why no request was written."""

    @property
    def line(self) -> str:
        """One line to publish anywhere: the study seal, each sitting's plan, last hash and end of each that is over."""
        parts = [f"blindtest study seal {self.study_seal.commitment}"]
        for one in self.sittings:
            parts.append(f"plan {one['number']} {one['commitment']}")
            if one["state"] != "open":
                parts += [f"answers {one['number']} {one['head']}", f"end {one['number']} {one['end']}"]
        return " ".join(parts)

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "study_seal": self.study_seal.commitment,
            "sealed_at": self.study_seal.sealed_at.isoformat(),
            "made_now": self.study_seal.made_now,
            "sittings": [dict(sitting) for sitting in self.sittings],
            "line": self.line,
            "requests": [str(path) for path in self.requests],
            "stamps": [stamp.to_dict() for stamp in self.stamps],
        }

    def text(self) -> str:
        """Return it in words."""
        lines = [
            "Publish this line where others see it before anybody listens:",
            f"  {self.line}",
            f"{'Sealed now' if self.study_seal.made_now else 'Sealed'} at {self.study_seal.sealed_at.isoformat()}.",
        ]
        for sitting in self.sittings:
            lines.append(f"Sitting {sitting['number']} ({sitting['state']}): plan {sitting['commitment']}")
            if sitting["state"] != "open":
                lines.append(f"  last hash of its answers {sitting['head']}, and of how it ended {sitting['end']}")
        lines += [f"Time-stamp request: {path}" for path in self.requests]
        if self.requests:
            lines.append("Have an authority answer each, and save its reply beside it under the same name, as .tsr")
        lines += [line.text() for line in self.anchored.lines]
        if self.lacking:
            lines.append(f"No time-stamp request was written: {self.lacking}")
        lines.append("A seal proves order only if it was seen elsewhere: blindtest guide anchoring")
        return "\n".join(lines)


def seal(
    folder: Path,
    *,
    entropy: Entropy = os.urandom,
    progress: Progress = lambda done, total, what: None,
) -> SealShown:
    """Seal the study in `folder`, and return its commitments and those of its sittings."""
    study = load_study(folder)
    progress(0, 2, "reading")
    rendered = load_both(study, render_job(study), stimuli_folder(study))
    progress(1, 2, "sealing")
    with open_store(study) as store:
        sealed = ensure_sealed(study, rendered, store, at=now(), entropy=entropy)
        sittings = tuple(
            {"number": e.number, "state": e.state, "commitment": e.commitment, "head": e.head, "end": e.end}
            for e in store.sittings()
        )
        found = stamps(study.folder / ANCHORS)
        anchored = anchoring(store, found)
    requests, lacking = _requested(study.folder / ANCHORS, sealed, sittings)
    progress(2, 2, "")
    return SealShown(
        folder=Path(folder),
        study_seal=sealed,
        sittings=sittings,
        requests=requests,
        stamps=found,
        anchored=anchored,
        lacking=lacking,
    )


def _requested(folder: Path, sealed: StudySeal, sittings: Sequence[Mapping[str, Any]]) -> tuple[tuple[Path, ...], str]:
    """Write what an authority can still be asked for: the study seal, plans while they run, the ends of others.

    A plan that is stamped when its sitting is over shows nothing that the stamp on its answers doesn't; and the hash of
    how it ended is made of their last hash.
    """
    asked = [one["end"] or one["commitment"] for one in sittings]
    try:
        return write_requests(folder, [sealed.commitment, *asked]), ""
    except Missing as error:
        return (), str(error)
