"""Can a plan tell which stage is heard? How often each stage of a factorial ends as shown or negligible, if it is.

Every rating of every combination tells about every stage: the effect of one is the mean over half of the ratings minus
that over the other half. Limits are Student's t, of two parts where clips are a sample, at Bonferroni's level for the
stages (Holm's first step, the strictest that `stats.attribution` can ask of any), so the chances are those of the worst
case. What scatters is assumed as in `scale_reach.py`: 8 points between listeners in the effect of a stage, 4 between
clips where these are a sample, 12 for a single rating.
"""

from bisect import bisect_left
from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING, Any

from blindtest.study.scale_reach import SD_CLIP, SD_LISTENER, SD_RATING, chances_of_limits, chances_of_words
from blindtest.study.tails import ALPHA, LEAST_CHANCE

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["LEAST_PANEL", "StageReach", "stage_pair_reach", "stage_panel_needed", "stage_reach"]

LEAST_PANEL = 3
"""Two listeners are no panel, and too many for a single one (`stats.crossed_terms`)."""
SAMPLE_OF_CLIPS = 5
_MOST = 400
_CLASSES = 60
"""Of each of two estimated variances."""
SD_PREFERENCE = 15.0
"""Between listeners in their preference for a stage, percentage points; our assumption, as those of ratings are."""
SD_CHOICE = 50.0
"""Of a single choice where nothing is preferred: half of 100, from the binomial."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StageReach:
    """What a plan says about one of several stages, and how often."""

    listeners: int
    clips: int
    repeats: int
    """Ratings of each combination, of each listener on each clip."""
    combinations: int
    stages: int
    margin: float
    directed: bool
    """Whether the claim says which way ratings go, so that the other way refutes it."""
    std_error: float | None
    """Of the effect of a stage, points, as assumed; None: nothing to judge it by."""
    df: float
    chance_shown: float
    """Where the effect is the margin."""
    chance_negligible: float
    """Where there is none."""
    pairs: int = 0
    """Of each stage and listener, where two combinations are compared at a time; 0: they are rated."""

    @property
    def chance_refuted(self) -> float:
        """Where the effect is the margin the other way round."""
        return self.chance_shown if self.directed else 0.0

    @property
    def chance_to_fail(self) -> float:
        """The larger of the chances of *refuted* and *negligible*, each when it is true."""
        return max(self.chance_refuted, self.chance_negligible)

    @property
    def can_fail(self) -> bool:
        """Whether a false claim ends so at least every other time."""
        return self.chance_to_fail >= LEAST_CHANCE

    @property
    def plan(self) -> str:
        """The plan in words."""
        who = "one listener" if self.listeners == 1 else f"{self.listeners} listeners"
        if self.pairs:
            return (
                f"{who}, {self.pairs} pairs of each of {self.stages} stages, margin {self.margin:g} percentage points"
            )
        clips = "one clip" if self.clips == 1 else f"{self.clips} clips"
        times = "" if self.repeats == 1 else f", {self.repeats} times each"
        return (
            f"{who}, {clips}, {self.combinations} combinations of {self.stages} stages{times}, margin {self.margin:g}"
        )

    @property
    def assumption(self) -> str:
        """What the chances rest on."""
        if self.pairs:
            between = f"standard deviation of {SD_PREFERENCE:g} between listeners; " if self.listeners > 1 else ""
            return f"assumed: {between}choices scatter as a coin does; corrected over the stages"
        parts = [f"{SD_LISTENER:g} between listeners in the effect of a stage"] if self.listeners > 1 else []
        parts += [f"{SD_CLIP:g} between clips"] if self.listeners > 1 and self.clips >= SAMPLE_OF_CLIPS else []
        parts.append(f"{SD_RATING:g} of a single rating")
        return f"assumed: standard deviations of {', '.join(parts)}, points of 100; corrected over the stages"

    @property
    def sentence(self) -> str:
        """What the plan can show and refute, in plain words."""
        refuted = f", as large the other way round as refuted with {self.chance_refuted:.2f}" if self.directed else ""
        return (
            f"with {self.plan}: a stage as large as the margin ends as shown with chance {self.chance_shown:.2f}"
            f"{refuted}, one that does nothing as negligible with {self.chance_negligible:.2f} ({self.assumption})"
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        names = ("listeners", "clips", "repeats", "combinations", "stages", "margin", "directed", "std_error", "df")
        chances = ("chance_shown", "chance_refuted", "chance_negligible", "chance_to_fail", "sentence")
        own = {name: getattr(self, name) for name in (*names, *chances)}
        return {**own, **({"pairs": self.pairs} if self.pairs else {})}


def stage_reach(
    *,
    listeners: int,
    clips: int,
    repeats: int,
    combinations: int,
    stages: int,
    products: int,
    margin: float,
    directed: bool = False,
    only_these_clips: bool = False,
    alpha: float = float(ALPHA),
) -> StageReach:
    """Return what a plan can show and find negligible of each stage.

    Parameters
    ----------
    listeners : 1 is judged by single ratings; 2 by nothing
    clips, repeats : how many the claim is about, and how often each combination is rated on one by a listener
    combinations, stages, products : of the factorial; products of two that are estimated beside the stages
    margin : points of the scale
    only_these_clips : the claim names its clips: they are no sample
    alpha : over all stages
    """
    ratings = combinations * clips * repeats
    error, df, drawn = None, 0.0, 0.0
    if listeners == 1:
        df = float(ratings - clips - stages - products)
        error = sqrt(4 * SD_RATING**2 / ratings)
    elif listeners >= LEAST_PANEL:
        between = (SD_LISTENER**2 + 4 * SD_RATING**2 / ratings) / listeners
        drawn = SD_CLIP**2 / clips if clips >= SAMPLE_OF_CLIPS and not only_these_clips else 0.0
        error = sqrt(between + drawn)
        clip_part = drawn**2 / (clips - 1) if drawn else 0.0
        df = (between + drawn) ** 2 / (between**2 / (listeners - 1) + clip_part)
    shown = negligible = 0.0
    if error is not None and df >= 1:
        level = alpha / stages
        if drawn:
            rest = 4 * SD_RATING**2 / (ratings * listeners)
            shown, negligible = _chances_of_drawn_clips(
                error**2 - drawn, drawn, rest, listeners - 1, clips - 1, margin, level
            )
        else:
            shown, negligible, _ = chances_of_words(error, df, margin, level / 2, level)
    return StageReach(
        listeners=listeners,
        clips=clips,
        repeats=repeats,
        combinations=combinations,
        stages=stages,
        margin=margin,
        directed=directed,
        std_error=error if df >= 1 else None,
        df=df,
        chance_shown=shown,
        chance_negligible=negligible,
    )


def _chances_of_drawn_clips(
    between: float, drawn: float, rest: float, listener_df: int, clip_df: int, margin: float, level: float
) -> tuple[float, float]:
    """Return the chances of *shown* and *negligible* where limits are made as `stats.Estimates` makes them.

    There clips count as a sample, their part is estimated with few degrees of freedom, and the quantile is weighed by
    the parts' shares (Cochran and Cox). Satterthwaite's one number at the true variances promised .49 where whole
    studies, analysed by the mixed model, gave .37 (12 listeners, 5 clips).

    Parameters
    ----------
    between, drawn : variance of the effect that listeners and clips bring, squared points
    rest : of `between`, what single ratings bring; clips show it too
    """
    import numpy as np
    from scipy.special import chdtri, stdtrit

    shares = (np.arange(_CLASSES) + 0.5) / _CLASSES
    own = (between * chdtri(listener_df, shares) / listener_df)[:, None]
    floor = ((drawn + rest) * chdtri(clip_df, shares) / clip_df)[None, :]
    added = np.maximum(floor - rest, 0.0)
    found = np.sqrt(own + added)

    def width(tail: float) -> "NDArray[np.float64]":
        of_listeners, of_clips = float(stdtrit(listener_df, 1 - tail)), float(stdtrit(clip_df, 1 - tail))
        weighed = (of_listeners * own + of_clips * added) / found
        alone = np.maximum(of_listeners * np.sqrt(own), np.where(added > 0, of_clips * np.sqrt(floor), 0.0))
        return np.maximum(weighed, alone)

    return chances_of_limits(sqrt(between + drawn), margin, width(level / 2), width(level))


def stage_pair_reach(
    *, listeners: int, pairs: int, stages: int, margin: float, directed: bool = False, alpha: float = float(ALPHA)
) -> StageReach:
    """Return what pairs that differ in one stage can show and find negligible of each stage.

    Parameters
    ----------
    pairs : of each stage, of each listener
    margin : percentage points of preference beyond 50
    """
    error, df = None, 0.0
    if pairs and listeners == 1:
        error, df = SD_CHOICE / sqrt(pairs), pairs - 1.0
    elif pairs and listeners >= LEAST_PANEL:
        error, df = sqrt((SD_PREFERENCE**2 + SD_CHOICE**2 / pairs) / listeners), listeners - 1.0
    shown = negligible = 0.0
    if error is not None and df >= 1:
        level = alpha / stages
        shown, negligible, _ = chances_of_words(error, df, margin, level / 2, level)
    return StageReach(
        listeners=listeners,
        clips=0,
        repeats=0,
        combinations=2**stages,
        stages=stages,
        margin=margin,
        directed=directed,
        std_error=error if df >= 1 else None,
        df=df,
        chance_shown=shown,
        chance_negligible=negligible,
        pairs=pairs,
    )


def stage_panel_needed(**design: Any) -> int | None:
    """Return the fewest listeners that can refute a claim, in a design without `listeners`; None: over 400."""
    counts = range(LEAST_PANEL, _MOST + 1)
    place = bisect_left(counts, True, key=lambda count: stage_reach(listeners=count, **design).can_fail)
    return counts[place] if place < len(counts) else None
