"""Schedules: which blocks make a sitting, and which sitting comes when.

A protocol whose listener never reads a name is one sitting of all its blocks. One with named phases (worn, labelled) is
a series: each phase in sittings of its own, on different days, so that nobody compares what was labelled with what was
blind within one hour. With unreliable labels one phase holds both; what is blind beside it (recognition) belongs to the
same sittings. Practice blocks go with the first phase that follows them; a block without sound, worn, comes first,
since the unit goes back.
"""

from dataclasses import dataclass, replace
from typing import Literal

from blindtest.design.protocol import Block, Phase, Protocol

__all__ = ["First", "ScheduledSitting", "first_phase", "sittings_of"]

First = Literal["blind", "labelled"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ScheduledSitting:
    """One sitting of a listener's series."""

    place: int
    """0-based, in the listener's series."""
    phase: Phase
    """What the sitting is about."""
    run: int
    """0-based: the how-manieth sitting of its phase."""
    runs: int
    """How many sittings its phase has."""
    protocol: Protocol
    """Only the blocks of this sitting."""

    @property
    def name(self) -> str:
        """What a register calls it."""
        return self.phase if self.runs == 1 else f"{self.phase} {self.run + 1} of {self.runs}"


def first_phase(protocol: Protocol, listener: int, drawn: tuple[First, First]) -> First:
    """Return which phase the `listener`-th listener (0-based) has first.

    `drawn`: for 'crossed', the two orders in drawn succession for this listener and their neighbour, so that half of a
    panel has each.
    """
    if protocol.order == "crossed":
        return drawn[listener % 2]
    return "labelled" if protocol.order == "labelled-first" else "blind"


def sittings_of(protocol: Protocol, *, first: First = "blind") -> tuple[ScheduledSitting, ...]:
    """Return a listener's sittings in order."""
    if not any(block.named for block in protocol.blocks):
        return (ScheduledSitting(place=0, phase="blind", run=0, runs=1, protocol=protocol),)
    phases: list[Phase] = ["worn", "blind", "labelled"] if first == "blind" else ["worn", "labelled", "blind"]
    if _has_unreliable(protocol):
        phases = ["worn", "unreliable"]
    series: list[ScheduledSitting] = []
    for phase in phases:
        blocks = tuple(block for block in protocol.blocks if _sits_with(protocol, block) == phase)
        runs = max((block.sittings for block in blocks if block.phase == phase), default=0)
        for run in range(runs):
            present = tuple(block for block in blocks if run < block.sittings or block.phase == "practice")
            series.append(
                ScheduledSitting(
                    place=len(series), phase=phase, run=run, runs=runs, protocol=replace(protocol, blocks=present)
                )
            )
    return tuple(series)


def _has_unreliable(protocol: Protocol) -> bool:
    return any(block.phase == "unreliable" for block in protocol.blocks)


def _sits_with(protocol: Protocol, block: Block) -> Phase:
    """Return the phase whose sittings `block` belongs to: for practice, that of the block that follows."""
    following = protocol.blocks[protocol.blocks.index(block) :]
    phase: Phase = next((one.phase for one in following if one.phase != "practice"), "blind")
    return "unreliable" if phase == "blind" and _has_unreliable(protocol) else phase
