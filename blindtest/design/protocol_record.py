"""A protocol as the record of a plan holds it, and back."""

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from blindtest.design.protocol import Block, Controls, Protocol
from blindtest.design.schedule import ScheduledSitting
from blindtest.design.stopping import stopping_from_record, stopping_record

__all__ = ["protocol_from_record", "protocol_record", "scheduled_record"]


def scheduled_record(scheduled: ScheduledSitting | None) -> dict[str, Any] | None:
    """Return which of a listener's sittings it is; None where there is no series."""
    if scheduled is None:
        return None
    return {
        "place": scheduled.place,
        "phase": scheduled.phase,
        "run": scheduled.run,
        "runs": scheduled.runs,
        "name": scheduled.name,
    }


def protocol_record(protocol: Protocol) -> dict[str, Any]:
    """Return a protocol as JSON can hold it; keys that plans did not have from the first only where they are used."""
    return {
        "name": protocol.name,
        "title": protocol.title,
        "source": protocol.source,
        "decides": list(protocol.decides),
        "order": protocol.order,
        "blocks": [_block_record(block) for block in protocol.blocks],
    }


def _block_record(block: Block) -> dict[str, Any]:
    record = {**asdict(block), "numbers": dict(block.numbers)}
    for name, unused in _LATER_KEYS.items():
        if record[name] == unused:
            del record[name]
    if block.stopping is not None:
        record["stopping"] = stopping_record(block.stopping)
    return record


_LATER_KEYS = {
    "controls": None,
    "confidence": False,
    "comments": False,
    "break_after_min": None,
    "stopping": None,
    "sequence": "",
}
"""Keys that plans did not have from the first; where unused they are left out, so that old plans stay as they were."""


def _block(record: Mapping[str, Any]) -> Block:
    controls, rule = record.get("controls"), record.get("stopping")
    return Block(
        **{
            **record,
            "controls": None if controls is None else Controls(**controls),
            "stopping": None if rule is None else stopping_from_record(rule),
        }
    )


def protocol_from_record(record: Mapping[str, Any]) -> Protocol:
    """Return the protocol that a record holds."""
    return Protocol(
        name=record["name"],
        title=record["title"],
        source=record["source"],
        decides=tuple(record["decides"]),
        order=record["order"],
        blocks=tuple(_block(block) for block in record["blocks"]),
    )
