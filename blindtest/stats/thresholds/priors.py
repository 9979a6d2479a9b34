"""A psychometric function with priors: the posterior on a grid of place, slope and lapse rate.

Few trials leave slope and lapses nearly open; a prior that is stated closes them, where maximum likelihood runs to an
end.

    place   the level halfway from guessing to lapsing: normal
    slope   of the linear predictor per unit of level, above 0 (below with `falling`): log-normal
    lapse   on [0, .06]: beta distribution cut off there; or fixed

The grid is laid over the prior, then twice over what the answers leave of it, so its steps are small against the
posterior. Nothing is sampled.

Source: Kontsevich & Tyler 1999 (Vision Research 39, 2729) for the grid; Treutwein & Strasburger 1999 (Perception &
Psychophysics 61, 87) for priors on all parameters; volumes and pages from memory.
"""

from dataclasses import dataclass
from math import inf, log
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc, betaln, gammaln, logsumexp, ndtr, xlog1py, xlogy

from blindtest.stats.binomial import Interval, checked_probability
from blindtest.stats.plain import plain
from blindtest.stats.thresholds.answers import LevelCounts, read_levels
from blindtest.stats.thresholds.curves import curve_of
from blindtest.stats.thresholds.fit import Link
from blindtest.stats.thresholds.fitting import MOST_LAPSES
from blindtest.stats.thresholds.likelihood import Likelihood

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["PosteriorThreshold", "ThresholdPosterior", "ThresholdPriors", "threshold_posterior"]

