"""Can ratings refute the claim? The chance that a plan ends as *vanishes* when the blind effect is nothing.

*Vanishes* is what is left of the partition of claims, section 4, when the blind effect d keeps inside the margin M:
L(d) > -M at alpha, U(d) < M at alpha/2 (which rejects *survives* and *shrinks* at once), and the labelled effect is on
record, L(s) > 0. With normal effects of known scatter the chance of the first two is an integral over the distribution
of the standard deviation that the study will find (chi square, n - 1 degrees of freedom), that of the third a
noncentral t; the two are taken as independent, which they are for a single listener's sittings. Where clips are a
sample of clips (a panel, five clips or more, none named by the claim) the same is integrated over what clips seem to
add by chance alone: they are assumed not to differ.

The unit is a listener of a panel, or a sitting of a single listener. What scatters, standard deviations in points of a
scale of 100: 8 between listeners (the same labelled and blind), 6 anew in each mode (between sittings for a single
listener), 12 for a single rating. These are the assumptions of claims, section 4; the labelled effect is taken as 20.
"""

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass
from math import sqrt
from typing import Literal

from blindtest.study.tails import ALPHA, LEAST_CHANCE

__all__ = ["RatedReach", "chance_within", "fewest", "listeners_needed", "rated_reach", "sittings_needed"]

SD_LISTENER = 8.0
SD_MODE = 6.0
SD_RATING = 12.0
LABELLED_EFFECT = 20.0
"""Assumed for the chance that there is a labelled effect on record."""
LEAST_UNITS = 3
"""With fewer listeners (or sittings in a mode) no verdict is drawn."""
LEAST_CLIPS = 5
"""With fewer, a verdict is about these clips."""
_NODES = 160
"""Classes of each variance."""
_MOST = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class RatedReach:
    """How often a plan of labelled and blind ratings ends as *vanishes* when it should."""

    unit: Literal["listener", "sitting"]
    """What the limits are computed over: listeners of a panel, sittings of a single listener."""
    listeners: int
    sittings: int
    """In each mode, of each listener; the smaller number where the modes differ."""
    ratings: int
    """Of each condition in each mode and sitting: clips x repeats."""
    margin: float
    """Points of the scale."""
    clips: int | None
    """Clips that are a sample of clips; None: the verdict is about these clips."""
    kept: float
    chance_vanishes: float
    """Where the blind effect is 0 and the labelled one 20."""

    @property
    def can_fail(self) -> bool:
        """Whether an effect that is none ends as *vanishes* at least every other time."""
        return self.chance_vanishes >= LEAST_CHANCE

    @property
    def plan(self) -> str:
        """The plan in words."""
        times = f"{self.sittings} labelled and {self.sittings} blind sitting{'s' if self.sittings > 1 else ''}"
        who = "one listener" if self.listeners == 1 else f"{self.listeners} listeners"
        return f"{who}, {times}{' each' if self.listeners > 1 else ''}, margin {self.margin:g}"

    @property
    def assumption(self) -> str:
        """What the chance rests on."""
        between = f"{SD_LISTENER:g} between listeners, " if self.unit == "listener" else ""
        return (
            f"assumed: standard deviations of {between}{SD_MODE:g} new in each "
            f"{'mode' if self.unit == 'listener' else 'sitting'} and {SD_RATING:g} of a single rating, "
            f"labelled effect {LABELLED_EFFECT:g} of 100 points"
            + ("" if self.clips is None else f", the same on each of {self.clips} clips, which are a sample of clips")
        )

    @property
    def sentence(self) -> str:
        """What the plan can refute, in plain words."""
        return (
            f"with {self.plan}, an impression that is gone blind ends as 'vanishes' with chance "
            f"{self.chance_vanishes:.2f} ({self.assumption})"
        )


