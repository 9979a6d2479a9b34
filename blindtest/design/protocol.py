"""Protocols: ordered blocks, each a method with its phase and numbers."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from blindtest.design.stopping import Stopping
from blindtest.methods import Value

__all__ = ["Block", "ControlKind", "Controls", "Phase", "Protocol"]

Phase = Literal["practice", "worn", "labelled", "unreliable", "blind"]
"""'unreliable': names are shown that are right on a random, unmarked half of the trials; listeners are told so."""


ControlKind = Literal["audible", "inaudible"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Controls:
    """Trials of a block whose truth is known beforehand: they show whether listener and chain could show anything.

    They come on top of the trials that count, at drawn places, on the same page, and never enter a claim.
    """

    every: int
    """One for every so many trials that count."""
    audible: str = ""
    """Id of a condition that surely differs from the comparator, in whose company it is heard; '' for none."""
    inaudible: bool = False
    """Whether the comparator is also heard against itself: nothing but luck is right then."""

    @property
    def kinds(self) -> tuple[ControlKind, ...]:
        """The kinds there are."""
        held: tuple[tuple[ControlKind, bool], ...] = (("audible", bool(self.audible)), ("inaudible", self.inaudible))
        return tuple(kind for kind, there in held if there)


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """One stretch of a protocol: a method, its phase and its numbers."""

    id: str
    phase: Phase
    method: str
    trials: int
    """Without controls; the most there can be, where a stopping rule may end the block before."""
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
    controls: Controls | None = None
    confidence: bool = False
    """Whether each answer is asked how sure it is."""
    comments: bool = False
    """Whether each trial takes a free remark, which no analysis reads."""
    break_after_min: float | None = None
    """A rest is also offered once the listener has been at it for so long without one."""
    stopping: Stopping | None = None
    """By which rule the block may end early; None: its number of trials is fixed."""
    sequence: Literal["", "williams"] = ""
    """'williams': all conditions of a clip one after the other (side by side: in the slots), in orders of a Williams
    design over rounds and listeners; '': drawn."""

    @property
    def control_trials(self) -> int:
        """Number of control trials, on top of `trials`."""
        return self.trials // self.controls.every if self.controls else 0

    @property
    def length(self) -> int:
        """Number of trials that a listener meets in it."""
        return self.trials + self.control_trials

    @property
    def counted(self) -> bool:
        """Whether the answers enter the analysis."""
        return self.phase != "practice"

    @property
    def named(self) -> bool:
        """Whether the listener reads names beside what sounds."""
        return self.phase in ("worn", "labelled", "unreliable")


@dataclass(frozen=True, slots=True, kw_only=True)
class Protocol:
    """An ordered list of blocks, and which kinds of claim it decides."""

    name: str
    title: str
    source: str
    decides: tuple[str, ...]
    blocks: tuple[Block, ...]
    order: Literal["blind-first", "labelled-first", "crossed", "unreliable-labels"] = "blind-first"
    """Which phase comes first, where there are two: one for every listener, or half of the listeners each. With
    unreliable labels there is one phase, and no order."""

    @property
    def trials(self) -> int:
        """Number of trials in all blocks, controls among them."""
        return sum(block.length for block in self.blocks)

    @property
    def deadline_days(self) -> float:
        """The longest deadline of the blocks; 7 days where none is given."""
        return max((b.deadline_days for b in self.blocks if b.deadline_days is not None), default=7.0)
