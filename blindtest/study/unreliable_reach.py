"""Can ratings with names that may be wrong refute the claim? The chance of *negligible* where the sound is worth none.

Name and sound are crossed in one phase, so the effect of the sound needs no second phase beside it: it is negligible
where both its one-sided limits at alpha keep inside the margin (Schuirmann 1987). With normal effects of known scatter
that chance is an integral over the standard deviation that the study will find; see `rated_reach.py`, whose assumptions
hold here too: standard deviations of 8 points between listeners' effects and 12 of a single rating. A single listener
is judged by single ratings, clips and sittings fixed.
"""

from dataclasses import dataclass
from math import sqrt

from blindtest.study.rated_reach import LEAST_CLIPS, LEAST_UNITS, SD_LISTENER, SD_RATING, chance_within, fewest
from blindtest.study.tails import ALPHA, LEAST_CHANCE

__all__ = ["UnreliableReach", "unreliable_listeners_needed", "unreliable_reach", "unreliable_repeats_needed"]

EFFECTS = 3
"""Name, sound, and what the one changes in the other: estimated from the same ratings."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnreliableReach:
    """How often a plan of ratings with unreliable labels ends as *negligible* when it should."""

    listeners: int
    sittings: int
    """Of each listener."""
    ratings: int
    """Of each of the two sounds in each sitting: clips x repeats, half of them under its own name."""
    margin: float
    clips: int | None
    """Clips that are a sample of clips; None: the result is about these clips."""
    chance_negligible: float
    """Where the sound is worth nothing."""

    @property
    def can_fail(self) -> bool:
        """Whether a sound that is worth nothing is found negligible at least every other time."""
        return self.chance_negligible >= LEAST_CHANCE

    @property
    def chance_to_fail(self) -> float:
        """The same chance, as plans of other kinds call it."""
        return self.chance_negligible

    @property
    def plan(self) -> str:
        """The plan in words."""
        who = "one listener" if self.listeners == 1 else f"{self.listeners} listeners"
        times = "" if self.sittings == 1 else f", {self.sittings} sittings{'' if self.listeners == 1 else ' each'}"
        return f"{who}{times}, {self.ratings} ratings of each sound in a sitting, margin {self.margin:g}"

    @property
    def assumption(self) -> str:
        """What the chance rests on."""
        between = f"{SD_LISTENER:g} between listeners and " if self.listeners > 1 else ""
        return f"assumed: standard deviations of {between}{SD_RATING:g} of a single rating" + (
            "" if self.clips is None else f", the same on each of {self.clips} clips, which are a sample of clips"
        )

    @property
    def sentence(self) -> str:
        """What the plan can refute, in plain words."""
        return (
            f"with {self.plan}, a sound that is worth nothing, whatever its name, ends as 'negligible' with chance "
            f"{self.chance_negligible:.2f} ({self.assumption})"
        )


def unreliable_reach(
    *, listeners: int, sittings: int, ratings: int, margin: float, clips: int, sample: bool = True
) -> UnreliableReach:
    """Return how often a plan ends as *negligible* when the effect of the sound is 0.

    Parameters
    ----------
    listeners : 1 is judged by single ratings, more by listeners
    ratings : of each sound in each sitting, under whatever name
    margin : points
    clips, sample : how many; whether the result is about clips like these, where there are enough of them
    """
    single, times = listeners == 1, ratings * sittings
    drawn = clips if sample and clips >= LEAST_CLIPS and not single else None
    scatter = SD_RATING**2 * 2 / times
    units = 1 if single else listeners
    # Mean, the three effects, clips and sittings: what is left of a single listener's ratings judges them.
    df = 2 * times - 1 - EFFECTS - (clips - 1) - (sittings - 1) if single else listeners - 1
    variance = scatter + (0.0 if single else SD_LISTENER**2)
    enough = df >= 1 and (single or listeners >= LEAST_UNITS)
    return UnreliableReach(
        listeners=listeners,
        sittings=sittings,
        ratings=ratings,
        margin=margin,
        clips=drawn,
        chance_negligible=chance_within(
            df, sqrt(variance / units), margin, drawn, sqrt(scatter / units), above=float(ALPHA)
        )
        if enough
        else 0.0,
    )


def unreliable_repeats_needed(
    *, listeners: int, sittings: int, margin: float, clips: int, sample: bool = True
) -> int | None:
    """Return the fewest repeats of a clip in a sitting, an even number, that can refute a claim; None: over 100."""
    found = fewest(lambda half: _can(listeners, sittings, 2 * half * clips, margin, clips, sample), range(1, 51))
    return None if found is None else 2 * found


def unreliable_listeners_needed(
    *, sittings: int, ratings: int, margin: float, clips: int, sample: bool = True
) -> int | None:
    """Return the fewest listeners of a panel that can refute a claim; None: over 400."""
    return fewest(lambda count: _can(count, sittings, ratings, margin, clips, sample))


def _can(listeners: int, sittings: int, ratings: int, margin: float, clips: int, sample: bool) -> bool:
    return unreliable_reach(
        listeners=listeners, sittings=sittings, ratings=ratings, margin=margin, clips=clips, sample=sample
    ).can_fail