def rated_reach(
    *,
    listeners: int,
    sittings: int,
    ratings: int,
    margin: float,
    kept: float,
    clips: int | None = None,
) -> RatedReach:
    """Return how often a plan ends as *vanishes* when the blind effect is 0.

    Parameters
    ----------
    listeners : 1 is judged by sittings, more by listeners
    sittings : in each mode, of each listener
    ratings : of each condition in each mode and sitting
    margin : points
    kept : share of the labelled effect that counts as surviving; the chance of *vanishes* doesn't depend on it
    clips : the clips, where they are a sample of clips; None: the verdict is about these
    """
    single = listeners == 1
    drawn = clips if clips is not None and clips >= LEAST_CLIPS and not single else None
    units = sittings if single else listeners
    scatter = SD_RATING**2 * 2 / (ratings * (1 if single else sittings))
    variance = SD_MODE**2 + scatter + (0.0 if single else SD_LISTENER**2)
    return RatedReach(
        unit="sitting" if single else "listener",
        listeners=listeners,
        sittings=sittings,
        ratings=ratings,
        margin=margin,
        clips=drawn,
        kept=kept,
        chance_vanishes=_chance(units, sqrt(variance / units), margin, drawn, sqrt(scatter / units))
        if units >= LEAST_UNITS
        else 0.0,
    )


def sittings_needed(*, ratings: int, margin: float, kept: float) -> int | None:
    """Return the fewest sittings in each mode with which a single listener can refute a claim; None: over 400."""
    return fewest(
        lambda count: rated_reach(listeners=1, sittings=count, ratings=ratings, margin=margin, kept=kept).can_fail
    )


def listeners_needed(
    *, sittings: int, ratings: int, margin: float, kept: float, clips: int | None = None
) -> int | None:
    """Return the fewest listeners of a panel that can refute a claim; None: over 400."""
    return fewest(
        lambda count: (
            rated_reach(
                listeners=count, sittings=sittings, ratings=ratings, margin=margin, kept=kept, clips=clips
            ).can_fail
        )
    )


def fewest(can_fail: Callable[[int], bool], counts: range = range(LEAST_UNITS, _MOST + 1)) -> int | None:
    """Return the smallest number that can, up to 400; more never hurt, so by halving."""
    place = bisect_left(counts, True, key=can_fail)
    return counts[place] if place < len(counts) else None


def _chance(units: int, std_error: float, margin: float, clips: int | None, of_scatter: float) -> float:
    """Return the chance of *vanishes* where the blind effect is 0; see `chance_within`."""
    from scipy.special import nctdtr, stdtrit

    df = units - 1
    on_record = 1 - float(nctdtr(df, LABELLED_EFFECT / std_error, stdtrit(df, 1 - float(ALPHA))))
    vanishes = chance_within(df, std_error, margin, clips, of_scatter, above=float(ALPHA) / 2)
    return vanishes * min(1.0, max(0.0, on_record))


def chance_within(
    df: int, std_error: float, margin: float, clips: int | None, of_scatter: float, *, above: float
) -> float:
    """Return the chance that both limits of an effect that is 0 keep inside the margin.

    Parameters
    ----------
    df : degrees of freedom of the standard deviation that the study will find
    std_error : of a mean over the units
    clips : number, where what they seem to add counts; None: it does not
    of_scatter : the part of the standard error that single ratings make
    above : level of the upper limit, one-sided; the lower one is at alpha
    """
    import numpy as np
    from scipy.special import chdtri, ndtr, stdtrit

    middles = (np.arange(_NODES) + 0.5) / _NODES
    # The variance that the study will find, at the middles of equally likely classes; of clips, what chance adds.
    own = std_error**2 * chdtri(df, 1 - middles)[:, None] / df
    floor = np.zeros((1, 1)) if clips is None else of_scatter**2 * chdtri(clips - 1, 1 - middles)[None, :] / (clips - 1)
    added = np.zeros((1, 1)) if clips is None else np.maximum(floor - of_scatter**2, 0.0)

    def half(alpha: float) -> "np.ndarray":
        t = stdtrit(df, 1 - alpha)
        if clips is None:
            return np.asarray(t * np.sqrt(own))
        of_clips = stdtrit(clips - 1, 1 - alpha)
        share = added / (own + added)
        weighed = ((1 - share) * t + share * of_clips) * np.sqrt(own + added)
        return np.maximum(np.maximum(weighed, t * np.sqrt(own)), np.where(added > 0, of_clips * np.sqrt(floor), 0.0))

    inside = ndtr((margin - half(above)) / std_error) - ndtr((half(float(ALPHA)) - margin) / std_error)
    return float(np.mean(np.maximum(inside, 0.0)))
