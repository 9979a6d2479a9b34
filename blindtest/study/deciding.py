"""A study's protocol, with the changes that the study makes to it; and whether each claim can fail under it."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from blindtest.design import DEFAULT_KEPT, DEFAULT_MARGIN_POINTS, METHODS, Block, Claim, Protocol
from blindtest.errors import BlindtestError, did_you_mean
from blindtest.study.adjusting import check_adjusted, check_match
from blindtest.study.attribute_reach import ALTERNATIVES, AttributeReach, attribute_reach, choices_needed
from blindtest.study.checks import entries
from blindtest.study.comparing import attribute_blocks, block_conditions, with_trials
from blindtest.study.factorials import cells
from blindtest.study.findings import Findings
from blindtest.study.grids import levels
from blindtest.study.originals import check_original
from blindtest.study.paths import PathTrouble, file_at
from blindtest.study.protocols import changed, is_path, later_changes, protocol_source, read_protocol
from blindtest.study.rated_claims import check_attributes, is_rated, say_scale
from blindtest.study.rated_reach import RatedReach, listeners_needed, rated_reach, sittings_needed
from blindtest.study.refutation import (
    TRACKS,
    AnyReach,
    PreferenceReach,
    Reach,
    pairs_needed,
    preference_reach,
    reach,
    trials_needed,
)
from blindtest.study.ruled_reach import ruled_reach
from blindtest.study.schema import MARGINS, margin_range
from blindtest.study.stage_claims import check_blind, say_stage
from blindtest.study.study import StudyCondition
from blindtest.study.unreliable_checks import ORDER
from blindtest.study.unreliable_deciding import check_order, say_unreliable
from blindtest.study.variants import blocks_of_variants

__all__ = ["primary_index", "read_study_protocol"]

Tables = dict[str, Any]
Place = tuple[str | int, ...]

FEW_TRACKS = 3
"""Methods 1.5: three tracks or more for each listener."""

EXAMPLES = {
    "heard": "margin = 0.5, the share of trials heard beyond guessing that would matter",
    "preferred": "margin = 0.3, the probability of a preference beyond 1/2 that would matter",
    "keeps listening": "margin = 0.3, the probability of a choice beyond 1/2 that would matter",
    "attribute": "margin = 1.0, the d' along the attribute that would matter",
    "scale": "margin = 8, the points of the scale that would matter",
    "threshold": "margin = 2, the level that is claimed to be heard, in the unit of the grid",
    "stage": "margin = 8, the points of the scale that would matter",
    "matched": "margin = 0.5, how far from the match settings may lie, in the unit of the grid",
}


def read_study_protocol(data: Tables, folder: Path, found: Findings) -> tuple[Protocol | None, Mapping[str, AnyReach]]:
    """Return the protocol with the study's changes made, and what it can show of each claim by the claim's id."""
    table = data.get("protocol", {})
    use = table.get("use")
    changes = {name: numbers for name, numbers in table.get("changes", {}).items() if isinstance(numbers, dict)}
    if not isinstance(use, str):
        return None, {}
    if is_path(use):
        try:
            file_at(folder, use)
        except PathTrouble as trouble:
            found.fault(("protocol", "use"), trouble.problem, got=use, allowed=trouble.allowed, remedy=trouble.remedy)
            return None, {}
    try:
        source = protocol_source(use, folder=folder)
    except BlindtestError as error:
        for fault in error.faults:
            if fault.file:
                found.faults.append(fault)
            else:
                found.fault(
                    ("protocol", "use"), fault.problem, got=fault.got, allowed=fault.allowed, remedy=fault.remedy
                )
        found.faults += later_changes(changes, found.source, ("protocol", "changes"))
        return None, {}
    _, own = read_protocol(source, name=use)
    found.faults += own
    source, faults = changed(source, changes, found.source, ("protocol", "changes"))
    found.faults += faults
    if own or faults:
        return None, {}
    protocol, after = read_protocol(source, name=Path(use).stem if is_path(use) else use)
    found.faults += after
    if protocol is None:
        return None, {}
    protocol = _named(replace(protocol, order=table.get("order", protocol.order)), found)
    unreliable = any(block.phase == "unreliable" for block in protocol.blocks)
    if "order" in table and (unreliable or table["order"] == ORDER):
        check_order(table["order"], protocol, found)
    elif "order" in table and not any(block.phase == "labelled" for block in protocol.blocks):
        problem = "no phase of this protocol shows names: there is no order"
        found.fault(("protocol", "order"), problem, got=table["order"], remedy="take the key out")
    return _decided(data, protocol, found)


def _named(protocol: Protocol, found: Findings) -> Protocol:
    """Return the protocol with its attribute named in every block that asks for one; complain where none is named."""
    asking = [block for block in protocol.blocks if block.method in ALTERNATIVES]
    named = [block.numbers["attribute"] for block in asking if "attribute" in block.numbers]
    if asking and not named:
        found.fault(
            ("protocol", "use"),
            f"the protocol {protocol.name} asks which has more of an attribute: of which?",
            remedy=f'write {asking[-1].id}.attribute = "bass" under [protocol.changes], or what it is about',
        )
    if not named:
        return protocol
    # Practice is about what the test is about, unless it says otherwise.
    return replace(
        protocol,
        blocks=tuple(
            replace(block, numbers={"attribute": named[-1], **block.numbers}) if block in asking else block
            for block in protocol.blocks
        ),
    )


def primary_index(claims: Sequence[Tables]) -> int | None:
    """Return which of the claims is the primary one: the one that says so, else the first that doesn't deny it."""
    said = [index for index, claim in enumerate(claims) if claim.get("primary") is True]
    open_ = [index for index, claim in enumerate(claims) if claim.get("primary") is None]
    return next(iter(said or open_), None)


