"""Shown, refuted, negligible or open: the word of a claim that the device gets more than an equal share.

- *shown*: p <= alpha on the claimed side (two-sided: half of alpha on each);
- *refuted*: the same on the other side;
- *negligible*: both one-sided limits lie inside the margin around an equal share;
- *open*: none of these.

As for a preference (preference.py), *negligible* goes before *shown*: a share inside the margin was declared beforehand
not to matter.
"""

from blindtest.stats.preference import PreferenceWord, Side, word_of

__all__ = ["MEANING", "checked_margin", "side_of", "word_of"]

MEANING: dict[PreferenceWord, str] = {
    "shown": "the device gets more than an equal share",
    "refuted": "the device gets less than an equal share",
    "negligible": "the device's share differs from an equal one by less than what was declared to matter",
    "open": "neither an equal share nor a difference that matters can be ruled out",
}


def side_of(p_claimed: float, p_other: float, *, alpha: float, direction: str) -> Side:
    """Return on which side of an equal share the device's lies, as far as the p values establish it."""
    tail = alpha / 2 if direction == "two-sided" else alpha
    if p_claimed <= tail:
        return "claimed"
    return "other" if p_other <= tail else "neither"


def checked_margin(margin: float | None) -> float | None:
    """Return `margin`, or raise ValueError unless it lies in 0 ... 1."""
    if margin is not None and not 0 < margin < 1:
        raise ValueError(f"the margin, a share beyond an equal one, must lie between 0 and 1, got {margin}")
    return None if margin is None else float(margin)
