"""Unreliable labels: which trials carry the right names, and which name stands where a wrong one does.

Listeners are told that names are right on a random, unmarked half of the trials. So that name and sound can be told
apart whatever comes, the half is exact: of the trials of each clip, under each name (where one sound is rated at a
time) as many carry the right name as a wrong one; of an odd number the one more is right and wrong in turn. A wrong
name is that of another compared condition: all names of a trial move on by the same number of places, and over the
clips every number comes equally often, up to one. Where the number of trials is even, every sound is named rightly on
exactly half of its trials of each clip, too.

What is drawn first is the *name*, as a truth is drawn elsewhere; how far the sound lies from it is drawn apart from it.
So the page is the same, byte for byte, whatever sounds.
"""

from collections.abc import Sequence

from blindtest.design.draws import Draws
from blindtest.methods import Drawn, Slot

__all__ = ["moved", "names_read_in", "places_moved"]


def places_moved(
    draws: Draws, block: str, clips: Sequence[str], orders: Sequence[int], conditions: int
) -> tuple[int, ...]:
    """Return for each trial of a block by how many places sounds lie from their names: 0 where the names are right.

    Parameters
    ----------
    block : its id; the purposes of the draws are "labels/...", of no other draw
    clips, orders : of each trial, as the plan drew them; an order is the place of the one name that is shown, where
        one sound is rated at a time, else 0
    conditions : how many are compared, 2 at least
    """
    if conditions < 2:
        raise ValueError(f"a wrong name needs another condition, got {conditions}")
    moves = [0] * len(clips)
    wrong = draws.source(f"labels/{block}/wrong")(conditions - 1)
    odd = draws.source(f"labels/{block}/odd")(2)
    for clip in draws.shuffled(f"labels/{block}", tuple(dict.fromkeys(clips))):
        own = [number for number, name in enumerate(clips) if name == clip]
        most = 0
        for order in sorted({orders[number] for number in own}):
            trials = [number for number in own if orders[number] == order]
            wrongs, rest = divmod(len(trials), 2)
            if rest:
                wrongs, odd = wrongs + odd, 1 - odd
            # The same moves under every name of a clip: then each sound is named rightly as often as wrongly, too.
            dealt = (*((wrong + k) % (conditions - 1) + 1 for k in range(wrongs)), *((0,) * (len(trials) - wrongs)))
            for number, places in zip(trials, draws.shuffled(f"labels/{block}/{clip}/{order}", dealt), strict=True):
                moves[number] = places
            most = max(most, wrongs)
        wrong += most
    return tuple(moves)


def moved(named: Drawn, conditions: Sequence[str], places: int) -> Drawn:
    """Return a trial whose sounds lie `places` on from what its slots are called; nothing of it is right or wrong."""
    sounding = {name: conditions[(at + places) % len(conditions)] for at, name in enumerate(conditions)}
    return Drawn(
        slots=tuple(Slot(name=one.name, role=one.role, condition=sounding[one.condition]) for one in named.slots)
    )


def names_read_in(named: Drawn) -> dict[str, str]:
    """Return the condition whose name stands at each slot."""
    return {slot.name: slot.condition for slot in named.slots}
