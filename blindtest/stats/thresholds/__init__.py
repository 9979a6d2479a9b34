"""Thresholds: how much of something it takes to be heard.

Psychometric functions by maximum likelihood and with priors, and the averages of staircases as their simpler companion.
"""

from blindtest.stats.thresholds.answers import LevelCounts, read_levels
from blindtest.stats.thresholds.conclusion import (
    ListenerThreshold,
    ThresholdConclusion,
    ThresholdWord,
    conclude_threshold,
)
from blindtest.stats.thresholds.curves import CURVES, Curve
from blindtest.stats.thresholds.fit import Threshold, ThresholdResult, fit_threshold
from blindtest.stats.thresholds.goodness import DevianceBootstrap, deviance_bootstrap
from blindtest.stats.thresholds.priors import (
    PosteriorThreshold,
    ThresholdPosterior,
    ThresholdPriors,
    threshold_posterior,
)
from blindtest.stats.thresholds.staircases import (
    StaircaseResult,
    StaircaseTrack,
    staircase_average,
    up_down_target,
    weighted_step_ratio,
)

__all__ = [
    "CURVES",
    "Curve",
    "DevianceBootstrap",
    "LevelCounts",
    "ListenerThreshold",
    "PosteriorThreshold",
    "StaircaseResult",
    "StaircaseTrack",
    "Threshold",
    "ThresholdConclusion",
    "ThresholdPosterior",
    "ThresholdPriors",
    "ThresholdResult",
    "ThresholdWord",
    "conclude_threshold",
    "deviance_bootstrap",
    "fit_threshold",
    "read_levels",
    "staircase_average",
    "threshold_posterior",
    "up_down_target",
    "weighted_step_ratio",
]