def _decided(data: Tables, protocol: Protocol, found: Findings) -> tuple[Protocol | None, Mapping[str, AnyReach]]:
    tables = dict(entries(data, "claim"))
    for index, claim in tables.items():
        if (kind := claim.get("kind")) is not None and kind not in protocol.decides:
            found.fault(
                ("claim", index, "kind"),
                f"the protocol {protocol.name} doesn't decide claims of this kind",
                got=kind,
                allowed=", ".join(protocol.decides),
            )
    if not tables and "claim" not in found.source.data and protocol.decides != ("heard",):
        found.fault(
            ("protocol", "use"),
            f"no claim: the protocol {protocol.name} decides what is {' and '.join(protocol.decides)}",
            remedy="write [[claim]] with id, kind, device and comparator",
        )
        return None, {}
    _anchors(data, protocol, found)
    check_attributes(tables, data, protocol, found)
    check_original(data, protocol, found)
    check_blind(protocol, data, found)
    count = max(1, len(data.get("clip", ())))
    conditions = tuple(
        condition for _, one in entries(data, "condition") if "id" in one for condition in _as_compared(one)
    )
    claims = _claims(tables)
    first = primary_index([tables[index] for index in sorted(tables)])
    ordered = sorted(claims, key=lambda index: (index != first, index))
    names = _tested(tables, data)
    protocol = blocks_of_variants(protocol, data, found)
    protocol = with_trials(protocol, [claims[index] for index in ordered], conditions, len(names) or count)
    _spaced(protocol, found)
    if not found.is_touched("condition"):
        check_adjusted(protocol, [claims[index] for index in ordered], conditions, data, found)
        _fit(protocol, [claims[index] for index in ordered], conditions, found)
        _controlled(protocol, [claims[index] for index in ordered], conditions, found)
    planned = data.get("listeners", {}).get("planned", 1)
    _ordered(protocol, data, planned, found)
    reaches: dict[str, AnyReach] = {}
    if not tables and "claim" not in found.source.data:
        one = _reach(protocol, "heard", {}, None, (), planned, found, data)
        return protocol, {"heard": one} if one is not None else {}
    for index, claim in tables.items():
        path = ("claim", index)
        if claim.get("kind") not in protocol.decides or any(
            found.is_touched(*path, key) for key in ("kind", "margin", "clips", "direction", "kept")
        ):
            continue
        one = _reach(protocol, claim["kind"], claim, index, names, planned, found, data)
        if one is not None and "id" in claim:
            reaches[claim["id"]] = one
    return protocol, reaches


