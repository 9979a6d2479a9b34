"""Up-down rules: the answers of a track so far in, the next place on the grid of levels out.

*Transformed* (Levitt 1971, JASA 49, 467): so many right answers in a row go a step down, one wrong one a step up; it
settles where both are equally likely, at p^k = 1/2: .5000, .7071, .7937, .8409 for k = 1 ... 4. *Weighted* (Kaernbach
1991, Perception & Psychophysics 49, 227): each right answer goes a step down, each wrong one `ratio` steps up; it
settles where ratio (1 - p) = p, at .75 for a ratio of 3.

Places are counted in whole levels of the grid, 0 the faintest. The step is halved at each of the first reversals; a
reversal is an answer that turns the direction, also where the end of the grid holds the track in place.
"""

from collections.abc import Sequence

__all__ = ["transformed", "weighted"]


def transformed(answers: Sequence[bool], *, levels: int, start: int, step: int, halvings: int, down: int) -> int:
    """Return the place of the next trial, 0 ... levels - 1, after `answers` (right or wrong, in order).

    `down`: right answers in a row for a step down; `start`: first place; `step`: first step, halved at the first
    `halvings` reversals and never below 1.
    """
    if down < 1:
        raise ValueError(f"a step down needs at least one right answer, got {down}")
    track = _Track(levels=levels, start=start, step=step, halvings=halvings)
    row = 0
    for right in answers:
        row = row + 1 if right else 0
        if not right:
            track.go(1)
        elif row == down:
            row = 0
            track.go(-1)
    return track.place


def weighted(answers: Sequence[bool], *, levels: int, start: int, step: int, halvings: int, ratio: int) -> int:
    """Return the place of the next trial, 0 ... levels - 1, after `answers`; up by `ratio` times the step down."""
    if ratio < 1:
        raise ValueError(f"the step up is at least the step down, got a ratio of {ratio}")
    track = _Track(levels=levels, start=start, step=step, halvings=halvings)
    for right in answers:
        track.go(-1 if right else 1, times=1 if right else ratio)
    return track.place


class _Track:
    """A track as it stands: its place, its step, the direction it last went."""

    def __init__(self, *, levels: int, start: int, step: int, halvings: int) -> None:
        if levels < 1 or not 0 <= start < levels:
            raise ValueError(f"a track starts at one of its levels, got place {start} of {levels}")
        if step < 1 or halvings < 0:
            raise ValueError(f"steps are 1 or more, halvings 0 or more, got {step} and {halvings}")
        self.place, self._levels, self._step, self._left, self._way = start, levels, step, halvings, 0

    def go(self, way: int, *, times: int = 1) -> None:
        """Go `times` steps up (1) or down (-1); halve the step first where that turns the direction."""
        if self._way == -way and self._left:
            self._left -= 1
            self._step = max(1, self._step // 2)
        self._way = way
        self.place = min(max(self.place + way * times * self._step, 0), self._levels - 1)
