"""The operator's side of an assisted sitting: what to connect now, and that it is connected.

What the operator is shown is made from the connection's own name and from counts: no slot, no answer, no sound. What
the listener is shown of it is one bit, ready or not.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from blindtest.session import LEVEL_TRIAL, Offer, Sitting, Switching, asked, connected, undone

__all__ = ["OperatorDesk", "Task"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """What the operator's page shows."""

    state: Literal["waiting", "connect", "connected", "over"]
    number: int = 0
    """Of the connection; goes back with what the operator says of it."""
    connect: str = ""
    trial: int = 0
    """As a person counts it; 0 while the level is set."""
    of: int = 0
    made: int = 0
    """Connections made in this run."""


class OperatorDesk:
    """Holds the connection that is asked for now; its caller sees to it that one thing is done at a time.

    Parameters
    ----------
    connections : condition to what the operator reads
    switch_s : seconds from what is asked for to its sound, the same for all
    clock : returns the present time, with its zone
    """

    def __init__(self, connections: Mapping[str, str], *, switch_s: float, clock: Callable[[], datetime]) -> None:
        self.connections = connections
        self.switch_s = switch_s
        self.clock = clock
        self.made = 0
        self._now: Switching | None = None

    def ask(self, offer: Offer) -> bool:
        """Ask for what `offer` sounds through, and return whether it may sound now."""
        self._now = asked(self._now, offer, self.clock())
        return self.ready(offer.token)

    def ready(self, token: str = "") -> bool:
        """Return whether what sounds under `token` ('': anything) is connected and its time has come."""
        now = self._now
        return now is not None and token in ("", now.offer.token) and now.ready(self.clock(), self.switch_s)

    def connecting(self, number: int) -> Switching | None:
        """Return the connection as it will be once it is put down as made; None where that was done before.

        Raises
        ------
        OutOfTurn
            Another one is asked for now.
        """
        made = connected(self._now, number, self.clock())
        return None if made == self._now else made

    def put(self, made: Switching) -> None:
        """Put a connection down as made, once that is on record."""
        self._now = made
        self.made += 1

    def wrong(self, number: int) -> Switching:
        """Return the connection last made, which was wrong; see `undo`. Raises as `connecting`."""
        undone(self._now, number)
        assert self._now is not None
        return self._now

    def undo(self, number: int) -> None:
        """Take a wrong connection as not made: while its trial is in hand it is asked for again."""
        self._now = undone(self._now, number)

    def task(self, sitting: Sitting) -> Task:
        """Return what the operator is shown: made from names of connections and counts."""
        now = self._now
        counts: dict[str, Any] = {"of": sitting.plan.length, "made": self.made}
        if sitting.over:
            return Task(state="over", **counts)
        if now is None or not in_hand(now.offer, sitting):
            return Task(state="waiting", **counts)
        return Task(
            state="connect" if now.connected_at is None else "connected",
            number=now.number,
            connect=self.connections[now.offer.condition],
            trial=0 if now.offer.trial == LEVEL_TRIAL else now.offer.trial + 1,
            **counts,
        )


def in_hand(offer: Offer, sitting: Sitting) -> bool:
    """Return whether what is offered may be heard now, rather than fetched for later."""
    if offer.trial == LEVEL_TRIAL:
        return sitting.step == "level"
    return (offer.trial, offer.attempt) == (sitting.trial, sitting.attempt)