Floats = NDArray[np.float64]
REACH = 5.0
"""Standard deviations of a prior that the first grid covers to both sides."""
NEGLIGIBLE = 14.0
"""A log posterior this far below its highest point is left out of the finer grids: e^-14 is a millionth."""
POINTS = (121, 81, 13)
"""Grid points of place, log slope and lapse."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ThresholdPriors:
    """What was known before the first trial."""

    place: tuple[float, float]
    """Mean and standard deviation of the level halfway up the curve."""
    slope: tuple[float, float]
    """Median of the slope (above 0), and standard deviation of its natural logarithm."""
    lapse: tuple[float, float] = (1.0, 20.0)
    """Parameters of the beta distribution of the lapse rate, cut off at .06."""
    falling: bool = False
    """Whether more of the level is harder: the slope is then below 0."""

    def __post_init__(self) -> None:
        if not (np.isfinite(self.place[0]) and 0 < self.place[1] < inf):
            raise ValueError(f"the place needs a finite mean and a standard deviation above 0, got {self.place}")
        if not (0 < self.slope[0] < inf and 0 < self.slope[1] < inf):
            raise ValueError(f"the slope needs a median and a spread above 0, got {self.slope}")
        if not (0 < self.lapse[0] < inf and 0 < self.lapse[1] < inf):
            raise ValueError(f"both parameters of the lapse rate must be above 0, got {self.lapse}")

    @classmethod
    def of_levels(cls, lowest: float, highest: float, *, falling: bool = False) -> "ThresholdPriors":
        """Return weak priors for levels that were chosen to span the curve.

        The place is normal about their middle with their range as standard deviation; the slope's median takes the
        linear predictor through 4 units over the range, with a factor of e for one standard deviation.
        """
        span = highest - lowest
        if not span > 0:
            raise ValueError(f"the highest level must lie above the lowest, got {lowest} and {highest}")
        return cls(place=((lowest + highest) / 2, span), slope=(4 / span, 1.0), falling=falling)

    @property
    def words(self) -> str:
        """The priors as a sentence states them."""
        return (
            f"place normal({self.place[0]:.4g}, {self.place[1]:.3g}), {'-' if self.falling else ''}slope log-normal "
            f"with median {self.slope[0]:.3g} and log-SD {self.slope[1]:.3g}, lapse beta({self.lapse[0]:g}, "
            f"{self.lapse[1]:g}) up to {MOST_LAPSES:g}"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PosteriorThreshold:
    """The level at which a stated proportion is right, given the priors."""

    proportion: float
    estimate: float
    """Posterior mean, over curves that take this proportion."""
    std: float
    interval: Interval
    """Equal tails."""
    level: float

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ThresholdPosterior:
    """The posterior of a psychometric function."""

    link: str
    guess: float
    priors: ThresholdPriors
    lapse_fixed: float | None
    slope: float
    """Posterior mean."""
    slope_interval: Interval
    lapse: float
    """Posterior mean."""
    log_evidence: float
    """Logarithm of the probability of the answers under the priors, with binomial coefficients."""
    level: float
    places: Floats
    """Grid of the level halfway up; (points,)."""
    slopes: Floats
    """(points,)"""
    lapses: Floats
    weights: Floats
    """Posterior probability of each point; (places, slopes, lapses), sums to 1."""
    method: str = "posterior on a grid"
    source: str = "Kontsevich & Tyler 1999; Treutwein & Strasburger 1999"
    assumptions: tuple[str, ...] = (
        "the priors say what was known before the first trial",
        "the chance to be right depends on the level alone and is the same throughout",
        "trials are independent; levels may follow the answers",
    )

    def threshold(self, proportion: float) -> PosteriorThreshold:
        """Return the posterior of the level at which this proportion is right.

        Raises
        ------
        ValueError
            A proportion outside guess ... 1 less the largest lapse rate in the posterior.
        """
        most = 1 - float(self.lapses.max())
        if not self.guess < proportion < most:
            raise ValueError(f"a threshold must lie between {self.guess:g} and {most:g}, got {proportion}")
        curve = curve_of(self.link)
        anchor = curve.inverse((proportion - self.guess) / (1 - self.guess - self.lapses)) - curve.inverse(
            np.array(0.5)
        )
        values = self.places[:, None, None] + anchor[None, None, :] / self.slopes[None, :, None]
        mean = float(np.sum(values * self.weights))
        return PosteriorThreshold(
            proportion=proportion,
            estimate=mean,
            std=float(np.sqrt(np.sum((values - mean) ** 2 * self.weights))),
            interval=_quantiles(values.ravel(), self.weights.ravel(), self.level),
            level=self.level,
        )

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        at = self.threshold((1 + self.guess) / 2)
        return (
            f"{100 * at.proportion:g} % right at level {at.estimate:.4g}, with probability {100 * self.level:g} % "
            f"within {at.interval[0]:.4g} to {at.interval[1]:.4g}; slope {self.slope:.4g} "
            f"({self.slope_interval[0]:.4g} to {self.slope_interval[1]:.4g}). Priors: {self.priors.words}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included; the grid is left out."""
        everything = plain(self, "sentence")
        grid = ("places", "slopes", "lapses", "weights")
        kept = {name: value for name, value in everything.items() if name not in grid}
        kept["priors"] = plain(self.priors, "words")
        return kept