def _as_compared(table: Tables) -> tuple[StudyCondition, ...]:
    """Return a condition's table, or the levels of its grid, as far as it matters for what is compared."""
    spread = tuple(
        StudyCondition(id=name, grid=table["id"], level=abs(value), value=value) for name, value in levels(table)
    )
    alone = StudyCondition(
        id=table["id"],
        anchor=table.get("anchor"),
        decoy=table.get("decoy", False),
        reference=table.get("reference", False),
    )
    if table.get("factors"):
        return tuple(
            StudyCondition(id=name, factorial=table["id"], switches=switches) for name, switches in cells(table)
        )
    return spread if table.get("grid") else (alone,)


def _claims(tables: Mapping[int, Tables]) -> dict[int, Claim]:
    return {
        index: Claim(
            id=str(claim.get("id", "")),
            kind=claim["kind"],
            device=claim["device"],
            comparator=str(claim.get("comparator", claim["device"])),
        )
        for index, claim in tables.items()
        if all(key in claim for key in ("kind", "device")) and (claim["kind"] == "stage" or "comparator" in claim)
    }


def _tested(tables: Mapping[int, Tables], data: Tables) -> tuple[str, ...]:
    """Return the clips that any claim is tested on."""
    known = [clip["id"] for _, clip in entries(data, "clip") if "id" in clip]
    named = [claim.get("clips", "all") for claim in tables.values()]
    if not named or "all" in named:
        return tuple(known)
    return tuple(clip for clip in known if any(clip in clips for clips in named))


def _anchors(data: Tables, protocol: Protocol, found: Findings) -> None:
    """Ratings with and without names need a rendering of each quality that stands in both phases."""
    unreliable = any(block.phase == "unreliable" for block in protocol.blocks)
    rated = "rated" in protocol.decides and not unreliable
    anchors = {str(condition["anchor"]) for _, condition in entries(data, "condition") if "anchor" in condition}
    missing = [kind for kind in ("low", "high") if kind not in anchors]
    if rated and missing and not found.is_touched("condition"):
        found.fault(
            ("condition",),
            f"the protocol {protocol.name} needs an anchor of each kind, rated labelled and blind alike",
            got=", ".join(sorted(anchors)) or "none",
            allowed="low and high",
            remedy="write a [[condition]] with "
            + " and one with ".join(
                "anchor = 'low', stages = [{ lowpass_hz = 3500 }]" if kind == "low" else "anchor = 'high', stages = []"
                for kind in missing
            ),
        )
    controls = {block.controls.audible for block in protocol.blocks if block.controls}
    heard = {str(one.get("anchor")) for _, one in entries(data, "condition") if one.get("id") in controls}
    if anchors <= heard:
        return
    if unreliable:
        found.note(("condition",), "where names may be wrong only devices are rated: anchors are rendered, never heard")
    elif not rated and not any(METHODS[block.method].answer_kind == "rate" for block in protocol.blocks):
        found.note(("condition",), f"the protocol {protocol.name} rates nothing: anchors are rendered, never heard")


def _spaced(protocol: Protocol, found: Findings) -> None:
    """Complain about blocks that came out longer than a sitting can hold."""
    for block in protocol.blocks:
        if block.length > 1000:
            found.fault(
                ("protocol", "use"),
                f"block {block.id} has too many trials",
                got=block.length,
                allowed="1000 at most",
                remedy="fewer clips or repeats",
            )


