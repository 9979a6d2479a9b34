"""Thresholds: how much of something it takes to be heard.

Psychometric functions by maximum likelihood and with priors, and the averages of staircases as their simpler companion.
"""

from blindtest.stats.thresholds.answers import LevelCounts, read_levels
from blindtest.stats.thresholds.curves import CURVES, Curve
from blindtest.stats.thresholds.fit import Threshold, ThresholdResult, fit_threshold

__all__ = ["CURVES", "Curve", "LevelCounts", "Threshold", "ThresholdResult", "fit_threshold", "read_levels"]
