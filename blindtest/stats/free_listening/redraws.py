"""The draws that a plan could have made, and where the one it made stands among them.

What a listener does with the slots of a track is taken as given; what was drawn is which slot held the device. If the
device makes no difference, every other draw would have led to the same behaviour, so the statistic (a sum over tracks
of what the device's slot got) can be recomputed for each of them (Fisher 1935, *The Design of Experiments*; Edgington &
Onghena 2007, *Randomization Tests*). Where there are no more draws than `MOST_DRAWS` all are gone through, else a
sample: p = (b + 1)/(m + 1), which is exact for a sample too (Davison & Hinkley 1997, *Bootstrap Methods*, 4.2).

For limits the device is supposed to add `delta` to the share of its slot, taken evenly from the others. Against that
value, another draw is at least as high as the one made just where

    sum over tracks whose device moved of (device's slot - other slot) <= delta x sum of m/(m - 1), m slots,

so each draw has one threshold, and the p value of every delta, and with it limits, can be read off the sorted
thresholds (for sign flips these are the subset means of Hartigan 1969, JASA 64, 1303). A listener's mean, sign flipped,
is a track with two slots, 1/2 + mean and 1/2 - mean.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, prod

import numpy as np
from numpy.typing import NDArray

__all__ = ["MOST_DRAWS", "Redrawn", "Unit", "flips", "redrawn", "redrawn_by_plans"]

Floats = NDArray[np.float64]

MOST_DRAWS = 2**20
"""So many draws are gone through one by one; of more a sample is taken."""
SAMPLE = 99_999
EQUAL = 1e-10
"""Sums of shares may differ by this from what they stand for."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Unit:
    """What was drawn once: where the device stood, and what each place got."""

    values: Floats
    """(places,): what each place got, a share mostly."""
    place: int
    """Where the device stood."""

    @property
    def gains(self) -> Floats:
        """What the device's place got more than each place, (places,)."""
        return np.asarray(self.values[self.place] - self.values)

    @property
    def effect(self) -> float:
        """What the device's place got more than the mean of all places."""
        return float(self.values[self.place] - self.values.mean())


def flips(means: Sequence[float]) -> tuple[Unit, ...]:
    """Return one unit per mean, whose sign might as well have been the other."""
    return tuple(Unit(values=np.array([mean, -mean]), place=0) for mean in means)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Redrawn:
    """Thresholds of all draws, sorted: from which value of the effect on a draw is as high as the one made."""

    thresholds: Floats
    """Of draws in which something moved."""
    unmoved: int
    """Draws that equal the one made; as high as it, and as low, whatever the effect."""
    exact: bool
    """All draws were gone through; else a sample, to which the draw made is added."""

    @property
    def draws(self) -> int:
        """Draws that stand behind a p value, the one made among them."""
        return len(self.thresholds) + self.unmoved

    @property
    def smallest_p(self) -> float:
        """No p value can be below this."""
        return self.unmoved / self.draws

    def p_greater(self, effect: float = 0.0) -> float:
        """Return the one-sided p value against this effect or less: draws that are as high as the one made."""
        return (self.unmoved + int(np.searchsorted(self.thresholds, effect + EQUAL, side="right"))) / self.draws

    def p_less(self, effect: float = 0.0) -> float:
        """Return the one-sided p value against this effect or more: draws that are as low."""
        below = int(np.searchsorted(self.thresholds, effect - EQUAL, side="left"))
        return (self.draws - below) / self.draws

    def lower_limit(self, alpha: float) -> float:
        """Return the smallest effect whose `p_greater` is above alpha; -inf where all are."""
        free = int(np.floor(alpha * self.draws + EQUAL)) - self.unmoved
        if free < 0:
            return -inf
        return float(self.thresholds[free]) if free < len(self.thresholds) else inf

    def upper_limit(self, alpha: float) -> float:
        """Return the largest effect whose `p_less` is above alpha; inf where all are."""
        free = int(np.floor(alpha * self.draws + EQUAL)) - self.unmoved
        if free < 0:
            return inf
        return float(self.thresholds[-1 - free]) if free < len(self.thresholds) else -inf


def redrawn(units: Sequence[Unit], *, seed: int = 1, most: int = MOST_DRAWS, sample: int = SAMPLE) -> Redrawn:
    """Return where the draw made stands among all that could have been made, each unit's place drawn on its own.

    Parameters
    ----------
    units : at least one
    seed : of the sample, where there are more than `most` draws
    """
    if prod(unit.values.size for unit in units) <= most:
        sums, weights = np.zeros(1), np.zeros(1)
        for unit in units:
            sums = np.add.outer(sums, unit.gains).ravel()
            weights = np.add.outer(weights, _weights(unit)).ravel()
        return _sorted(sums, weights, exact=True)
    rng = np.random.default_rng(seed)
    sums, weights = np.zeros(sample + 1), np.zeros(sample + 1)
    for unit in units:
        places = np.append(rng.integers(0, unit.values.size, sample), unit.place)
        sums += unit.gains[places]
        weights += _weights(unit)[places]
    return _sorted(sums, weights, exact=False)


def redrawn_by_plans(units: Sequence[Unit], plans: NDArray[np.int64]) -> Redrawn:
    """Return where the draw made stands among these, (plans, units) places of the device.

    The list is taken as complete if the draw made is on it, else as a sample.
    """
    made = np.array([unit.place for unit in units])
    complete = bool(np.any(np.all(plans == made, axis=1)))
    if not complete:
        plans = np.vstack([plans, made])
    sums = np.sum([unit.gains[plans[:, i]] for i, unit in enumerate(units)], axis=0)
    weights = np.sum([_weights(unit)[plans[:, i]] for i, unit in enumerate(units)], axis=0)
    return _sorted(sums, weights, exact=complete)


def _weights(unit: Unit) -> Floats:
    places = unit.values.size
    weights = np.full(places, places / (places - 1))
    weights[unit.place] = 0.0
    return weights


def _sorted(sums: Floats, weights: Floats, *, exact: bool) -> Redrawn:
    moved = weights > 0
    return Redrawn(thresholds=np.sort(sums[moved] / weights[moved]), unmoved=int(np.sum(~moved)), exact=exact)