def _controlled(
    protocol: Protocol, claims: Sequence[Claim], conditions: Sequence[StudyCondition], found: Findings
) -> None:
    """Complain about audible controls that are no condition, or one of the two that are compared."""
    known = [condition.id for condition in conditions]
    for block in protocol.blocks:
        audible = block.controls.audible if block.controls else ""
        pair = block_conditions(block, claims, conditions)[:2]
        place: Place = ("protocol", "changes") if found.source.data["protocol"].get("changes") else ("protocol", "use")
        if audible and audible not in known:
            found.fault(
                place,
                f"block {block.id}: the audible control is no condition of this study",
                got=audible,
                allowed=", ".join(known),
                remedy=did_you_mean(audible, known) or "write a [[condition]] that surely differs, with decoy = true",
            )
        elif audible and audible in pair:
            found.fault(
                place,
                f"block {block.id}: the audible control is one of the two that are compared",
                got=audible,
                remedy="write a [[condition]] of its own, with decoy = true",
            )


def _fit(protocol: Protocol, claims: Sequence[Claim], conditions: Sequence[StudyCondition], found: Findings) -> None:
    """Complain about blocks that compare more conditions, or fewer, than their method takes."""
    for block in protocol.blocks:
        if METHODS[block.method].answer_kind == "adjust":
            continue  # said by check_adjusted
        least, most = METHODS[block.method].conditions
        count = len(block_conditions(block, claims, conditions))
        if count > most or (count < least and count < len(conditions)):
            found.fault(
                ("condition",),
                f"block {block.id} would compare {count} conditions: {'too many' if count > most else 'too few'}",
                got=count,
                allowed=f"{least} to {most} ({METHODS[block.method].title.lower()})",
                remedy="make two studies of it"
                if count > most
                else "write [[claim]] with kind = 'threshold' and a device that has a grid"
                if METHODS[block.method].adaptive
                else "add a condition that is neither anchor nor decoy",
            )


def _ordered(protocol: Protocol, data: Tables, planned: int, found: Findings) -> None:
    """Say where the order of phases doesn't go with the number of listeners."""
    if not any(block.phase == "labelled" for block in protocol.blocks) or found.is_touched("listeners", "planned"):
        return
    place: Place = ("protocol", "order") if "order" in data["protocol"] else ("protocol", "use")
    if protocol.order == "crossed" and planned == 1:
        found.fault(
            place,
            "crossed gives half of the listeners each order, and one listener is planned",
            got="crossed",
            allowed="blind-first for a single listener",
            remedy="write planned under [listeners], or another order",
        )
    elif protocol.order == "crossed" and planned % 2:
        found.note(place, f"crossed: of {planned} listeners one more has one of the orders")
    elif protocol.order != "crossed" and planned > 1:
        same = f"every listener of the panel has the same order ({protocol.order})"
        found.note(place, f"{same}: order = 'crossed' tells order and blinding apart")


