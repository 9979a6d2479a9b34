"""Rests by the clock: whether one is due before a trial, from what the clock said since the last one.

Time spent resting is no listening time: it is counted from the moment at which the listener goes on. A rest is offered
between trials, never in one; how long it lasts is the listener's affair.
"""

from datetime import datetime

from blindtest.design import Block

__all__ = ["rest_due"]


def rest_due(block: Block, *, since: datetime | None, at: datetime | None) -> bool:
    """Return whether a rest is due by the clock before a trial of `block`.

    Parameters
    ----------
    since : when the listener began or went on after the last rest; None where that is not known
    at : now; None where no clock is at hand

    A clock that was set back makes no rest due: what it says now is before `since`.
    """
    if block.break_after_min is None or since is None or at is None:
        return False
    return (at - since).total_seconds() >= 60 * block.break_after_min
