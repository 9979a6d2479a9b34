"""What the study seal commits to."""

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from blindtest import __version__
from blindtest.design import Claim, sittings_of
from blindtest.methods import METHODS
from blindtest.render import Rendered
from blindtest.steps.answers.scale import screening_record
from blindtest.steps.answers.stage import factorials_record
from blindtest.steps.sealed_analysis import STOPPING, sealed_analysis
from blindtest.steps.second_rate import second_record
from blindtest.steps.stopping_rules import ALPHA, stopping_of_block, stopping_words
from blindtest.study import (
    QUALITY,
    Study,
    claim_blocks,
    claim_clips,
    compared_by_block,
    is_rated,
    labels,
    primary_claim,
    scale_name,
    study_files,
)

__all__ = ["claims_of", "names_read", "study_record"]


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
        "analysis": sealed_analysis(study),
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
