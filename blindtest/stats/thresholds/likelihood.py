"""The binomial likelihood of a psychometric function, its slope and curvature, and the climb to its maximum.

The curvature is that of the observed answers, not its expectation: with a guess rate the two differ. Newton's method
with the curvature's eigenvalues made negative never walks downhill; a parameter at an end of its range stays there for
as long as the slope points outwards.
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import inf

import numpy as np
from numpy.typing import NDArray
from scipy.special import rel_entr, xlogy

from blindtest.stats.thresholds.answers import LevelCounts
from blindtest.stats.thresholds.curves import Curve

__all__ = ["Climb", "Likelihood", "climb"]

Floats = NDArray[np.float64]
Surface = Callable[[Floats], tuple[float, Floats, Floats]]
"""Parameters to log-likelihood, slope and curvature."""
SMALL_GRADIENT = 1e-9
"""Largest slope per trial, inwards at an end, at which a climb has arrived."""
MOST_STEPS = 100
ROUNDING = 1e-11
"""Gains of log-likelihood below this are lost in rounding."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Climb:
    """Where a climb ended."""

    parameters: Floats
    value: float
    gradient: float
    """Largest slope of the log-likelihood, inwards at an end."""
    curvature: Floats
    steps: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Likelihood:
    """Counts under one curve and guess rate; parameters are intercept, slope and lapse."""

    counts: LevelCounts
    curve: Curve
    guess: float

    def chance(self, eta: Floats, lapse: float | Floats) -> Floats:
        """Return the proportion correct at values of the linear predictor."""
        return np.asarray(self.guess + (1 - self.guess - lapse) * self.curve.value(eta))

    def of_chance(self, p: Floats) -> Floats:
        """Return the log-likelihood without its constant of proportions correct, (..., levels) to (...)."""
        right, wrong = self.counts.correct, self.counts.trials - self.counts.correct
        with np.errstate(divide="ignore"):
            return np.asarray(np.sum(xlogy(right, p) + xlogy(wrong, 1 - p), axis=-1))

    def at(self, intercept: Floats, slope: Floats, lapse: Floats) -> Floats:
        """Return the log-likelihood without its constant at arrays of parameters (broadcast)."""
        eta = np.asarray(intercept)[..., None] + np.asarray(slope)[..., None] * self.counts.level
        return self.of_chance(self.chance(eta, np.asarray(lapse)[..., None]))

    def surface(self, parameters: Floats) -> tuple[float, Floats, Floats]:
        """Return log-likelihood, slope and curvature at (intercept, slope, lapse)."""
        intercept, slope, lapse = parameters
        x, share = self.counts.level, 1 - self.guess - lapse
        eta = intercept + slope * x
        density, bend = self.curve.density(eta), self.curve.density_slope(eta)
        first = np.stack((share * density, share * density * x, -self.curve.value(eta)))
        second = np.empty((3, 3, len(x)))
        second[0, 0], second[0, 1], second[1, 1] = share * bend, share * bend * x, share * bend * x * x
        second[0, 2], second[1, 2], second[2, 2] = -density, -density * x, 0
        second[1, 0], second[2, 0], second[2, 1] = second[0, 1], second[0, 2], second[1, 2]
        return self.derived(self.chance(eta, lapse), first, second)

    def through(self, level: float, proportion: float) -> Surface:
        """Return the surface in (slope, lapse) of curves that pass `proportion` at `level`."""
        x = self.counts.level - level

        def surface(parameters: Floats) -> tuple[float, Floats, Floats]:
            slope, lapse = parameters
            share = 1 - self.guess - lapse
            anchor = self.curve.inverse((proportion - self.guess) / share)
            rise, rise_bend = (proportion - self.guess) / share**2, 2 * (proportion - self.guess) / share**3
            at = np.asarray(anchor)
            density_there, bend_there = self.curve.density(at), self.curve.density_slope(at)
            moved = rise / density_there
            moved_again = rise_bend / density_there - rise**2 * bend_there / density_there**3
            eta = at + slope * x
            value, density, bend = self.curve.value(eta), self.curve.density(eta), self.curve.density_slope(eta)
            first = np.stack((share * density * x, -value + share * density * moved))
            second = np.empty((2, 2, len(x)))
            second[0, 0] = share * bend * x * x
            second[0, 1] = second[1, 0] = x * (share * bend * moved - density)
            second[1, 1] = share * (bend * moved**2 + density * moved_again) - 2 * density * moved
            return self.derived(self.guess + share * value, first, second)

        return surface

    def derived(self, p: Floats, first: Floats, second: Floats) -> tuple[float, Floats, Floats]:
        """Return log-likelihood, slope and curvature from p and its derivatives, (k, levels) and (k, k, levels)."""
        right, wrong = self.counts.correct, self.counts.trials - self.counts.correct
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            up = np.where(right > 0, right / p, 0.0)
            down = np.where(wrong > 0, wrong / (1 - p), 0.0)
            curved = np.where(right > 0, right / p**2, 0.0) + np.where(wrong > 0, wrong / (1 - p) ** 2, 0.0)
            slope = first @ (up - down)
            curvature = second @ (up - down) - (first * curved) @ first.T
        return float(self.of_chance(p)), slope, curvature

    def deviance(self, p: Floats) -> float:
        """Return twice the log-likelihood that is missing to that of the observed proportions."""
        n, share = self.counts.trials, self.counts.correct / self.counts.trials
        return 2 * float(np.sum(n * (rel_entr(share, p) + rel_entr(1 - share, 1 - p))))


