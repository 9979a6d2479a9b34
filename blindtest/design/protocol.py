"""Protocols: ordered blocks, each a method with its phase and numbers."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from blindtest.methods import Value

__all__ = ["Block", "Phase", "Protocol"]

Phase = Literal["practice", "worn", "labelled", "blind"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """One stretch of a protocol: a method, its phase and its numbers."""

    id: str
    phase: Phase
    method: str
    trials: int
    feedback: bool = False
    spread: Literal["clips"] = "clips"
    """Trials are spread evenly over the clips, order drawn."""
    break_after: int | None = None
    """A rest is offered after every so many trials."""
    margin: float | None = None
    """Smallest effect that would matter; for discrimination: share of trials heard beyond guessing."""
    deadline_days: float | None = None
    """An unfinished sitting counts as abandoned after this."""
    sittings: int = 1
    """In how many sittings, each on another day, the block is run."""
    numbers: Mapping[str, Value] = field(default_factory=dict)
    """What the method itself reads."""

    @property
    def counted(self) -> bool:
        """Whether the answers enter the analysis."""
        return self.phase != "practice"

    @property
    def named(self) -> bool:
        """Whether the listener reads the names of what sounds."""
        return self.phase in ("worn", "labelled")


@dataclass(frozen=True, slots=True, kw_only=True)
class Protocol:
    """An ordered list of blocks, and which kinds of claim it decides."""

    name: str
    title: str
    source: str
    decides: tuple[str, ...]
    blocks: tuple[Block, ...]
    order: Literal["blind-first", "labelled-first", "crossed"] = "blind-first"
    """Which phase comes first, where there are two: one for every listener, or half of the listeners each."""

    @property
    def trials(self) -> int:
        """Number of trials in all blocks."""
        return sum(block.trials for block in self.blocks)

    @property
    def deadline_days(self) -> float:
        """The longest deadline of the blocks; 7 days where none is given."""
        return max((b.deadline_days for b in self.blocks if b.deadline_days is not None), default=7.0)
