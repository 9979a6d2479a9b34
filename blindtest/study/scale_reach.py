"""Can ratings of one moment refute a claim? How often a plan ends as shown, refuted, negligible, each where it is true.

A claim that one is rated above another rests on one difference per listener, or per clip (per page, with fewer than
three clips) of a single one, and on limits by Student's t (`stats.scale_contrast`). With normal effects the estimate
and the scatter that a study will find are independent, so the chance of each word is an integral over the chi square
distribution of that scatter, here the mean over equally likely classes of it: `check` loads neither scipy.stats nor
our statistics, whose power of a contrast (`stats.contrast_power`) the tests hold this against.

What scatters is assumed, in points of a scale of 100: 8 between listeners in the difference of two conditions, 4
between clips, 12 for a single rating (those of claims, section 4, and of `blindtest power`); on the scale from 1.0 to
5.0 a twenty-fifth of each.
"""

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING, Literal

from blindtest.design import Direction
from blindtest.study.tails import ALPHA, LEAST_CHANCE

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = [
    "SD_CLIP",
    "SD_LISTENER",
    "SD_RATING",
    "ScaleReach",
    "chances_of_limits",
    "chances_of_words",
    "panel_needed",
    "scale_reach",
]

SD_LISTENER, SD_CLIP, SD_RATING = 8.0, 4.0, 12.0
GRADES = 25.0
"""How many points of 100 one grade of the impairment scale is taken for."""
LEAST_CLIPS = 3
"""With fewer, a single listener is judged by repeats."""
_CLASSES = 2000
_MOST = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaleReach:
    """Which words a plan of blind ratings can end with, and how often."""

    listeners: int
    clips: int
    repeats: int
    """Ratings of each condition, of each listener on each clip."""
    margin: float
    """Points of the scale, or grades."""
    direction: Direction
    unit: Literal["listener", "clip", "page"]
    """What the limits are computed over."""
    grades: bool
    """Whether the scale is that of impairments, from 1.0 to 5.0."""
    critical: float | None
    """Difference that is shown if the scatter is as assumed; None where nothing can be."""
    chance_shown: float
    """Where the margin is the truth."""
    chance_refuted: float
    """Where it is, the other way round."""
    chance_negligible: float
    """Where there is no difference."""

    @property
    def chance_to_fail(self) -> float:
        """The larger of the chances of *refuted* and *negligible*, each when it is true."""
        return max(self.chance_refuted, self.chance_negligible)

    @property
    def can_fail(self) -> bool:
        """Whether a false claim is refuted, or found negligible, at least every other time."""
        return self.chance_to_fail >= LEAST_CHANCE

    @property
    def plan(self) -> str:
        """The plan in words."""
        who = "one listener" if self.listeners == 1 else f"{self.listeners} listeners"
        clips = "one clip" if self.clips == 1 else f"{self.clips} clips"
        times = "once" if self.repeats == 1 else f"{self.repeats} times"
        return f"{who}, {clips} rated {times}, margin {self.margin:g}"

    @property
    def assumption(self) -> str:
        """What the chances rest on."""
        of, share = ("grades", GRADES) if self.grades else ("points of 100", 1.0)
        between = {
            "listener": f"{SD_LISTENER / share:g} between listeners and ",
            "clip": f"{SD_CLIP / share:g} between clips and ",
            "page": "",
        }[self.unit]
        return f"assumed: standard deviations of {between}{SD_RATING / share:g} of a single rating, {of}"

    @property
    def sentence(self) -> str:
        """What the plan can show and refute, in plain words."""
        sides = "tested on both sides" if self.direction == "two-sided" else "tested in the claimed direction"
        about = "" if self.critical is None else f" (about {self.critical:.3g} or more)"
        return (
            f"with {self.plan}, {sides}: a difference as large as the margin ends as shown with chance "
            f"{self.chance_shown:.2f}{about}, one as large the other way round as refuted with "
            f"{self.chance_refuted:.2f}, none as negligible with {self.chance_negligible:.2f} ({self.assumption})"
        )


