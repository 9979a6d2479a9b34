"""What is fixed before anybody listens: the study's seal.

A study seal commits to claim, margin, analysis, stopping rule, protocol with all its blocks, the number of sittings,
the stimuli by their hashes, every file that was read, the version of the code, and to what was recorded before. As
long as nothing of that changes, all sittings stand under one seal; a changed study gets another one, and the register
counts both. No pseudonym is part of it.
"""

import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from blindtest import __version__
from blindtest.design import Claim, canonical, sittings_of
from blindtest.design import seal as sealed_with
from blindtest.errors import Missing
from blindtest.methods import METHODS
from blindtest.render import Rendered
from blindtest.steps.anchors import ANCHORS, NO_STAMPS, Anchoring, Stamp, anchoring, stamps, write_requests
from blindtest.steps.place import Entropy, Progress, now, open_store, stimuli_folder
from blindtest.steps.quotes import check_quotes
from blindtest.steps.scale_answers import screening_record
from blindtest.steps.second_rate import load_both, second_record
from blindtest.steps.stage_answers import factorials_record
from blindtest.steps.stage_pair_answers import PAIRS
from blindtest.steps.stopping_rules import check_rules, stopping_of_block, stopping_words
from blindtest.study import (
    QUALITY,
    Study,
    claim_blocks,
    claim_clips,
    compared_by_block,
    is_rated,
    labels,
    load_study,
    primary_claim,
    render_job,
    scale_name,
    study_files,
)

if TYPE_CHECKING:
    from blindtest.session.store import Store

__all__ = [
    "ALPHA",
    "STOPPING",
    "SealShown",
    "StudySeal",
    "claims_of",
    "ensure_sealed",
    "names_read",
    "seal",
    "study_record",
]

