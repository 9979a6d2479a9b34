"""How precisely a plan of levels finds a threshold: simulated answers, each fitted as the real ones will be.

A threshold has no power; it has an interval. Answers are drawn from a true curve at the levels of the plan, the curve
is fitted by maximum likelihood (thresholds/fit.py), and the width of the profile interval is what a plan is judged by.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isfinite, nan, sqrt
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError
from blindtest.stats.binomial import checked_probability
from blindtest.stats.plain import plain
from blindtest.stats.plans.hands import Hands, chunks, spread

__all__ = ["ThresholdPrecision", "threshold_precision"]

Floats = NDArray[np.float64]
Link = Literal["normal", "logistic", "weibull"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ThresholdPrecision:
    """How precisely a plan of levels finds a threshold."""

    levels: tuple[float, ...]
    trials: int
    """At each level."""
    threshold: float
    """True one assumed: the level at which answers are right halfway from guessing to certainty, lapses included."""
    slope: float
    """Of the linear predictor per unit of level."""
    guess: float
    lapse: float
    link: str
    level: float
    width: float
    """Median width of the interval; infinite if half of the studies leave an end open."""
    bounded: float
    """Share of studies whose interval has both ends."""
    coverage: float
    """Share of intervals that hold the true threshold."""
    bias: float
    """Median of the estimates, less the true threshold."""
    spread: float
    """Half the distance between the 16th and the 84th percentile of the estimates."""
    studies: int
    """That could be fitted."""
    refused: int
    """That could not: all right, or all wrong."""
    seed: int
    assumptions: tuple[str, ...] = (
        "the true curve is of the family that is fitted, without learning or fatigue",
        "levels are fixed beforehand",
    )
    source: str = "simulated; Wichmann & Hill 2001"

    @property
    def std_error(self) -> float:
        """Largest Monte Carlo standard error of a share."""
        return 0.5 / sqrt(self.studies) if self.studies else inf

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        if not self.studies:
            return "Not one simulated study could be fitted: every answer right, or every one wrong."
        wide = f"{self.width:.3g} wide" if isfinite(self.width) else "open on one side or both"
        return (
            f"{self.trials} trials at each of {len(self.levels)} levels find a threshold of {self.threshold:g} with a "
            f"{100 * self.level:g} % interval that is {wide} in the middle of studies; both ends exist in "
            f"{100 * self.bounded:.0f} %, and it holds the true one in {100 * self.coverage:.1f} % (Monte Carlo error "
            f"{100 * self.std_error:.1f} at most). Estimates scatter by +-{self.spread:.3g}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "std_error", "sentence")


def threshold_precision(
    levels: Sequence[float],
    trials: int,
    *,
    threshold: float,
    slope: float,
    guess: float,
    lapse: float = 0.0,
    link: Link = "normal",
    level: float = 0.95,
    studies: int = 200,
    seed: int = 1,
    hands: Hands | None = None,
) -> ThresholdPrecision:
    """Return how precisely `trials` trials at each of `levels` find a threshold; simulated.

    Parameters
    ----------
    threshold : true level at which answers are right halfway from guessing to certainty
    slope : of the linear predictor per unit of level, above 0
    lapse : true share of lapses; the fit estimates its own, within [0, .06]
    hands : an executor of concurrent.futures or a Dask client

    Raises
    ------
    ValueError
        Fewer than two levels, no trials, or a number out of its range.
    """
    places = tuple(sorted({float(one) for one in levels}))
    if len(places) < 2 or not all(map(isfinite, places)):
        raise ValueError(f"two or more different levels are needed, got {list(levels)}")
    if trials < 1:
        raise ValueError(f"the number of trials at a level must be 1 or more, got {trials}")
    if not (isfinite(threshold) and 0 < slope < inf):
        raise ValueError(f"the threshold must be finite and the slope above 0, got {threshold} and {slope}")
    if not (0 <= guess < 1 and 0 <= lapse < (1 - guess) / 2):
        raise ValueError(f"guess and lapse rate must leave room for a curve, got {guess} and {lapse}")
    checked_probability("level", level)
    true = _curve(np.array(places), threshold, slope, guess, lapse, link)
    found = spread(
        [(_fitted, places, trials, true, guess, link, level, count, child) for count, child in chunks(studies, seed)],
        hands,
    )
    rows = np.array([row for part in found for row in part]).reshape(-1, 3)
    estimates, low, high = rows.T
    widths = high - low
    ends = np.isfinite(low) & np.isfinite(high)
    quantiles = np.quantile(estimates, (0.16, 0.5, 0.84)) if len(rows) else (nan, nan, nan)
    return ThresholdPrecision(
        levels=places,
        trials=trials,
        threshold=float(threshold),
        slope=float(slope),
        guess=float(guess),
        lapse=float(lapse),
        link=link,
        level=float(level),
        width=float(np.median(np.where(ends, widths, inf))) if len(rows) else inf,
        bounded=float(np.mean(ends)) if len(rows) else nan,
        coverage=float(np.mean((low <= threshold) & (threshold <= high))) if len(rows) else nan,
        bias=float(quantiles[1] - threshold),
        spread=float(quantiles[2] - quantiles[0]) / 2,
        studies=len(rows),
        refused=studies - len(rows),
        seed=seed,
    )


def _curve(levels: Floats, threshold: float, slope: float, guess: float, lapse: float, link: Link) -> Floats:
    from blindtest.stats.thresholds.curves import curve_of

    curve = curve_of(link)
    halfway = float(curve.inverse(np.array((1 - guess) / 2 / (1 - guess - lapse))))
    return np.asarray(guess + (1 - guess - lapse) * curve.value(halfway + slope * (levels - threshold)))


def _fitted(
    levels: tuple[float, ...],
    trials: int,
    true: Floats,
    guess: float,
    link: Link,
    level: float,
    studies: int,
    seed: np.random.SeedSequence,
) -> list[tuple[float, float, float]]:
    """Return estimate and interval of each study that could be fitted."""
    import pandas as pd

    from blindtest.stats.thresholds import fit_threshold

    rng = np.random.default_rng(seed)
    found = []
    for _ in range(studies):
        table = pd.DataFrame({"level": levels, "correct": rng.binomial(trials, true), "trials": trials})
        try:
            result = fit_threshold(table, link=link, guess=guess, level=level)
        except BlindtestError:
            continue
        at = result.threshold(result.halfway)
        found.append((at.estimate, *at.interval))
    return found