def scale_reach(
    *,
    listeners: int,
    clips: int,
    repeats: int,
    margin: float,
    direction: Direction = "two-sided",
    grades: bool = False,
    both_objects: bool = False,
) -> ScaleReach:
    """Return what a plan of blind ratings can show, refute and find negligible.

    Parameters
    ----------
    listeners : 1 is judged by clips, or by repeats where there are fewer than three
    clips, repeats : how many the claim is about, and how often each is rated by a listener
    margin : points of the scale, or grades
    grades : the scale from 1.0 to 5.0 stands in place of that of 100 points
    both_objects : two objects are compared, each graded beside the hidden reference, whose grades scatter too
    """
    share = GRADES if grades else 1.0
    rating = (SD_RATING / share) ** 2 * (4 if both_objects else 2)
    unit: Literal["listener", "clip", "page"] = "listener" if listeners > 1 else "clip"
    units, variance = listeners, (SD_LISTENER / share) ** 2 + rating / (clips * repeats)
    df = units - 1
    if listeners == 1:
        units, variance = clips, (SD_CLIP / share) ** 2 + rating / repeats
        df = units - 1
        if clips < LEAST_CLIPS:
            unit, units, variance, df = "page", clips * repeats, rating, clips * (repeats - 1)
    shown = negligible = 0.0
    critical = None
    if df >= 1:
        error = sqrt(variance / units)
        tail = float(ALPHA) / (2 if direction == "two-sided" else 1)
        shown, negligible, critical = chances_of_words(error, df, margin, tail)
    return ScaleReach(
        listeners=listeners,
        clips=clips,
        repeats=repeats,
        margin=margin,
        direction=direction,
        unit=unit,
        grades=grades,
        critical=critical,
        chance_shown=shown,
        chance_refuted=shown,
        chance_negligible=negligible,
    )


def panel_needed(
    *,
    clips: int,
    repeats: int,
    margin: float,
    direction: Direction = "two-sided",
    grades: bool = False,
    both_objects: bool = False,
) -> int | None:
    """Return the fewest listeners of a panel that can refute a claim; None: over 400."""
    return _fewest(
        lambda count: (
            scale_reach(
                listeners=count,
                clips=clips,
                repeats=repeats,
                margin=margin,
                direction=direction,
                grades=grades,
                both_objects=both_objects,
            ).can_fail
        )
    )


def _fewest(can_fail: Callable[[int], bool]) -> int | None:
    counts = range(2, _MOST + 1)
    place = bisect_left(counts, True, key=can_fail)
    return counts[place] if place < len(counts) else None


def chances_of_words(
    error: float, df: float, margin: float, tail: float, one_sided_at: float = float(ALPHA)
) -> tuple[float, float, float]:
    """Return the chance of *shown* at the margin, that of *negligible* at nothing, and what is just shown.

    `tail`: level at each end at which a difference is tested; `one_sided_at`: that of the limits held against the
    margin.

    *Shown* where the difference found is above t times the error found, and not all inside the margin; *negligible*
    where both one-sided limits are inside it.
    """
    import numpy as np
    from scipy.special import chdtri, stdtrit

    shares = (np.arange(_CLASSES) + 0.5) / _CLASSES
    found = error * np.sqrt(chdtri(df, shares) / df)
    one_sided = float(stdtrit(df, 1 - one_sided_at)) * found
    tested = float(stdtrit(df, 1 - tail)) * found
    shown, negligible = chances_of_limits(error, margin, tested, one_sided)
    critical = max(float(stdtrit(df, 1 - tail)) * error, margin - float(stdtrit(df, 1 - one_sided_at)) * error)
    return shown, negligible, critical


def chances_of_limits(
    error: float, margin: float, tested: "NDArray[np.float64]", one_sided: "NDArray[np.float64]"
) -> tuple[float, float]:
    """Return the chance of *shown* at the margin and that of *negligible* at nothing.

    Parameters
    ----------
    error : true standard error of the difference found, points
    tested, one_sided : (...), equally likely: how far from the difference found the limits lie, points: those that
        must not hold 0, and those held against the margin
    """
    import numpy as np
    from scipy.special import ndtr

    least = np.maximum(tested, margin - one_sided)
    room = np.maximum((margin - one_sided) / error, 0.0)
    return float(np.mean(ndtr((margin - least) / error))), float(np.mean(2 * ndtr(room) - 1))
