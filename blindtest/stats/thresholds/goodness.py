"""Does the curve fit at all? The deviance held against what the fitted curve itself would bring.

The chi-square distribution of the deviance needs many trials at each level, which listening tests seldom have: near all
right the deviance of a true curve is far from it. So answers are drawn from the fitted curve, each draw is fitted
again, and the deviance seen is ranked among theirs: p = (as large or larger + 1)/(draws + 1).

Source: Wichmann & Hill 2001 (Perception & Psychophysics 63, 1293); Davison & Hinkley 1997, Bootstrap Methods, for the
rank.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from blindtest.stats.plain import plain
from blindtest.stats.thresholds.answers import LevelCounts
from blindtest.stats.thresholds.fit import ThresholdResult
from blindtest.stats.thresholds.fitting import Fitting

__all__ = ["DevianceBootstrap", "deviance_bootstrap"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DevianceBootstrap:
    """The deviance of a fitted curve among those of curves fitted to its own answers."""

    deviance: float
    p_value: float
    """(draws with as large a deviance + 1)/(draws + 1)."""
    simulations: int
    seed: int
    expected: float
    """Mean deviance of the draws; chi-square has its degrees of freedom here."""
    point_95: float
    """The deviance that a twentieth of the draws exceed."""
    method: str = "parametric bootstrap"
    source: str = "Wichmann & Hill 2001; Davison & Hinkley 1997"
    assumptions: tuple[str, ...] = (
        "under the hypothesis that the fitted curve is the true one trials are independent",
    )

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        return (
            f"If the fitted curve were the true one, a deviance of {self.deviance:.2f} or more would come with "
            f"probability {self.p_value:.3g} ({self.simulations} draws, seed {self.seed}; mean {self.expected:.2f})."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        return plain(self, "sentence")


def deviance_bootstrap(result: ThresholdResult, *, simulations: int = 999, seed: int = 1) -> DevianceBootstrap:
    """Return how the deviance of a fit ranks among those of answers drawn from the fit.

    Parameters
    ----------
    simulations : draws; each is fitted again, which takes about a millisecond
    seed : of the draws

    Raises
    ------
    ValueError
        No draw.
    """
    if simulations < 1:
        raise ValueError(f"there must be one or more draws, got {simulations}")
    levels, trials = np.array(result.levels), np.array(result.trials)
    rng = np.random.default_rng(seed)
    drawn = rng.binomial(trials, np.array(result.fitted), size=(simulations, len(levels))).astype(np.float64)
    lapse = None if result.lapse_free else result.lapse
    fitting = Fitting(
        LevelCounts(level=levels, correct=np.array(result.correct, dtype=np.float64), trials=trials.astype(np.float64)),
        result.link,
        result.guess,
        lapse,
    )
    deviances = np.array([fitting.deviance_of(correct) for correct in drawn])
    as_large = int(np.sum(deviances >= result.deviance - 1e-9))
    return DevianceBootstrap(
        deviance=result.deviance,
        p_value=(as_large + 1) / (simulations + 1),
        simulations=int(simulations),
        seed=int(seed),
        expected=float(deviances.mean()),
        point_95=float(np.quantile(deviances, 0.95)),
    )
