"""What a study changes in the protocol that it uses: numbers of blocks."""

from collections.abc import Sequence
from typing import Any

from pydantic import ValidationError

from blindtest.errors import Fault, did_you_mean
from blindtest.study.block_faults import TRACK_NUMBERS
from blindtest.study.complaints import complaints
from blindtest.study.reading import Source
from blindtest.study.schema import BlockTable

__all__ = ["CHANGEABLE", "changed", "later_changes"]

CHANGEABLE = (
    "trials",
    "repeats",
    "sittings",
    "ties",
    "constant_reference",
    "attribute",
    "ends",
    "definition",
    "screening",
    "controls",
    "stopping",
    "choice_after_s",
    "adjusts",
    "against",
    "break_after",
    "break_after_min",
    "confidence",
    "sequence",
    "comments",
    "margin",
    "deadline_days",
    *TRACK_NUMBERS,
)
"""Numbers of a block that [protocol.changes] may change."""


def changed(
    protocol_file: Source, changes: dict[str, Any], source: Source, prefix: Sequence[str | int]
) -> tuple[Source, list[Fault]]:
    """Return the protocol file with a study's [protocol.changes] made, and what is wrong with those.

    `changes` stands at `prefix` of `source`, the study file: that is where its faults are placed.
    """
    faults: list[Fault] = []
    blocks = [block for block in protocol_file.data.get("block", ()) if isinstance(block, dict)]
    by_id = {block["id"]: dict(block) for block in blocks if isinstance(block.get("id"), str)}
    for name, numbers in changes.items():
        path = (*prefix, name)
        if name not in by_id:
            remedy = did_you_mean(name, by_id)
            faults.append(
                source.fault(path, "the protocol has no block of this id", allowed=", ".join(by_id), remedy=remedy)
            )
            continue
        for key, value in numbers.items():
            fault = _change_fault(by_id[name], key, value, source, path)
            if fault is None:
                by_id[name][key] = value
            else:
                faults.append(fault)
    own = [block.get("id") for block in blocks]
    mended = [by_id[name] if isinstance(name, str) else block for name, block in zip(own, blocks, strict=True)]
    data = {**protocol_file.data, "block": mended}
    return Source(
        data=data,
        lines=protocol_file.lines,
        file=protocol_file.file,
        text=protocol_file.text,
        faults=protocol_file.faults,
    ), faults


def later_changes(changes: dict[str, Any], source: Source, prefix: Sequence[str | int]) -> list[Fault]:
    """Return the changes that belong to a later stage, whatever the protocol."""
    return [
        _not_yet(key, source, (*prefix, name, key))
        for name, numbers in changes.items()
        for key in numbers
        if key in BlockTable.later
    ]


def _not_yet(key: str, source: Source, path: Sequence[str | int]) -> Fault:
    return source.fault(path, f"not yet: {key}", remedy="take the key out; a later version reads it")


def _change_fault(
    block: dict[str, Any], key: str, value: object, source: Source, path: Sequence[str | int]
) -> Fault | None:
    if key in BlockTable.later:
        return _not_yet(key, source, (*path, key))
    if key not in CHANGEABLE:
        known = ", ".join(CHANGEABLE)
        if key in BlockTable.model_fields:
            return source.fault((*path, key), "only numbers of a block can be changed here", got=key, allowed=known)
        return source.fault((*path, key), "unknown key", got=key, allowed=known, remedy=did_you_mean(key, CHANGEABLE))
    try:
        BlockTable.model_validate({**block, key: value})
    except ValidationError as error:
        mine = [fault for inner, fault in complaints(error, BlockTable, source, path) if inner[len(path)] == key]
        return mine[0] if mine else None
    return None
