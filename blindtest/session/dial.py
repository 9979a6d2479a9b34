"""The dial of an adjustment: where the listener's setting stands.

Only where the ladder ends does a move tell something: it stops there, and the listener is told.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from blindtest.methods import Drawn, Question, Value

__all__ = ["Dial", "measured_of", "place_of", "start_of", "turned"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Dial:
    """What the listener has done to the setting in this attempt."""

    offset: int = 0
    """Rungs above the start."""
    moves: int = 0
    """How often it was moved, steps taken back too."""
    end: str = ""
    """'less' or 'more' where the last move ran into that end, else ''."""


def turned(dial: Dial, drawn: Drawn, question: Question, offset: int) -> Dial:
    """Return the dial turned to `offset`, or as far towards it as the ladder goes."""
    start, last = start_of(drawn, question.adjusts), len(drawn.ladder) - 1
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
    place = start_of(drawn, question.adjusts) + offset
    if not 0 <= place < len(drawn.ladder):
        raise ValueError(f"the ladder has {len(drawn.ladder)} rungs, got place {place}")
    return place


def measured_of(dial: Dial, drawn: Drawn, question: Question, names: Sequence[str]) -> dict[str, Value]:
    """Return what stands beside the offset in the record, by `names`."""
    place, last = place_of(drawn, question, dial.offset), len(drawn.ladder) - 1
    held: dict[str, Value] = {
        "set": drawn.ladder[place],
        "start": drawn.ladder[start_of(drawn, question.adjusts)],
        "moves": dial.moves,
        "end": "less" if place == 0 else "more" if place == last else "",
    }
    return {name: held[name] for name in names}


def start_of(drawn: Drawn, own: str) -> int:
    """Return the place on the ladder at which the slot `own` starts."""
    return drawn.ladder.index(next(slot.condition for slot in drawn.slots if slot.name == own))