ALPHA = 0.05
ANALYSIS = {
    "heard": (
        "counted trials only; exact binomial test against guessing, one-sided, and similarity test against the margin, "
        "each at alpha; shown, negligible or open, negligible where both hold; unanswered trials of abandoned sittings "
        "count against whichever conclusion is drawn; listeners one by one with Holm's adjustment"
    ),
    "preferred": (
        "exact sign test over trials with a preference, ties apart; shown, refuted, negligible or open by exact limits "
        "against the margin; unanswered trials count against whichever conclusion is drawn; Bradley-Terry with "
        "Davidson's ties and an order effect beside it"
    ),
    "threshold": (
        "counted trials of all tracks of a listener together; psychometric function by maximum likelihood, logistic "
        "over the level, guess rate of the task, lapses up to 6 %; threshold where the proportion right is halfway "
        "from guess to certainty; limits by profile likelihood for one listener, by t over listeners' thresholds for "
        "several, each one-sided at alpha: shown where the upper is at most the margin, refuted where the lower one "
        "is above, else open; unanswered trials are left out; averages of late reversals beside it"
    ),
    "rated": (
        "labelled and blind ratings only; a mixed model with random parts of its own for each tested term, listeners "
        "random, clips too where the claim names none and there are five or more, device x order where phases are "
        "crossed (one effect per sitting with a single listener, Welch's degrees of freedom); partition by one-sided t "
        "limits at alpha into survives, shrinks, vanishes and reverses; a contradicting repeat on anchors or signs "
        "makes it undecided; one contrast per listener beside it"
    ),
    "attribute": (
        "counted trials only; exact binomial test against guessing on both sides, or on the sealed side only; shown, "
        "refuted, negligible or open by exact limits of d' against the margin; unanswered trials count against "
        "whichever conclusion is drawn; listeners one by one with Holm's adjustment"
    ),
    "scale": (
        "blind ratings only; listeners that the sealed rules of screening keep, everybody's result beside it (the "
        "other way round where the claim is about the original, which the rules screen by); one mean difference "
        "per listener, each clip weighing alike (a single listener: one per clip, with fewer than three "
        "clips one per page within clips), Student's t limits; shown or refuted by the two-sided p, or that of the "
        "sealed side, negligible where both one-sided limits lie inside the margin and then whatever else holds, else "
        "open; planned pages without an answer count as the margin the other way round against shown and refuted, as "
        "twice the margin on either side against negligible; small impairments: by difference grades, object less "
        "hidden reference; beside it, never decisive, a mixed model with clips as a sample, medians and "
        "quartiles, permutation of medians"
    ),
    "keeps listening": (
        "counted tracks only; choices of the slot that plays the rest, against an equal share: exact binomial test of "
        "a single listener, sign flips of one share per listener in a panel, two-sided or on the sealed side; shown, "
        "refuted, negligible or open by limits against the margin; tracks without a choice and unheard ones count "
        "against whichever conclusion is drawn; beside it, never decisive, dwell over the draws that the plan could "
        "have made, and time to skip"
    ),
    "stopped": (
        "claims of what is heard whose block ends by a stopping rule: counted trials only; group sequential and ratio "
        "tests by the stagewise ordering of all endings of the sealed table, exact, against guessing and against the "
        "margin, each at alpha; of a ratio test only where it ended at the bound of that side; e-processes by their "
        "e-values, each against 1/alpha; several listeners by Fisher's method or the product of e-values; unanswered "
        "trials of abandoned sittings, up to the last of the rule, count against whichever conclusion is drawn"
    ),
    "unreliable labels": (
        "ratings under names that may be wrong only; a linear mixed model, rating on sound, name and their product as "
        "+-1/2, random parts of its own for each over listeners, over clips too where the claim names none and there "
        "are five or more (ordinary least squares with clips and sittings fixed for a single listener); the claim is "
        "that of the sound: shown, refuted, negligible or open by t limits against the margin; the name's effect "
        "beside it, with an exact test that deals the right names anew as the plan dealt them; unanswered trials are "
        "left out"
    ),
    "matched": (
        "counted settings only, in the unit of the grid, 0 being the match; of several listeners the mean of their "
        "means, of one listener the mean of the settings, each with Student's t; two one-sided tests against the "
        "margin at alpha: shown where the interval lies within it, refuted where it lies outside, else open; "
        "unanswered trials are left out; beside it settings from above against settings from below, and the scatter "
        "within listeners"
    ),
    "stage": (
        "blind ratings of the combinations only, anchors and whatever else was rated apart; a linear mixed model, "
        "rating on each stage and on each product of two that the sealed combinations can tell from the rest, as "
        "+-1/2, with random parts of its own for each over listeners, over clips too where the claim names none and "
        "there are five or more (ordinary least squares with clips and sittings fixed for a single listener); Holm "
        "over the stages, and over the products apart; shown, refuted or negligible by t limits at the level that "
        "Holm gives each stage, against the margin, else open; where no direction is claimed either side shows it; "
        "products never decide; unanswered pages count against whichever conclusion is drawn, each as ratings that "
        "differ by the margin against it (by twice the margin either way against negligible)"
    ),
    "stage pairs": (
        "choices between combinations that differ in one stage, each +50 for the stage or -50 against it; of a panel "
        "one mean per listener with Student's t, of a single listener the choices with the largest variance; Holm over "
        "the stages; words by t limits against the margin, as of ratings; an unanswered pair counts as a choice "
        "against whichever conclusion is drawn (all one way, then all the other, against negligible)"
    ),
    "several": "one primary claim; further confirmatory ones by Holm",
}
LATER_KINDS = (
    "attribute", "threshold", "keeps listening", "scale", "stopped", "matched", "stage", "unreliable labels",
    "stage pairs",
)  # fmt: skip
"""Kinds whose analysis stands in the seal only of studies that claim one; the last: whose names may be wrong."""
STOPPING = "the number of trials of each sitting is fixed"
_CHANGING = ("code", "earlier")
"""Parts of the record that may differ between sittings under one seal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StudySeal:
    """The seal under which sittings are made now."""

    commitment: str
    sealed_at: datetime
    made_now: bool


def study_record(study: Study, rendered: Rendered, *, earlier: tuple[Mapping[str, Any], ...] = ()) -> dict[str, Any]:
    """Return what the study seal commits to."""
    clips = tuple(clip.id for clip in study.clips)
    files = study_files(study)
    # The study file itself may gain a comment between two sittings; what it says stands in this record.
    files.pop(study.path.name, None)
    consent = study.listeners.consent
    blocks = study.protocol.blocks
    return {
        "format": 1,
        "kind": "study seal",
        "title": study.title,
        "claims": [_claim_record(study, claim) for claim in claims_of(study)],
        "compared": {block: list(ids) for block, ids in compared_by_block(study).items()},
        "anchors": {one.anchor: one.id for one in study.conditions if one.anchor},
        "decoys": [one.id for one in study.conditions if one.decoy],
        "labels": names_read(study),
        "alpha": ALPHA,
        "analysis": _analysis(study),
        **({"grids": _grids_record(study)} if study.grids else {}),
        **({"factorials": spanned} if (spanned := factorials_record(study)) else {}),
        **({"settings": numbers} if (numbers := _settings_record(study)) else {}),
        **({"hardware": study.hardware.to_record()} if study.hardware else {}),
        **({"panel": study.panel.to_record()} if study.panel else {}),
        **({"screening": rules} if (rules := screening_record(study)) else {}),
        "stopping": stopping_words(blocks, STOPPING),
        "protocol": {
            "name": study.protocol.name,
            "title": study.protocol.title,
            "order": study.protocol.order,
            "blocks": [
                {
                    "id": block.id,
                    "phase": block.phase,
                    "method": block.method,
                    "trials": block.trials,
                    "feedback": block.feedback,
                    "spread": block.spread,
                    "break_after": block.break_after,
                    "margin": block.margin,
                    "deadline_days": block.deadline_days,
                    "sittings": block.sittings,
                    "numbers": dict(block.numbers),
                    **({"controls": asdict(block.controls)} if block.controls else {}),
                    **({"sequence": block.sequence} if block.sequence else {}),
                    **({"confidence": True} if block.confidence else {}),
                    **({"comments": True} if block.comments else {}),
                    **({"break_after_min": block.break_after_min} if block.break_after_min else {}),
                    **stopping_of_block(block),
                }
                for block in blocks
            ],
        },
        "listeners": study.listeners.planned,
        "sittings_per_listener": len(sittings_of(study.protocol)),
        "rendering": {
            "over": study.rendering.over,
            "match": study.rendering.match,
            "ceiling_dbtp": study.rendering.ceiling_dbtp,
            "rate_hz": study.rendering.rate_hz,
            "playback": study.playback.unit if study.playback else None,
        },
        "stimuli": {clip: {s.condition: s.sha256 for s in rendered.stimuli if s.clip == clip} for clip in clips},
        **second_record(rendered),
        "files": files,
        "consent": files.get(consent) if consent else None,
        "code": {"blindtest": __version__},
        "earlier": [dict(entry) for entry in earlier],
    }


def _analysis(study: Study) -> dict[str, str]:
    """Return the analysis of every kind; what came later stands there only where it is used, so that seals made before
    it hold on."""
    kinds: set[str] = {claim.kind for claim in study.claims}
    if "attribute" in kinds:
        claimed = next(claim for claim in study.claims if claim.kind == "attribute")
        if is_rated(claim_blocks(study, claimed)):
            kinds = (kinds - {"attribute"}) | {"scale"}
    if any(block.method == PAIRS for block in study.protocol.blocks):
        kinds = (kinds - {"stage"}) | {"stage pairs"}
    if any(block.stopping is not None for block in study.protocol.blocks):
        kinds = kinds | {"stopped"}
    if any(block.phase == "unreliable" for block in study.protocol.blocks):
        kinds = kinds | {"unreliable labels"}
    return {kind: words for kind, words in ANALYSIS.items() if kind not in LATER_KINDS or kind in kinds}


def _grids_record(study: Study) -> dict[str, dict[str, float]]:
    """Return the levels of each grid by the id of their condition, as sizes in the unit of the stage."""
    return {name: {one.id: float(one.level or 0.0) for one in own} for name, own in study.grids.items()}


def _settings_record(study: Study) -> dict[str, dict[str, Any]]:
    """Return what listeners can set, by the block: conditions and their numbers; what it is to equal has none."""
    grids = {one.id: one for one in study.conditions if one.value is not None}
    found = {}
    for block in study.protocol.blocks:
        if METHODS[block.method].answer_kind == "adjust":
            own = [grids[name] for name in compared_by_block(study)[block.id] if name in grids]
            values = {one.id: float(one.value or 0.0) for one in own}
            found[block.id] = {"grid": own[0].grid, "unit": own[0].unit, "values": values}
    return found


def claims_of(study: Study) -> tuple[Claim, ...]:
    """Return the claims of a study, the primary one first; the one that two conditions imply where none is written."""
    first = primary_claim(study)
    return (first, *(claim for claim in study.claims if claim.id != first.id))


def names_read(study: Study) -> dict[str, str]:
    """Return what listeners read where something is named: conditions by their labels, clips by their titles."""
    # A clip may have the id of a condition: then what a device is called must not change.
    return {clip.id: clip.title or clip.id for clip in study.clips} | labels(study)


def _claim_record(study: Study, claim: Claim) -> dict[str, Any]:
    blocks = claim_blocks(study, claim)
    asked = next((block.numbers["attribute"] for block in blocks if "attribute" in block.numbers), "")
    if not asked and is_rated(blocks):
        asked = QUALITY
    scaled = claim.kind == "attribute" and is_rated(blocks)
    return {
        "id": claim.id,
        "kind": claim.kind,
        **({"attribute": asked} if claim.kind == "attribute" else {}),
        **({"scale": scale_name(blocks[0])} if scaled else {}),
        **({"stage": claim.stage, "effect": claim.effect} if claim.kind == "stage" else {}),
        "device": claim.device,
        "comparator": claim.comparator,
        "clips": list(claim_clips(study, claim)),
        "only_these_clips": claim.clips != "all",
        "margin": claim.margin,
        "kept": claim.kept,
        "direction": claim.direction,
        "primary": claim.id == claims_of(study)[0].id,
        "quote": claim.quote,
        "impression": claim.impression,
        "blocks": [block.id for block in blocks],
        **({"variant_of": claim.variant_of} if claim.variant_of else {}),
    }


def _core(record: Mapping[str, Any]) -> bytes:
    return canonical({key: value for key, value in record.items() if key not in _CHANGING})


def current_seal(store: "Store", record: Mapping[str, Any]) -> StudySeal | None:
    """Return the seal that commits to what `record` holds, or None if the study was not sealed as it stands."""
    for entry in reversed(store.seals()):
        if entry.kind == "study" and _core(entry.record) == _core(record):
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
        A claim quotes what is not on record (`check_quotes`), or can't fail under its stopping rule (`check_rules`).
    """
    record = study_record(study, rendered)
    found = current_seal(store, record)
    if found is not None:
        return found
    check_quotes(study.path, store)
    check_rules(study)
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
