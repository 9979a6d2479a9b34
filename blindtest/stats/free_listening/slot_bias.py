"""Do listeners stay with a slot, whatever it holds? Counts of each slot, and of the one that played first.

A bias towards a slot takes nothing from the tests of the device, whose slot was drawn; it only costs power, and tells
that behaviour was about the page rather than the sound.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from blindtest.stats.binomial import lower_tail, upper_tail
from blindtest.stats.free_listening.tracks import Track
from blindtest.stats.multiplicity import adjust_p_values
from blindtest.stats.plain import plain

__all__ = ["SlotBias", "choice_bias"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotBias:
    """How often a slot was chosen, against an equal share."""

    slot: str
    """A, B ...; "start": whichever played first."""
    chosen: int
    tracks: int
    equal_share: float
    p_value: float
    """Exact, two-sided (twice the smaller tail)."""
    p_adjusted: float
    """Over the slots; for "start" the p value itself."""
    adjustment: str = "Holm 1979, over slots"

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self)


def choice_bias(tracks: Sequence[Track]) -> tuple[SlotBias, ...]:
    """Return the bias of each slot, and of the start slot; tracks of the most frequent number of slots only."""
    chosen = [track for track in tracks if track.chosen is not None]
    if not chosen:
        return ()
    names = Counter(track.slots for track in chosen).most_common(1)[0][0]
    alike = [track for track in chosen if track.slots == names]
    picked = Counter(track.slots[track.slot_of(track.chosen)] for track in alike if track.chosen is not None)
    share = Fraction(1, len(names))
    p_values = [_two_sided(picked[name], len(alike), share) for name in names]
    adjusted = adjust_p_values(p_values).tolist() if len(names) > 2 else p_values
    found = [
        SlotBias(
            slot=name,
            chosen=picked[name],
            tracks=len(alike),
            equal_share=float(share),
            p_value=p,
            p_adjusted=q,
        )
        for name, p, q in zip(names, p_values, adjusted, strict=True)
    ]
    started = [track for track in alike if track.start is not None]
    if started:
        stayed = sum(track.start_condition == track.chosen for track in started)
        p = _two_sided(stayed, len(started), share)
        found.append(
            SlotBias(
                slot="start",
                chosen=stayed,
                tracks=len(started),
                equal_share=float(share),
                p_value=p,
                p_adjusted=p,
            )
        )
    return tuple(found)


def _two_sided(count: int, trials: int, share: Fraction) -> float:
    return min(1.0, 2 * min(upper_tail(count, trials, share), lower_tail(count, trials, share)))
