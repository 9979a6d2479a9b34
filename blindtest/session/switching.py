"""Connections that an operator makes: what the listener asked for, when it was connected, when its sound may begin.

Every connection takes the listener the same time: the sound begins a whole number of steps of `switch_s` after it was
asked for, the first at which the operator is ready. So neither the way to a unit nor whether one was there already can
be told by waiting. The operator learns which connection to make, never which sound it is for.
"""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import ceil

from blindtest.session.offer import Offer
from blindtest.session.sitting import OutOfTurn
from blindtest.words import worded

__all__ = ["Switching", "asked", "connected", "undone"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Switching:
    """One connection, asked for by the listener; stays on the server."""

    number: int
    """Counted through this run of the server, from 1."""
    offer: Offer
    asked_at: datetime
    connected_at: datetime | None = None

    @property
    def took_s(self) -> float:
        """Seconds that the operator took; 0 while it is not made."""
        if self.connected_at is None:
            return 0.0
        # A clock that was set back in between must not give a negative time.
        return round(max(0.0, (self.connected_at - self.asked_at).total_seconds()), 3)

    def ready(self, at: datetime, switch_s: float) -> bool:
        """Return whether its sound may begin."""
        if self.connected_at is None:
            return False
        steps = max(1, ceil(self.took_s / switch_s))
        return at >= self.asked_at + timedelta(seconds=steps * switch_s)


def asked(before: Switching | None, offer: Offer, at: datetime) -> Switching:
    """Return the connection for what is asked for now: the one there is, where it is for the same sound."""
    if before is not None and before.offer.token == offer.token:
        return before
    return Switching(number=1 if before is None else before.number + 1, offer=offer, asked_at=at)


def connected(switching: Switching | None, number: int, at: datetime) -> Switching:
    """Return the connection as made; said again, nothing changes.

    Raises
    ------
    OutOfTurn
        Another one is asked for now.
    """
    if switching is None or switching.number != number:
        raise OutOfTurn(worded("another connection is asked for now"), remedy=worded("look at the page again"))
    return switching if switching.connected_at is not None else replace(switching, connected_at=at)


def undone(switching: Switching | None, number: int) -> Switching:
    """Return the connection as not made: it was a wrong one.

    Raises
    ------
    OutOfTurn
        It is not the last one, or was not made.
    """
    if switching is None or switching.number != number or switching.connected_at is None:
        raise OutOfTurn(worded("another connection is asked for now"), remedy=worded("look at the page again"))
    return replace(switching, connected_at=None)
