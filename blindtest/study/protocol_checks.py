"""Whether the blocks of a protocol go with what the study compares: anchors, lengths, controls, conditions, phases."""

from collections.abc import Sequence

from blindtest.design import METHODS, Claim, Protocol
from blindtest.errors import did_you_mean
from blindtest.study.comparing import block_conditions
from blindtest.study.condition import StudyCondition
from blindtest.study.entries import entries
from blindtest.study.findings import Findings
from blindtest.study.lines import Place
from blindtest.study.reading import Tables

__all__ = ["check_anchors", "check_conditions", "check_controls", "check_length", "check_phases"]


def check_anchors(data: Tables, protocol: Protocol, found: Findings) -> None:
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


def check_length(protocol: Protocol, found: Findings) -> None:
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


def check_controls(
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


def check_conditions(
    protocol: Protocol, claims: Sequence[Claim], conditions: Sequence[StudyCondition], found: Findings
) -> None:
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


def check_phases(protocol: Protocol, data: Tables, planned: int, found: Findings) -> None:
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
