"""A psychometric function by maximum likelihood, with threshold and slope by profile likelihood.

Everything is on the scale on which the levels came. Answers that jump from guessing to lapsing between two levels, or
at one, have no finite slope of best fit: the slope is then infinite, the threshold the place of the jump, and both
still have the other end of their interval.

Sources: Wichmann & Hill 2001 (Perception & Psychophysics 63, 1293 and 1314) for lapses within [0, .06] and goodness of
fit; Treutwein & Strasburger 1999 (same journal, 61, 87) for the bounds; volumes and pages from memory.
"""

from dataclasses import dataclass
from math import inf, isnan, nan
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from scipy.special import chdtrc

from blindtest.errors import BlindtestError, Fault
from blindtest.stats.binomial import Interval, checked_probability
from blindtest.stats.pair_model import Convergence
from blindtest.stats.plain import plain
from blindtest.stats.thresholds.answers import LevelCounts, read_levels
from blindtest.stats.thresholds.curves import curve_of
from blindtest.stats.thresholds.fitting import Fitting

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["Threshold", "ThresholdResult", "fit_threshold"]

Link = Literal["normal", "logistic", "weibull"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Threshold:
    """The level at which a stated proportion is right."""

    proportion: float
    estimate: float
    """On the scale of the levels; not finite where the curve is flat."""
    interval: Interval
    """Profile likelihood; an end is infinite where the answers don't bound it."""
    level: float

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        return (
            f"{100 * self.proportion:g} % right at level {self.estimate:.4g} "
            f"({100 * self.level:g} % interval {self.interval[0]:.4g} to {self.interval[1]:.4g})."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        return plain(self, "sentence")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ThresholdResult:
    """A psychometric function fitted to right answers at levels."""

    link: str
    guess: float
    lapse: float
    lapse_free: bool
    """Whether the lapse rate was estimated, within [0, .06]."""
    intercept: float
    """NaN where the best curve is a jump."""
    slope: float
    """Of the linear predictor per unit of level; infinite where the best curve is a jump; negative if it falls."""
    slope_interval: Interval
    """Profile likelihood."""
    std_errors: tuple[float, float]
    """Of intercept and slope, from the observed information; NaN where the best curve is a jump."""
    deviance: float
    degrees_of_freedom: int
    deviance_p_value: float
    """By chi-square, which needs many trials at each level; `deviance_bootstrap` does not. NaN without df."""
    log_likelihood: float
    """With the binomial coefficients."""
    level: float
    """Confidence level of intervals."""
    levels: tuple[float, ...]
    correct: tuple[int, ...]
    trials: tuple[int, ...]
    fitted: tuple[float, ...]
    """Proportions correct at the levels."""
    convergence: Convergence
    method: str = "maximum likelihood, intervals by profile likelihood"
    source: str = "Wichmann & Hill 2001"
    assumptions: tuple[str, ...] = (
        "the chance to be right depends on the level alone and is the same throughout (no learning, no fatigue)",
        "trials are independent",
        "the guess rate is fixed by the design",
        "levels were fixed beforehand; of a staircase's trials the intervals are approximate",
    )

    def threshold(self, proportion: float) -> Threshold:
        """Return the level at which this proportion is right, with its profile interval.

        Raises
        ------
        ValueError
            A proportion that the curve never takes: outside guess ... 1 - lapse.
        """
        if not self.guess < proportion < 1 - self.lapse:
            raise ValueError(
                f"the curve runs from {self.guess:g} (guessing) to {1 - self.lapse:g} (lapses); "
                f"a threshold must lie between, got {proportion}"
            )
        fitting = Fitting(_counts(self), self.link, self.guess, None if self.lapse_free else self.lapse)
        estimate, interval = fitting.threshold(proportion, self.level)
        return Threshold(proportion=proportion, estimate=estimate, interval=interval, level=self.level)

    @property
    def halfway(self) -> float:
        """The proportion halfway from guessing to certainty: 75 % for a guess rate of 1/2."""
        return (1 + self.guess) / 2

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        at = self.threshold(self.halfway)
        place = (
            f"No level can be named at which {100 * at.proportion:g} % are right."
            if isnan(at.estimate)
            else at.sentence
        )
        low, high = self.slope_interval
        fit = "" if isnan(self.deviance_p_value) else f", p = {self.deviance_p_value:.3g}"
        lapse = f"{100 * self.lapse:.1f} % lapses ({'estimated' if self.lapse_free else 'fixed'})"
        return (
            f"{place} Slope {self.slope:.4g} ({low:.4g} to {high:.4g}) per unit of level, "
            f"{curve_of(self.link).words}, guess rate {self.guess:.3g}, {lapse}. Goodness of fit: deviance "
            f"{self.deviance:.2f} on {self.degrees_of_freedom} degrees of freedom{fit}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included; infinite and undefined numbers become None."""
        return plain(self, "halfway", "sentence")


def _counts(result: ThresholdResult) -> LevelCounts:
    columns = (np.array(values, dtype=np.float64) for values in (result.levels, result.correct, result.trials))
    return LevelCounts(**dict(zip(("level", "correct", "trials"), columns, strict=True)))


def fit_threshold(
    table: "DataFrame", *, link: Link, guess: float, lapse: float | None = None, level: float = 0.95
) -> ThresholdResult:
    """Fit a psychometric function to right answers at levels.

    Simulated at 95 % (200 tables a cell, standard error .016): with the lapse rate fixed, intervals of threshold and
    slope cover .94 to .98; with it estimated .93 to 1.00, but that of the threshold .89 (.02) with five levels of ten
    trials (tests/references/stats/thresholds_error_rates.csv).

    Parameters
    ----------
    table : columns level, correct, trials, see `read_levels`; the curve is fitted on the scale of `level` as it is
        given: take logarithms of levels beforehand where the curve is meant to run over them ("weibull" always is)
    link : "normal", "logistic" or "weibull"
    guess : probability that a guess is right, fixed
    lapse : share of trials in which the listener was elsewhere; None: estimated within [0, .06]
    level : of the intervals

    Raises
    ------
    BlindtestError
        See `read_levels`; or fewer than two levels; or answers that are all right or all wrong.
    ValueError
        An unknown link, a guess rate outside 0 ... 1, a lapse rate outside 0 ... 1 - guess, or an impossible level.
    """
    curve_of(link)
    checked_probability("level", level)
    if not 0 <= guess < 1:
        raise ValueError(f"the guess rate must lie in 0 ... 1 (below 1), got {guess}")
    if lapse is not None and not 0 <= lapse < 1 - guess:
        raise ValueError(f"the lapse rate must lie in 0 ... {1 - guess:g} (below it), got {lapse}")
    counts = read_levels(table)
    _check_rise(counts)
    return _result(Fitting(counts, link, float(guess), lapse), level)


def _check_rise(counts: LevelCounts) -> None:
    right, total = float(counts.correct.sum()), float(counts.trials.sum())
    problem = ""
    if len(counts.level) < 2:
        problem = "all trials are at one level: no curve can be told from it"
    elif right in (0, total):
        problem = f"the answers are all {'right' if right else 'wrong'}: the threshold lies outside the levels"
    if problem:
        raise BlindtestError(
            Fault(
                problem=problem,
                key="level",
                got=f"{right:g} of {total:g} right at {len(counts.level)} levels",
                allowed="two or more levels, with right and wrong answers",
                remedy="test harder and easier levels too",
            )
        )


def _result(fitting: Fitting, level: float) -> ThresholdResult:
    intercept, slope, lapse = fitting.peak.parameters
    raw_slope = fitting.jump[2] * inf if fitting.jumps else 0.0 if fitting.flat else slope / fitting.scale
    fitted = fitting.fitted()
    parameters = 3 if fitting.free else 2
    df = len(fitting.raw.level) - parameters
    deviance = fitting.model.deviance(fitted)
    return ThresholdResult(
        link=fitting.link,
        guess=fitting.guess,
        lapse=float(lapse),
        lapse_free=fitting.free,
        intercept=nan if fitting.jumps else float(intercept - raw_slope * fitting.centre),
        slope=float(raw_slope),
        slope_interval=fitting.slope_interval(level),
        std_errors=fitting.std_errors(),
        deviance=deviance,
        degrees_of_freedom=max(df, 0),
        deviance_p_value=float(chdtrc(df, deviance)) if df > 0 else nan,
        log_likelihood=fitting.best + fitting.constant(),
        level=float(level),
        levels=tuple(map(float, fitting.raw.level)),
        correct=tuple(map(int, fitting.raw.correct)),
        trials=tuple(map(int, fitting.raw.trials)),
        fitted=tuple(map(float, fitted)),
        convergence=fitting.convergence(),
    )
