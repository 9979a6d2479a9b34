"""The ladder of an adjustment as it is served: under which names and tokens its rungs go out.

All rungs of a trial's ladder are loaded before it starts, each under a name and token of its own in drawn order, so
that a move is a switch like any other: the same fades, one common position, nothing fetched. A rung's name follows from
its distance to the start, never from its place: exchange the start, and the same moves bring up the same names.
"""

from dataclasses import dataclass

from blindtest.session.dial import start_of
from blindtest.session.sitting import Sitting

__all__ = ["Rung", "rung_now", "rungs"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rung:
    """One rung of the ladder as it is served. Stays on the server; name and token leave."""

    name: str
    token: str
    condition: str
    offset: int
    """From the start upwards, counted around the ladder: 0 ... rungs - 1."""


def rungs(sitting: Sitting, trial: int, attempt: int) -> tuple[Rung, ...]:
    """Return the rungs of a trial's ladder in the drawn order of their names; () where nothing is set."""
    own = sitting.question(trial).adjusts
    if not own or not sitting.sounds(trial):
        return ()
    drawn = sitting.planned(trial).drawn
    start, count = start_of(drawn, own), len(drawn.ladder)
    order = sitting.plan.draws.shuffled(f"ladder/{trial}/{attempt}", range(count))
    return tuple(
        Rung(
            name=(name := f"{own}-{place}"),
            token=sitting.plan.token(trial, attempt, name),
            condition=drawn.ladder[(start + offset) % count],
            offset=offset,
        )
        for place, offset in enumerate(order, start=1)
    )


def rung_now(sitting: Sitting, trial: int, attempt: int) -> Rung | None:
    """Return the rung that the listener's setting stands on; None where nothing is set."""
    held = rungs(sitting, trial, attempt)
    offset = sitting.dial.offset if trial == sitting.trial else 0
    return next((one for one in held if one.offset == offset % len(held)), None)
