"""What becomes of the claim that a level is enough to be heard: the threshold's limits held against it.

For one listener the limits are those of the profile likelihood of all their tracks together; for several those of
Student's t over the listeners' thresholds, so that listeners count, not trials. The threshold is the level at which the
proportion right lies halfway from guessing to certainty (2/3 where a guess is right in 1/3, 3/4 where in 1/2). Levels
were chosen by the answers, so no proportion of right answers is a binomial one and there is no exact p; the intervals
of the fit are approximate for the same reason.

Source: Wichmann & Hill 2001 (Perception & Psychophysics 63, 1293) for the fit; Levitt 1971 for the tracks.
"""

from dataclasses import dataclass
from math import inf, isfinite, nan, sqrt
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from scipy.special import stdtrit

from blindtest.errors import BlindtestError
from blindtest.stats.binomial import Interval, checked_probability
from blindtest.stats.plain import plain
from blindtest.stats.thresholds.fit import ThresholdResult, fit_threshold
from blindtest.stats.thresholds.staircases import StaircaseResult, staircase_average

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["ListenerThreshold", "ThresholdConclusion", "ThresholdWord", "conclude_threshold"]

ThresholdWord = Literal["shown", "refuted", "open"]
UNKNOWN: Interval = (-inf, inf)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ListenerThreshold:
    """The threshold of one listener, or of one of their tracks."""

    listener: str
    track: str
    """'' for all tracks of the listener together."""
    trials: int
    correct: int
    estimate: float
    """On the scale of the levels; NaN where none can be named."""
    limits: Interval
    """Profile likelihood; each one-sided at alpha."""
    fit: ThresholdResult | None
    why_not: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ThresholdConclusion:
    """A threshold against the level that is claimed to be enough."""

    word: ThresholdWord
    margin: float
    alpha: float
    proportion: float
    """Of right answers, at the threshold."""
    estimate: float
    """Of one listener; of several the mean of theirs."""
    limits: Interval
    """Each one-sided at alpha."""
    listeners: tuple[ListenerThreshold, ...]
    tracks: tuple[ListenerThreshold, ...]
    averages: StaircaseResult | None
    """Of late reversals, where the tracks were staircases."""
    why_no_averages: str
    why_open: str
    """Why no threshold could be named; '' where one was."""
    method: str = "maximum likelihood, limits by profile likelihood; several listeners: Student's t over thresholds"
    source: str = "Wichmann & Hill 2001; Levitt 1971"
    assumptions: tuple[str, ...] = (
        "a listener's chance to be right depends on the level alone: no learning, no fatigue, clips alike",
        "levels were chosen by the answers: intervals of the fit are approximate",
        "several listeners: their thresholds are independent and roughly normal",
    )

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        if not isfinite(self.estimate):
            return f"No threshold can be named: {self.why_open}."
        who = "one listener" if len(self.listeners) == 1 else f"{len(self.listeners)} listeners, mean"
        low, high = self.limits
        said = {
            "shown": f"a level of {self.margin:g} is enough",
            "refuted": f"a level of {self.margin:g} is not enough",
            "open": f"whether a level of {self.margin:g} is enough is open",
        }[self.word]
        return (
            f"Threshold {self.estimate:.3g} at {100 * self.proportion:.1f} % right ({who}), one-sided "
            f"{100 * (1 - self.alpha):g} % limits {low:.3g} and {high:.3g}: {said}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        return plain(self, "sentence")


def conclude_threshold(
    table: "DataFrame",
    *,
    guess: float,
    margin: float,
    alpha: float = 0.05,
    staircases: bool = True,
    target: float | None = None,
) -> ThresholdConclusion:
    """Return what becomes of the claim that a level of `margin` is enough to be heard.

    Parameters
    ----------
    table : a row per trial, in order: listener, track, level, correct
    guess : probability that a guess is right, fixed by the task
    margin : the level claimed, on the scale of the levels
    alpha : of each limit, one-sided
    staircases : whether averages of late reversals mean something for these tracks
    target : proportion at which the tracks' rule settles, for those averages
    """
    checked_probability("alpha", alpha)
    names = list(dict.fromkeys(table["listener"].astype(str)))
    listeners, tracks = [], []
    for name in names:
        own = table[table["listener"].astype(str) == name]
        listeners.append(_fitted(own, name, "", guess, alpha))
        runs = list(dict.fromkeys(own["track"].astype(str)))
        tracks += [_fitted(own[own["track"].astype(str) == run], name, run, guess, alpha) for run in runs]
    averages, why = None, "the tracks were no staircases"
    if staircases:
        try:
            averages, why = staircase_average(table, target=target), ""
        except BlindtestError as error:
            why = error.faults[0].problem
    estimate, limits, why_open = _together(listeners, alpha)
    word: ThresholdWord = "shown" if limits[1] <= margin else "refuted" if limits[0] > margin else "open"
    return ThresholdConclusion(
        word=word,
        margin=float(margin),
        alpha=float(alpha),
        proportion=(1 + guess) / 2,
        estimate=estimate,
        limits=limits,
        listeners=tuple(listeners),
        tracks=tuple(tracks),
        averages=averages,
        why_no_averages=why,
        why_open=why_open,
    )


def _fitted(rows: "DataFrame", listener: str, track: str, guess: float, alpha: float) -> ListenerThreshold:
    correct = rows["correct"].astype(int)

    def ended(estimate: float, limits: Interval, fit: ThresholdResult | None, why_not: str = "") -> ListenerThreshold:
        return ListenerThreshold(
            listener=listener,
            track=track,
            trials=len(rows),
            correct=int(correct.sum()),
            estimate=estimate,
            limits=limits,
            fit=fit,
            why_not=why_not,
        )

    try:
        fit = fit_threshold(rows[["level"]].assign(correct=correct), link="logistic", guess=guess, level=1 - 2 * alpha)
    except BlindtestError as error:
        return ended(nan, UNKNOWN, None, error.faults[0].problem)
    at = fit.threshold(fit.halfway)
    if not fit.slope > 0 or not isfinite(at.estimate):
        return ended(nan, UNKNOWN, fit, "right answers don't become more frequent with the level")
    return ended(at.estimate, at.interval, fit)


def _together(listeners: list[ListenerThreshold], alpha: float) -> tuple[float, Interval, str]:
    """Return estimate, limits, and why there are none."""
    unknown = next((one for one in listeners if not isfinite(one.estimate)), None)
    if unknown is not None:
        return nan, UNKNOWN, f"listener {unknown.listener}: {unknown.why_not}"
    if len(listeners) == 1:
        return listeners[0].estimate, listeners[0].limits, ""
    values = np.array([one.estimate for one in listeners])
    mean, error = float(values.mean()), float(values.std(ddof=1)) / sqrt(len(values))
    half = float(stdtrit(len(values) - 1, 1 - alpha)) * error
    return mean, (mean - half, mean + half), ""
