"""Dwell: for how long each slot sounded, counted from the times of what happened, pauses left out.

Counted per slot from the moment at which the last of them begins to sound for the first time: before it the listener
can't have stayed with one rather than another. Which slot that is follows from the start, which is drawn.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

__all__ = ["Dwell"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Dwell:
    """What has sounded so far."""

    slot: str | None = None
    """The one that sounds, or sounded before the pause."""
    since: datetime | None = None
    """From when on it is still to be counted; None in a pause."""
    sounded_s: float = 0.0
    """Of all slots together, from the first sound."""
    counting: bool = False
    """Whether seconds are counted for each slot."""
    seconds: Mapping[str, float] = field(default_factory=dict)

    def until(self, at: datetime) -> "Dwell":
        """Return it with all that sounded until `at` counted. A clock that was set back takes nothing away."""
        if self.since is None or self.slot is None:
            return self
        run = max(0.0, (at - self.since).total_seconds())
        seconds = {**self.seconds, self.slot: self.seconds.get(self.slot, 0.0) + run} if self.counting else self.seconds
        return replace(self, since=at, sounded_s=self.sounded_s + run, seconds=seconds)

    def turned(self, slot: str, at: datetime, *, all_heard: bool) -> "Dwell":
        """Return it with `slot` sounding from `at` on."""
        return replace(self.until(at), slot=slot, since=at, counting=all_heard)

    def paused(self, at: datetime) -> "Dwell":
        """Return it in silence from `at` on."""
        return replace(self.until(at), since=None)

    def resumed(self, at: datetime) -> "Dwell":
        """Return it sounding again from `at` on, if anything has sounded before."""
        return self if self.slot is None or self.since is not None else replace(self, since=at)
