"""A study's protocol, with the changes that the study makes to it; and whether each claim can fail under it."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from blindtest.design import Claim, Protocol
from blindtest.errors import BlindtestError
from blindtest.study.adjusting import check_adjusted
from blindtest.study.attribute_reach import ALTERNATIVES
from blindtest.study.claim_reach import claim_reach
from blindtest.study.comparing import with_trials
from blindtest.study.condition import StudyCondition
from blindtest.study.entries import entries
from blindtest.study.factorials import cells
from blindtest.study.findings import Findings
from blindtest.study.grids import levels
from blindtest.study.named_files import check_named_file
from blindtest.study.originals import check_original
from blindtest.study.protocol_changes import changed, later_changes
from blindtest.study.protocol_checks import check_anchors, check_conditions, check_controls, check_length, check_phases
from blindtest.study.protocols import is_path, protocol_source, read_protocol
from blindtest.study.rated_claims import check_attributes
from blindtest.study.reading import Tables
from blindtest.study.refutation import AnyReach
from blindtest.study.stage_claims import check_blind
from blindtest.study.unreliable_checks import ORDER
from blindtest.study.unreliable_deciding import check_order
from blindtest.study.variants import blocks_of_variants

__all__ = ["primary_index", "read_study_protocol"]


def read_study_protocol(data: Tables, folder: Path, found: Findings) -> tuple[Protocol | None, Mapping[str, AnyReach]]:
    """Return the protocol with the study's changes made, and what it can show of each claim by the claim's id."""
    table = data.get("protocol", {})
    use = table.get("use")
    changes = {name: numbers for name, numbers in table.get("changes", {}).items() if isinstance(numbers, dict)}
    if not isinstance(use, str):
        return None, {}
    if is_path(use) and not check_named_file(use, ("protocol", "use"), folder, found):
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
    if not tables and not found.source.data.get("claim") and protocol.decides != ("heard",):
        found.fault(
            ("protocol", "use"),
            f"no claim: the protocol {protocol.name} decides what is {' and '.join(protocol.decides)}",
            remedy="write [[claim]] with id, kind, device and comparator",
        )
        return None, {}
    check_anchors(data, protocol, found)
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
    check_length(protocol, found)
    if not found.is_touched("condition"):
        check_adjusted(protocol, [claims[index] for index in ordered], conditions, data, found)
        check_conditions(protocol, [claims[index] for index in ordered], conditions, found)
        check_controls(protocol, [claims[index] for index in ordered], conditions, found)
    planned = data.get("listeners", {}).get("planned", 1)
    check_phases(protocol, data, planned, found)
    reaches: dict[str, AnyReach] = {}
    if not tables and not found.source.data.get("claim"):
        one = claim_reach(protocol, "heard", {}, None, (), planned, found, data)
        return protocol, {"heard": one} if one is not None else {}
    for index, claim in tables.items():
        path = ("claim", index)
        if claim.get("kind") not in protocol.decides or any(
            found.is_touched(*path, key) for key in ("kind", "margin", "clips", "direction", "kept")
        ):
            continue
        one = claim_reach(protocol, claim["kind"], claim, index, names, planned, found, data)
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