def climb(
    surface: Surface, start: Floats, low: Floats, high: Floats, *, trials: float, rounding: float = ROUNDING
) -> Climb:
    """Return the maximum of a surface reached from `start` within its ends; parameters with low = high are fixed.

    `rounding` is the gain at which the last step is taken: a profile needs its height only, not its place.
    """
    at = np.clip(np.asarray(start, dtype=np.float64), low, high)
    value, slope, curvature = surface(at)
    steps = 0
    while steps < MOST_STEPS:
        free = ~(((at <= low) & (slope <= 0)) | ((at >= high) & (slope >= 0)) | (low == high))
        if not free.any() or np.max(np.abs(slope[free])) <= SMALL_GRADIENT * trials * 1e-2:
            break
        steps += 1
        step = _uphill(slope, curvature, free)
        if float(slope @ step) < rounding:  # the value can't show the gain: the last step is taken on trust
            last = np.clip(at + step, low, high)
            there = surface(last)
            if np.all(np.isfinite(there[1])) and there[0] >= value - rounding:
                at, (value, slope, curvature) = last, there
            break
        nearer = _higher(surface, at, value, step, low, high)
        if nearer is None:
            break
        at, (value, slope, curvature) = nearer
    free = ~(((at <= low) & (slope <= 0)) | ((at >= high) & (slope >= 0)) | (low == high))
    gradient = float(np.max(np.abs(slope[free]))) if free.any() else 0.0
    return Climb(parameters=at, value=value, gradient=gradient, curvature=curvature, steps=steps)


def _uphill(slope: Floats, curvature: Floats, free: NDArray[np.bool_]) -> Floats:
    step = np.zeros_like(slope)
    values, vectors = np.linalg.eigh(np.nan_to_num(curvature[np.ix_(free, free)]))
    bend = np.maximum(np.abs(values), 1e-10 * max(1.0, float(np.abs(values).max())))
    step[free] = vectors @ ((vectors.T @ slope[free]) / bend)
    return step


def _higher(
    surface: Surface, at: Floats, value: float, step: Floats, low: Floats, high: Floats
) -> tuple[Floats, tuple[float, Floats, Floats]] | None:
    shorter = 1.0
    for _ in range(40):
        point = np.clip(at + shorter * step, low, high)
        there = surface(point)
        if there[0] > value and there[0] < inf and np.all(np.isfinite(there[1])):
            return point, there
        shorter /= 2
    return None
