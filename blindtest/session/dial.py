"""The dial of an adjustment: where the listener's setting stands, and under which names its ladder is served.

All rungs of a trial's ladder are loaded before it starts, each under a name and token of its own in drawn order, so
that a move is a switch like any other: the same fades, one common position, nothing fetched. A rung's name follows from
its distance to the start, never from its place: exchange the start, and the same moves bring up the same names. Only
where the ladder ends does a move tell something: it stops there, and the listener is told.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from blindtest.methods import Drawn, Question, Value

if TYPE_CHECKING:
    from blindtest.session.sitting import Sitting

__all__ = ["Dial", "Rung", "measured_of", "place_of", "rung_now", "rungs", "turned"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Dial:
    """What the listener has done to the setting in this attempt."""

    offset: int = 0
    """Rungs above the start."""
    moves: int = 0
    """How often it was moved, steps taken back too."""
    end: str = ""
    """'less' or 'more' where the last move ran into that end, else ''."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rung:
    """One rung of the ladder as it is served. Stays on the server; name and token leave."""

    name: str
    token: str
    condition: str
    offset: int
    """From the start upwards, counted around the ladder: 0 ... rungs - 1."""


def rungs(sitting: "Sitting", trial: int, attempt: int) -> tuple[Rung, ...]:
    """Return the rungs of a trial's ladder in the drawn order of their names; () where nothing is set."""
    own = sitting.question(trial).adjusts
    if not own or not sitting.sounds(trial):
        return ()
    drawn = sitting.planned(trial).drawn
    start, count = _start(drawn, own), len(drawn.ladder)
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


def rung_now(sitting: "Sitting", trial: int, attempt: int) -> Rung | None:
    """Return the rung that the listener's setting stands on; None where nothing is set."""
    held = rungs(sitting, trial, attempt)
    offset = sitting.dial.offset if trial == sitting.trial else 0
    return next((one for one in held if one.offset == offset % len(held)), None)


def turned(dial: Dial, drawn: Drawn, question: Question, offset: int) -> Dial:
    """Return the dial turned to `offset`, or as far towards it as the ladder goes."""
    start, last = _start(drawn, question.adjusts), len(drawn.ladder) - 1
    reached = min(max(offset, -start), last - start)
    return Dial(
        offset=reached,
        # A page that was opened anew says again where the dial stands: that is no move.
        moves=dial.moves + (offset != dial.offset),
        end="more" if offset > reached else "less" if offset < reached else "",
    )


def place_of(drawn: Drawn, question: Question, offset: int) -> int:
    """Return the place on the ladder, 0 at its lower end, that lies `offset` above the start.

    Raises
    ------
    ValueError
        There is no such place.
    """
    place = _start(drawn, question.adjusts) + offset
    if not 0 <= place < len(drawn.ladder):
        raise ValueError(f"the ladder has {len(drawn.ladder)} rungs, got place {place}")
    return place


def measured_of(dial: Dial, drawn: Drawn, question: Question, names: Sequence[str]) -> dict[str, Value]:
    """Return what stands beside the offset in the record, by `names`."""
    place, last = place_of(drawn, question, dial.offset), len(drawn.ladder) - 1
    held: dict[str, Value] = {
        "set": drawn.ladder[place],
        "start": drawn.ladder[_start(drawn, question.adjusts)],
        "moves": dial.moves,
        "end": "less" if place == 0 else "more" if place == last else "",
    }
    return {name: held[name] for name in names}


def _start(drawn: Drawn, own: str) -> int:
    return drawn.ladder.index(next(slot.condition for slot in drawn.slots if slot.name == own))
