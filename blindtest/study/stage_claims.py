"""Claims that a stage is heard: which stages there are, and what the plan can show and refute of each."""

from collections.abc import Sequence
from typing import Any

from blindtest.design import METHODS, Block, Protocol
from blindtest.errors import did_you_mean
from blindtest.study.factorials import factorial_of
from blindtest.study.findings import Findings
from blindtest.study.lines import Place
from blindtest.study.reading import Tables
from blindtest.study.stage_reach import (
    LEAST_PANEL,
    StageReach,
    stage_pair_reach,
    stage_panel_needed,
    stage_reach,
)

__all__ = ["check_blind", "check_stage_claim", "say_stage"]

PAIRS = "stage-pair"


def _conditions(data: Tables) -> list[Tables]:
    return [one for one in data.get("condition", ()) if isinstance(one, dict) and "id" in one]


def check_stage_claim(data: Tables, claim: Tables, index: int, found: Findings) -> None:
    """Complain where a claim speaks of a stage that isn't switched, or leaves out what its kind needs."""
    path, kind = ("claim", index), claim.get("kind")
    if kind is None or found.is_touched("condition"):
        return
    if kind != "stage":
        for key in ("stage", "effect"):
            if key in claim:
                problem = "only claims of the kind stage have this key"
                found.fault((*path, key), problem, got=kind, remedy="take the key out")
        if "comparator" not in claim and not any(known[:2] == path for known in found.touched):
            remedy = "write the id of the condition that it is held against"
            found.fault((*path, "comparator"), "missing", allowed="the id of a condition", remedy=remedy)
        return
    if "comparator" in claim:
        found.fault(
            (*path, "comparator"),
            "a stage is held against the same chain without it",
            got=claim["comparator"],
            remedy="take the key out",
        )
    spanning = [one for one in _conditions(data) if isinstance(one.get("factors"), dict)]
    device = next((one for one in _conditions(data) if one["id"] == claim.get("device")), None)
    if device is None:
        return  # said where the claim was looked at
    if device not in spanning:
        found.fault(
            (*path, "device"),
            "the condition switches no stages",
            got=claim.get("device"),
            allowed=", ".join(one["id"] for one in spanning),
            remedy="write factors = { stages = ['response', ...] } in it",
        )
        return
    named = device["factors"].get("stages")
    if not isinstance(named, list):
        return
    if "stage" not in claim:
        if not any(known[:2] == path for known in found.touched):
            found.fault(
                (*path, "stage"),
                "missing: which of its stages is said to be heard?",
                allowed=", ".join(named),
                remedy=f"write stage = '{named[0]}'",
            )
    elif claim["stage"] not in named:
        found.fault(
            (*path, "stage"),
            "the condition switches no such stage",
            got=claim["stage"],
            allowed=", ".join(named),
            remedy=did_you_mean(claim["stage"], named),
        )
    for other in range(index):
        before = data["claim"][other]
        if not isinstance(before, dict) or before.get("kind") != "stage" or "stage" not in claim:
            continue
        if (before.get("device"), before.get("stage")) == (claim.get("device"), claim["stage"]):
            line = found.source.line("claim", other, "stage")
            problem = f"a second claim of this stage, the first is in line {line}"
            found.fault((*path, "stage"), problem, got=claim["stage"], remedy="take one of the two out")


def check_blind(protocol: Protocol, data: Tables, found: Findings) -> None:
    """Complain where combinations would be rated under names: what a stage is worth is told blind, or not at all."""
    for index, one in enumerate(data.get("condition", ())):
        if not isinstance(one, dict) or not isinstance(one.get("factors"), dict):
            continue
        place = ("condition", index, "factors")
        named = [
            block.id
            for block in protocol.blocks
            if block.phase == "labelled" and METHODS[block.method].answer_kind == "rate"
        ]
        if named:
            found.fault(
                place,
                f"combinations of stages are rated blind only, and block {named[0]} shows names",
                got=protocol.name,
                allowed="a protocol without names, such as attribution or rating",
            )
        elif any(block.method == PAIRS for block in protocol.blocks) and one["factors"].get("fraction", "1") != "1":
            found.fault(
                (*place, "fraction"),
                "in a fraction no two combinations differ in one stage alone: there are no pairs to compare",
                got=one["factors"]["fraction"],
                allowed="1",
                remedy="take the fraction out, or rate the combinations: use = 'attribution'",
            )
        elif not any(
            block.counted and (METHODS[block.method].answer_kind == "rate" or block.method == PAIRS)
            for block in protocol.blocks
        ):
            found.note(place, f"the protocol {protocol.name} rates nothing: its combinations are rendered, never heard")