def threshold_posterior(
    table: "DataFrame",
    *,
    link: Link,
    guess: float,
    priors: ThresholdPriors | None = None,
    lapse: float | None = None,
    level: float = 0.95,
) -> ThresholdPosterior:
    """Return the posterior of a psychometric function from right answers at levels.

    Parameters
    ----------
    table, link, guess : as for `fit_threshold`
    priors : default: `ThresholdPriors.of_levels` of the lowest and highest level in the table, which is only fair if
        these were chosen before the first trial
    lapse : fixes the lapse rate; None: the prior's

    Raises
    ------
    BlindtestError
        See `read_levels`.
    ValueError
        As for `fit_threshold`, or priors are needed because all trials are at one level.
    """
    curve = curve_of(link)
    checked_probability("level", level)
    if not 0 <= guess < 1:
        raise ValueError(f"the guess rate must lie in 0 ... 1 (below 1), got {guess}")
    if lapse is not None and not 0 <= lapse < 1 - guess:
        raise ValueError(f"the lapse rate must lie in 0 ... {1 - guess:g} (below it), got {lapse}")
    counts = read_levels(table)
    if priors is None:
        priors = ThresholdPriors.of_levels(float(counts.level[0]), float(counts.level[-1]))
    model = Likelihood(counts=counts, curve=curve, guess=float(guess))
    most = min(MOST_LAPSES, (1 - guess) / 2)
    place, spread = priors.place
    middle, steepness = log(priors.slope[0]), priors.slope[1]
    box = [(place - REACH * spread, place + REACH * spread), (middle - REACH * steepness, middle + REACH * steepness)]
    for _ in range(3):
        axes = _axes(box, most, lapse)
        logs = _log_posterior(model, priors, axes, most, lapse)
        near = logs > logs.max() - NEGLIGIBLE
        box = [_around(axes[which], near.any(axis=tuple(a for a in range(3) if a != which))) for which in (0, 1)]
    cells = logs + np.log(_cell(axes[0]))[:, None, None] + np.log(_cell(axes[1]))[None, :, None]
    if lapse is None:
        cells = cells + np.log(_cell(axes[2]))
    evidence = float(logsumexp(cells))
    weights = np.exp(cells - evidence)
    slopes = np.exp(axes[1]) * (-1 if priors.falling else 1)
    by_slope = weights.sum(axis=(0, 2))
    return ThresholdPosterior(
        link=link,
        guess=float(guess),
        priors=priors,
        lapse_fixed=lapse,
        slope=float(np.sum(slopes * by_slope)),
        slope_interval=_quantiles(slopes, by_slope, level),
        lapse=float(np.sum(axes[2] * weights.sum(axis=(0, 1)))),
        log_evidence=evidence + _constant(counts),
        level=float(level),
        places=axes[0],
        slopes=slopes,
        lapses=axes[2],
        weights=weights,
    )


def _axes(box: list[tuple[float, float]], most: float, lapse: float | None) -> list[Floats]:
    # The lapse rate's prior may run to infinity at 0, so its points are middles of cells, not their ends.
    cell = most / POINTS[2]
    lapses = (
        np.asarray((np.arange(POINTS[2]) + 0.5) * cell, dtype=np.float64) if lapse is None else np.array([float(lapse)])
    )
    return [np.linspace(*box[0], POINTS[0]), np.linspace(*box[1], POINTS[1]), lapses]


def _cell(axis: Floats) -> Floats:
    return np.full(len(axis), axis[1] - axis[0])


def _around(axis: Floats, near: NDArray[np.bool_]) -> tuple[float, float]:
    where = np.flatnonzero(near)
    return float(axis[max(where[0] - 1, 0)]), float(axis[min(where[-1] + 1, len(axis) - 1)])


def _log_posterior(
    model: Likelihood, priors: ThresholdPriors, axes: list[Floats], most: float, lapse: float | None
) -> Floats:
    """Return log prior density (in place, log slope, lapse) plus log-likelihood without its constant."""
    places, log_slopes, lapses = axes
    slopes = np.exp(log_slopes) * (-1 if priors.falling else 1)
    intercepts = float(model.curve.inverse(np.array(0.5))) - places[:, None] * slopes
    logs = np.stack([model.at(intercepts, slopes[None, :], np.array(value)) for value in lapses], axis=2)
    place = _log_normal_density(places, *priors.place)
    slope = _log_normal_density(log_slopes, log(priors.slope[0]), priors.slope[1])
    logs = logs + place[:, None, None] + slope[None, :, None]
    if lapse is None:
        a, b = priors.lapse
        logs = logs + xlogy(a - 1, lapses) + xlog1py(b - 1, -lapses) - betaln(a, b) - np.log(betainc(a, b, most))
    return np.asarray(logs)


def _log_normal_density(values: Floats, mean: float, std: float) -> Floats:
    covered = float(ndtr(REACH) - ndtr(-REACH))
    return np.asarray(-0.5 * ((values - mean) / std) ** 2 - np.log(std * np.sqrt(2 * np.pi) * covered))


def _quantiles(values: Floats, weights: Floats, level: float) -> Interval:
    order = np.argsort(values, kind="stable")
    cumulative = np.cumsum(weights[order]) - weights[order] / 2
    low, high = np.interp(((1 - level) / 2, (1 + level) / 2), cumulative, values[order])
    return float(low), float(high)


def _constant(counts: LevelCounts) -> float:
    n, k = counts.trials, counts.correct
    return float(np.sum(gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)))
