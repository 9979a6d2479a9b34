"""How a simulated listener sets a sound: towards a point of their own, pulled by where it began, with scatter.

The setting aimed at is point + pull (start - point) + spread z, z standard normal; the rung nearest to it is taken. So
the mean of settings from below and from above is the point, and a pull of .2 leaves a fifth of the way from the start.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

__all__ = ["Setter"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Setter:
    """Where a listener sets things, in the unit of the grid."""

    point: float
    """What is equal, or preferred, to them."""
    spread: float
    """Standard deviation of single settings; >= 0."""
    values: Mapping[str, float]
    """Of every condition that can be set."""
    pull: float = 0.0
    """Share of the way from the point to the start that is left; 0 ... 1."""

    def offset(self, ladder: Sequence[str], start: str, rng: np.random.Generator) -> int:
        """Return how many rungs above the start the setting lies."""
        heights = np.array([self.values[one] for one in ladder], dtype=np.float64)
        begun = self.values[start]
        aim = self.point + self.pull * (begun - self.point) + self.spread * float(rng.standard_normal())
        return int(np.argmin(np.abs(heights - aim))) - list(ladder).index(start)