def _reach(
    protocol: Protocol,
    kind: str,
    claim: Tables,
    index: int | None,
    tested: Sequence[str],
    planned: int,
    found: Findings,
    data: Tables,
) -> AnyReach | None:
    """Return what the plan can show and refute of one claim; say so, and complain where it can't fail."""
    blocks = [block for block in protocol.blocks if block.counted and kind in METHODS[block.method].decides]
    if kind == "stage":
        blocks = [block for block in blocks if block.phase == "blind"]
    if kind == "attribute":
        blocks = list(attribute_blocks(protocol.blocks, claim.get("attribute", "")))
    blocks = [block for block in blocks if block.numbers.get("variant", claim.get("device")) == claim.get("device")]
    if not blocks:
        return None
    margin = claim.get("margin", next((block.margin for block in blocks if block.margin is not None), None))
    place: Place = ("protocol", "changes") if data["protocol"].get("changes") else ("protocol", "use")
    if index is not None:
        place = ("claim", index)
    if "margin" in claim and index is not None:
        place = ("claim", index, "margin")
    if margin is None and kind == "rated":
        margin = DEFAULT_MARGIN_POINTS
    if margin is None:
        found.fault(
            place if index is None else ("claim", index),
            "no margin: nothing could refute the claim",
            remedy=f"write {EXAMPLES['scale' if kind == 'attribute' and is_rated(blocks) else kind]}",
        )
        return None
    greatest, allowed = margin_range(kind, blocks[0].method)
    if margin >= greatest:
        if "margin" in claim and (kind == "attribute" or greatest < MARGINS.get(kind, (0.0, ""))[0]):
            found.fault(place, "out of range", got=margin, allowed=allowed)
        return None  # else said where the claim was looked at, or the protocol
    if kind == "threshold":
        _within_grid(claim, float(margin), blocks, data, place, found)
        return None
    if kind == "matched":
        check_match(claim, float(margin), blocks, data, place, planned, found)
        return None
    own = claim.get("clips", "all")
    share = (len(own), len(tested)) if isinstance(own, list) and tested else (1, 1)
    if kind == "rated":
        clips = len(own) if isinstance(own, list) else max(1, len(tested))
        if found.is_touched("listeners", "planned"):
            return None
        if any(block.phase == "unreliable" for block in blocks):
            if "kept" in claim and index is not None:
                found.note(("claim", index, "kept"), "where names may be wrong nothing is kept: the key is not read")
            return say_unreliable(blocks, clips, isinstance(own, list), float(margin), planned, place, found)
        return _rated(protocol, claim, clips, isinstance(own, list), float(margin), planned, place, found)
    if kind == "stage":
        clips = len(own) if isinstance(own, list) else max(1, len(tested))
        if found.is_touched("listeners", "planned") or found.is_touched("condition"):
            return None
        return say_stage(blocks, claim, clips, float(margin), planned, place, data, found)
    if kind == "attribute" and is_rated(blocks):
        clips = len(own) if isinstance(own, list) else max(1, len(tested))
        if found.is_touched("listeners", "planned"):
            return None
        return say_scale(protocol, blocks, claim, clips, float(margin), planned, place, data, found)
    trials = sum(_on_clips(block, share) for block in blocks)
    plan: Reach | PreferenceReach | AttributeReach
    if kind == "attribute":
        plan = attribute_reach(trials, margin, blocks[0].method, claim.get("direction", "two-sided"))
        _say_attribute(plan, place, found)
    elif kind == "keeps listening":
        # A choice between two slots, drawn anew for each track, is a sign test as that of pairs is.
        plan = preference_reach(trials, margin, claim.get("direction", "two-sided"), of=TRACKS)
        _say_preference(plan, place, False, found)
    elif kind == "preferred":
        plan = preference_reach(trials, margin, claim.get("direction", "two-sided"))
        _say_preference(plan, place, any(block.numbers.get("ties") for block in blocks), found)
    else:
        guess = METHODS[blocks[0].method].guess_rate
        assert guess is not None, "a method that decides what is heard has a guess rate"
        if (ruled := ruled_reach(blocks, margin, some_clips=share[0] < share[1], place=place, found=found)) is not None:
            _spread(blocks, len(tested) or len(data.get("clip", ())), place, found)
            return ruled
        plan = reach(trials, margin, guess)
        _say_reach(plan, place, guess, found)
    _spread(blocks, len(tested) or len(data.get("clip", ())), place, found)
    return plan


