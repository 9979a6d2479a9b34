"""What a plan can show, where counting right answers alone does not say: exact where it can be, else simulated."""

from blindtest.stats.plans.contrast import (
    ContrastDesign,
    ContrastPower,
    contrast_power,
    contrast_sample_size,
    detectable_difference,
)

__all__ = ["ContrastDesign", "ContrastPower", "contrast_power", "contrast_sample_size", "detectable_difference"]
