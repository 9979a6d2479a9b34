"""What a plan can show, where counting right answers alone does not say: exact where it can be, else simulated."""

from blindtest.stats.plans.contrast import (
    ContrastDesign,
    ContrastPower,
    contrast_power,
    contrast_sample_size,
    detectable_difference,
)
from blindtest.stats.plans.hands import Hands
from blindtest.stats.plans.pairs import (
    SameDifferentPower,
    TwoACPower,
    same_different_power,
    two_ac_power,
    unbiased_criterion,
)
from blindtest.stats.plans.precision import ThresholdPrecision, threshold_precision
from blindtest.stats.plans.simulated import simulated_contrast_power

__all__ = [
    "ContrastDesign",
    "ContrastPower",
    "Hands",
    "SameDifferentPower",
    "ThresholdPrecision",
    "TwoACPower",
    "contrast_power",
    "contrast_sample_size",
    "detectable_difference",
    "same_different_power",
    "simulated_contrast_power",
    "threshold_precision",
    "two_ac_power",
    "unbiased_criterion",
]