def _within_grid(
    claim: Tables, margin: float, blocks: Sequence[Block], data: Tables, place: Place, found: Findings
) -> None:
    """Complain where no level of the grid could show the claim, or none refute it."""
    table = next((one for _, one in entries(data, "condition") if one.get("id") == claim.get("device")), {})
    sizes = [abs(value) for _, value in levels(table)]
    if sizes and not sizes[0] <= margin < sizes[-1]:
        found.fault(
            place,
            "no level could refute the claim" if margin >= sizes[-1] else "no level could show the claim",
            got=margin,
            allowed=f"from {sizes[0]:g} up, below {sizes[-1]:g}, the largest level",
        )
    elif sizes:
        tracks = f"{len(blocks)} tracks" if len(blocks) > 1 else "one track"
        found.note(
            place,
            f"{tracks} of {', '.join(str(block.trials) for block in blocks)} trials: shown where the threshold's limit "
            f"is at most {margin:g}, refuted where it lies above; how often that is reached isn't computed here",
        )
        if len(blocks) < FEW_TRACKS:
            found.note(place, f"fewer than {FEW_TRACKS} tracks for each listener: how far they scatter is hardly known")


def _on_clips(block: Block, share: tuple[int, int]) -> int:
    """Return how many trials of a block fall on so many of the clips, at least."""
    clips, of = share
    trials = block.trials if clips == of else clips * (block.trials // of)
    return trials * block.sittings


def _say_reach(plan: Reach, place: Place, guess: float, found: Findings) -> None:
    fewest = trials_needed(plan.margin, guess) if not plan.can_fail or plan.shown_from is None else None
    remedy = f"{fewest} trials are the fewest that could" if fewest else "more trials, or a larger margin"
    got = f"{plan.trials} trials and margin {plan.margin:g}"
    if not plan.can_fail:
        at = (
            "no score would make it negligible"
            if plan.negligible_to is None
            else f"{plan.negligible_to} or fewer right would make it negligible, "
            f"which a guesser reaches with chance {plan.chance_negligible:.2f}"
        )
        found.fault(place, f"the claim can't fail: {at}", got=got, allowed="a chance of .50 or more", remedy=remedy)
    elif plan.shown_from is None:
        found.fault(place, "even all answers right would not show a difference", got=got, remedy=remedy)
    else:
        found.note(place, plan.sentence)


def _say_preference(plan: PreferenceReach, place: Place, ties: bool, found: Findings) -> None:
    weak = not plan.can_fail or plan.shown_from is None
    fewest = pairs_needed(plan.margin, plan.direction) if weak else None
    remedy = (
        f"{fewest} {plan.of.trials} are the fewest that could"
        if fewest
        else f"more {plan.of.trials}, or a larger margin"
    )
    got = f"{plan.trials} {plan.of.trials} and margin {plan.margin:g}"
    if not plan.can_fail:
        refuted = (
            f"no number of {plan.of.wins} would refute it"
            if plan.refuted_to is None
            else f"{plan.refuted_to} or fewer {plan.of.wins} would refute it, reached with chance "
            f"{plan.chance_refuted:.2f} at a true {plan.of.share} of {0.5 - plan.margin:g}"
        )
        negligible = (
            "none would make it negligible"
            if plan.negligible is None
            else f"{plan.negligible[0]} to {plan.negligible[1]} would make it negligible, reached with chance "
            f"{plan.chance_negligible:.2f} where {plan.of.neither}"
        )
        found.fault(
            place,
            f"the claim can't fail: {refuted}; {negligible}",
            got=got,
            allowed="a chance of .50 or more of one of them",
            remedy=remedy,
        )
    elif plan.shown_from is None:
        found.fault(place, f"even all {plan.of.trials} won would not show {plan.of.more}", got=got, remedy=remedy)
    else:
        tied = "; each answer 'no preference' takes a pair away" if ties else ""
        found.note(place, plan.sentence + tied)


def _say_attribute(plan: AttributeReach, place: Place, found: Findings) -> None:
    weak = not plan.can_fail or plan.shown_from is None
    fewest = choices_needed(plan.margin, plan.method, plan.direction) if weak else None
    remedy = f"{fewest} trials are the fewest that could" if fewest else "more trials, or a larger margin"
    got = f"{plan.trials} trials and margin d' {plan.margin:g}"
    if not plan.can_fail:
        refuted = (
            "no number of choices would refute it"
            if plan.refuted_to is None
            else f"{plan.refuted_to} or fewer choices would refute it, reached with chance {plan.chance_refuted:.2f} "
            f"at d' {-plan.margin:g}"
        )
        negligible = (
            "none would make it negligible"
            if plan.negligible is None
            else f"{plan.negligible[0]} to {plan.negligible[1]} would make it negligible, reached with chance "
            f"{plan.chance_negligible:.2f} by a guesser"
        )
        found.fault(
            place,
            f"the claim can't fail: {refuted}; {negligible}",
            got=got,
            allowed="a chance of .50 or more of one of them",
            remedy=remedy,
        )
    elif plan.shown_from is None:
        found.fault(place, "even all choices right would not show it", got=got, remedy=remedy)
    else:
        found.note(place, plan.sentence)


def _rated(
    protocol: Protocol,
    claim: Tables,
    clips: int,
    only_these_clips: bool,
    margin: float,
    planned: int,
    place: Place,
    found: Findings,
) -> RatedReach | None:
    drawn = None if only_these_clips else clips
    kept = float(claim.get("kept", DEFAULT_KEPT))
    times, ratings = [], []
    for phase in ("labelled", "blind"):
        own = [b for b in protocol.blocks if b.phase == phase and "rated" in METHODS[b.method].decides]
        times.append(max((block.sittings for block in own), default=0))
        ratings.append(sum(clips * int(block.numbers.get("repeats", 0)) for block in own))
        for block in own:
            if block.sittings < 2:
                found.fault(
                    ("protocol", "changes", block.id, "sittings")
                    if found.source.data["protocol"].get("changes", {}).get(block.id, {}).get("sittings")
                    else place,
                    f"block {block.id} is rated on one day only: labelled and blind are each repeated",
                    got=block.sittings,
                    allowed="2 sittings or more, each on another day",
                    remedy=f"write {block.id}.sittings = 2 under [protocol.changes]",
                )
    if not min(times) or not min(ratings) or min(times) < 2:
        return None
    plan = rated_reach(
        listeners=planned, sittings=min(times), ratings=min(ratings), margin=margin, kept=kept, clips=drawn
    )
    if plan.can_fail:
        found.note(place, plan.sentence)
        return plan
    days = sittings_needed(ratings=min(ratings), margin=margin, kept=kept)
    panel = listeners_needed(sittings=min(times), ratings=min(ratings), margin=margin, kept=kept, clips=drawn)
    names = " and ".join(
        f"{block.id}.sittings = {days}" for block in protocol.blocks if block.phase in ("blind", "labelled")
    )
    ways = []
    if planned == 1 and days:
        ways.append(f"one listener needs {days} labelled and {days} blind days: write {names} under [protocol.changes]")
    if panel:
        ways.append(f"{panel} listeners are the fewest that could: write planned = {panel} under [listeners]")
    ways.append("or a larger margin, or more clips")
    reached = (
        "a plan like this can reach no verdict at all"
        if plan.chance_vanishes == 0
        else f"an impression that is gone blind would end as 'vanishes' with chance {plan.chance_vanishes:.2f} only"
    )
    found.fault(
        place,
        f"the claim can't fail: {reached} ({plan.assumption})",
        got=plan.plan,
        allowed="a chance of .50 or more",
        remedy="; ".join(ways),
    )
    return plan


def _spread(blocks: Sequence[Block], count: int, place: Place, found: Findings) -> None:
    for block in blocks:
        if count and block.trials % count:
            found.note(
                place,
                f"{block.trials} trials of block {block.id} don't spread evenly over {count} clips: "
                f"some are heard {block.trials // count + 1} times, some {block.trials // count}",
            )
