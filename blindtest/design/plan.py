"""Plans: everything drawn for one sitting, from one seed."""

from dataclasses import dataclass

from blindtest.methods import Drawn

__all__ = ["PlannedTrial"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedTrial:
    """One trial of a sitting, truth included. Stays on the server."""

    number: int
    """0-based, through the whole sitting."""
    block: str
    block_trial: int
    """0-based, within its block."""
    phase: str
    method: str
    clip: str
    drawn: Drawn
    feedback: bool
    break_before: bool
