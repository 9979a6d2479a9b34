"""Can ratings refute the claim? The chance that a plan ends as *vanishes* when the blind effect is nothing.

*Vanishes* is what is left of the partition of claims, section 4, when the blind effect d keeps inside the margin M:
L(d) > -M at alpha, U(d) < M at alpha/2 (which rejects *survives* and *shrinks* at once), and the labelled effect is on
record, L(s) > 0. With normal effects of known scatter the chance of the first two is an integral over the distribution
of the standard deviation that the study will find (chi square, n - 1 degrees of freedom), that of the third a
noncentral t; the two are taken as independent, which they are for a single listener's sittings.

The unit is a listener of a panel, or a sitting of a single listener. What scatters, standard deviations in points of a
scale of 100: 8 between listeners (the same labelled and blind), 6 anew in each mode (between sittings for a single
listener), 12 for a single rating. These are the assumptions of claims, section 4; the labelled effect is taken as 20.
"""

from dataclasses import dataclass
from math import sqrt
from typing import Literal

from blindtest.study.refutation import ALPHA, LEAST_CHANCE

__all__ = ["RatedReach", "listeners_needed", "rated_reach", "sittings_needed"]

SD_LISTENER = 8.0
SD_MODE = 6.0
SD_RATING = 12.0
LABELLED_EFFECT = 20.0
"""Assumed for the chance that there is a labelled effect on record."""
LEAST_UNITS = 3
"""With fewer listeners (or sittings in a mode) no verdict is drawn."""
_NODES = 64
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
        )

    @property
    def sentence(self) -> str:
        """What the plan can refute, in plain words."""
        return (
            f"with {self.plan}, an impression that is gone blind ends as 'vanishes' with chance "
            f"{self.chance_vanishes:.2f} ({self.assumption})"
        )


def rated_reach(*, listeners: int, sittings: int, ratings: int, margin: float, kept: float) -> RatedReach:
    """Return how often a plan ends as *vanishes* when the blind effect is 0.

    Parameters
    ----------
    listeners : 1 is judged by sittings, more by listeners
    sittings : in each mode, of each listener
    ratings : of each condition in each mode and sitting
    margin : points
    kept : share of the labelled effect that counts as surviving; the chance of *vanishes* doesn't depend on it
    """
    single = listeners == 1
    units = sittings if single else listeners
    scatter = SD_RATING**2 * 2 / (ratings * (1 if single else sittings))
    variance = SD_MODE**2 + scatter + (0.0 if single else SD_LISTENER**2)
    return RatedReach(
        unit="sitting" if single else "listener",
        listeners=listeners,
        sittings=sittings,
        ratings=ratings,
        margin=margin,
        kept=kept,
        chance_vanishes=_chance(units, sqrt(variance / units), margin) if units >= LEAST_UNITS else 0.0,
    )


def sittings_needed(*, ratings: int, margin: float, kept: float) -> int | None:
    """Return the fewest sittings in each mode with which a single listener can refute a claim; None: over 400."""
    return next(
        (
            count
            for count in range(LEAST_UNITS, _MOST + 1)
            if rated_reach(listeners=1, sittings=count, ratings=ratings, margin=margin, kept=kept).can_fail
        ),
        None,
    )


def listeners_needed(*, sittings: int, ratings: int, margin: float, kept: float) -> int | None:
    """Return the fewest listeners of a panel that can refute a claim; None: over 400."""
    return next(
        (
            count
            for count in range(LEAST_UNITS, _MOST + 1)
            if rated_reach(listeners=count, sittings=sittings, ratings=ratings, margin=margin, kept=kept).can_fail
        ),
        None,
    )


def _chance(units: int, std_error: float, margin: float) -> float:
    """Return the chance of *vanishes* where the blind effect is 0, `std_error` that of a mean over `units` units."""
    import numpy as np
    from scipy.special import chdtr, chdtri, nctdtr, ndtr, stdtrit

    df = units - 1
    lower, upper = stdtrit(df, 1 - float(ALPHA)), stdtrit(df, 1 - float(ALPHA) / 2)
    # Above this standard error, as found, not even an estimate of 0 keeps both limits inside the margin.
    largest = 2 * margin / (lower + upper)
    share = chdtr(df, df * (largest / std_error) ** 2)
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    found = std_error * np.sqrt(chdtri(df, 1 - share * (nodes + 1) / 2) / df)
    inside = ndtr((margin - upper * found) / std_error) - ndtr((lower * found - margin) / std_error)
    vanishes = float(np.sum(weights / 2 * share * np.maximum(inside, 0.0)))
    on_record = 1 - float(nctdtr(df, LABELLED_EFFECT / std_error, lower))
    return vanishes * min(1.0, max(0.0, on_record))