def say_stage(
    blocks: Sequence[Block],
    claim: Tables,
    clips: int,
    margin: float,
    planned: int,
    place: Place,
    data: Tables,
    found: Findings,
) -> StageReach | None:
    """Return what the plan can show and refute of a stage; complain where the claim can't fail."""
    device = next((one for one in _conditions(data) if one["id"] == claim.get("device")), {})
    made = factorial_of(device)
    if made is None:
        return None
    if blocks[0].method == PAIRS:
        return _say_pairs(blocks, len(made.factors), claim, margin, planned, place, found)
    scales = list(dict.fromkeys(str(block.numbers.get("attribute", "quality")) for block in blocks))
    if len(scales) > 1:
        found.fault(place, "the protocol rates several things: of which is the stage heard?", got=", ".join(scales))
        return None
    design: dict[str, Any] = {
        "clips": clips,
        "repeats": sum(int(block.numbers.get("repeats", 1)) * block.sittings for block in blocks),
        "combinations": len(made.runs),
        "stages": len(made.factors),
        "products": len(made.pairs),
        "margin": margin,
        "directed": claim.get("effect", "either") != "either",
        "only_these_clips": isinstance(claim.get("clips"), list),
    }
    plan = stage_reach(listeners=planned, **design)
    if plan.can_fail:
        found.note(place, plan.sentence)
        return plan
    ways = []
    panel = stage_panel_needed(**design)
    if panel:
        ways.append(f"{panel} listeners are the fewest that could: write planned = {panel} under [listeners]")
    names = " and ".join(f"{block.id}.repeats" for block in blocks)
    ways.append(f"more clips or {names}, or a larger margin")
    why = f"two listeners are no panel: 1, or {LEAST_PANEL} and more" if planned == 2 else ""
    if not why and plan.std_error is None:
        why = "so few ratings leave nothing to judge the scatter by"
    reached = f"a stage that does nothing would end as negligible with chance {plan.chance_negligible:.2f}"
    if plan.directed:
        reached += f", the other way round as refuted with {plan.chance_refuted:.2f}"
    found.fault(
        place,
        f"the claim can't fail: {why or f'{reached} ({plan.assumption})'}",
        got=plan.plan,
        allowed="a chance of .50 or more of one of them",
        remedy="; or ".join(ways),
    )
    return plan


def _say_pairs(
    blocks: Sequence[Block],
    stages: int,
    claim: Tables,
    margin: float,
    planned: int,
    place: Place,
    found: Findings,
) -> StageReach:
    """Return what pairs can show and refute of a stage; complain where the claim can't fail."""
    pairs = sum(block.trials * block.sittings for block in blocks) // stages
    directed = claim.get("effect", "either") != "either"

    def reached(listeners: int) -> StageReach:
        return stage_pair_reach(listeners=listeners, pairs=pairs, stages=stages, margin=margin, directed=directed)

    plan = reached(planned)
    if plan.can_fail:
        found.note(place, plan.sentence)
        return plan
    fewest = next((count for count in range(LEAST_PANEL, 401) if reached(count).can_fail), None)
    ways = [f"{fewest} listeners are the fewest that could: write planned = {fewest}"] if fewest else []
    why = f"two listeners are no panel: 1, or {LEAST_PANEL} and more" if planned == 2 else ""
    does_nothing = f"a stage that does nothing would end as negligible with chance {plan.chance_negligible:.2f}"
    found.fault(
        place,
        f"the claim can't fail: {why or f'{does_nothing} ({plan.assumption})'}",
        got=plan.plan,
        allowed="a chance of .50 or more",
        remedy="; or ".join((*ways, "more trials, or a larger margin")),
    )
    return plan
