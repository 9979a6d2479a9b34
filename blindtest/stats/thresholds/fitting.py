"""The climb behind a fitted psychometric function: its maximum, its profiles, and the curves that are none.

Levels are centred and scaled, here and nowhere else. Two curves are limits that no climb reaches: one that does not
rise at all, and one that jumps from guessing to lapsing between two levels, or at one.
"""

from dataclasses import replace
from math import inf, nan
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, xlogy

from blindtest.stats.binomial import Interval
from blindtest.stats.pair_model import Convergence
from blindtest.stats.profile_likelihood import peak, profile_limits
from blindtest.stats.thresholds.answers import LevelCounts
from blindtest.stats.thresholds.curves import curve_of
from blindtest.stats.thresholds.likelihood import ROUNDING, SMALL_GRADIENT, Climb, Likelihood, climb

__all__ = ["MOST_LAPSES", "Fitting"]

Floats = NDArray[np.float64]
MOST_LAPSES = 0.06
"""Largest lapse rate looked at (Wichmann & Hill 2001)."""
GENTLE = 0.02
"""A slope, per scaled unit of level, that hardly rises."""
MOST_PLACES = 25
"""Levels among which a climb looks for its start."""
HEIGHT = 1e-9
"""Gain of log-likelihood at which a climb along a profile ends."""
SAME = 1e-7
"""Log-likelihoods nearer than this are equal: a jump that is as likely as the best curve is the best curve."""


class Fitting:
    """One table under one curve: everything that a result and its thresholds are read from."""

    def __init__(self, counts: LevelCounts, link: str, guess: float, lapse: float | None) -> None:
        self.centre = float(counts.level.min() + counts.level.max()) / 2
        self.scale = float(counts.level.max() - counts.level.min()) / 2
        scaled = LevelCounts(
            level=(counts.level - self.centre) / self.scale, correct=counts.correct, trials=counts.trials
        )
        self.raw, self.guess, self.link = counts, guess, link
        self.model = Likelihood(counts=scaled, curve=curve_of(link), guess=guess)
        self.lapses = (0.0, min(MOST_LAPSES, (1 - guess) / 2)) if lapse is None else (lapse, lapse)
        self.free = lapse is None
        self.trials = float(counts.trials.sum())
        self.gap = float(np.diff(scaled.level).min())
        self.peak = self._climb(self.model.surface, self._starts())
        self.jump = self._jump()
        self.best = max(self.peak.value, self.jump[0])
        self.flat = self._flat() >= self.best - SAME
        self.jumps = not self.flat and self.jump[0] >= self.best - SAME

    def _climb(
        self, surface: Any, start: Floats, *, fixed_slope: float | None = None, rounding: float = ROUNDING
    ) -> Climb:
        low = np.array((-inf, -inf, self.lapses[0]))[-len(start) :]
        high = np.array((inf, inf, self.lapses[1]))[-len(start) :]
        if fixed_slope is not None:
            low[1] = high[1] = fixed_slope
        return climb(surface, start, low, high, trials=self.trials, rounding=rounding)

    def _starts(self, slopes: Floats | None = None) -> Floats:
        """Return the best of a grid of places, slopes and lapse rates, as (intercept, slope, lapse)."""
        x = self.model.counts.level
        if slopes is None:
            rising = np.geomspace(0.05, 60, 18)
            slopes = np.concatenate((-rising, [0.0], rising))
        some = x[np.unique(np.linspace(0, len(x) - 1, min(len(x), MOST_PLACES)).astype(int))]
        between = np.concatenate((np.linspace(-2.5, 2.5, 21), some, (some[1:] + some[:-1]) / 2))
        shifts = np.array((-2.0, 0.0, 2.0))
        intercepts = np.add.outer(-np.multiply.outer(slopes, between), shifts).reshape(len(slopes), -1)
        lapses = np.unique(np.linspace(*self.lapses, 3))
        grid = self.model.at(intercepts[..., None], slopes[:, None, None], lapses)
        s, place, lapse = np.unravel_index(int(np.argmax(np.nan_to_num(grid, nan=-inf))), grid.shape)
        return np.array((intercepts[s, place], slopes[s], lapses[lapse]))

    def _flat(self) -> float:
        """Return the best log-likelihood of curves that don't rise."""
        right, total = self.model.counts.correct.sum(), self.model.counts.trials.sum()
        share = min(max(right / total, self.guess), 1 - self.lapses[0])
        return float(_log_binomial(right, total, np.array([share]))[0])

    def _jump(self) -> tuple[float, float, int]:
        """Return the best log-likelihood of curves that jump, the place of the jump, and its direction.

        At a level the curve may take any value from guessing to lapsing; between two levels their middle is the place.
        """
        lapses = np.unique(np.linspace(*self.lapses, 33))
        found, value = (nan, 1), -inf
        for direction in (1, -1):
            ends = _Jumps(self.model.counts, self.guess, direction)
            for inside in (True, False):
                grid = ends.log_likelihood(lapses, inside)
                at = int(np.unravel_index(int(np.argmax(grid)), grid.shape)[0])
                best = float(grid[at].max())
                if self.free:
                    best = max(best, ends.peak(at, inside, self.lapses))
                if best > value + 1e-12:
                    found, value = (ends.place(at, inside), direction), best
        return value, *found

    def slope_profile(self, slope: float) -> float:
        """Return the best log-likelihood at a slope, per scaled unit of level."""
        start = self._starts(np.array([slope]))
        return self._climb(self.model.surface, start, fixed_slope=slope, rounding=HEIGHT).value

    def threshold_profile(self, place: float, proportion: float) -> float:
        """Return the best log-likelihood of curves through this proportion at a scaled level."""
        steepest = float(np.arcsinh(1e5 / self.gap / GENTLE))
        most = min(self.lapses[1], 1 - proportion - 1e-9)
        lapses = np.unique(np.linspace(self.lapses[0], most, 3))
        anchors = self.model.curve.inverse((proportion - self.guess) / (1 - self.guess - lapses))

        def along(steps: Floats) -> Floats:
            slopes = GENTLE * np.sinh(steps)[:, None]
            return self.model.at(anchors - slopes * place, slopes, lapses)

        if len(lapses) == 1:
            return peak(lambda steps: along(steps)[:, 0], -steepest, steepest, points=97)[1]
        steps = np.linspace(-steepest, steepest, 81)
        grid = along(steps)
        s, lapse = np.unravel_index(int(np.argmax(np.nan_to_num(grid, nan=-inf))), grid.shape)
        start = np.array((GENTLE * np.sinh(steps[s]), lapses[lapse]))
        low, high = np.array((-inf, self.lapses[0])), np.array((inf, most))
        surface = self.model.through(place, proportion)
        return climb(surface, start, low, high, trials=self.trials, rounding=HEIGHT).value

    def threshold(self, proportion: float, level: float) -> tuple[float, Interval]:
        """Return the level at which `proportion` is right, as the levels came, with its profile interval."""
        place = self._place(proportion)
        if not np.isfinite(place):
            return nan, (-inf, inf)
        low, high = profile_limits(
            lambda value: self.threshold_profile(value, proportion),
            place + self._beside(place, proportion),
            best=self.best,
            level=level,
            step=0.1,
        )
        return float(self.centre + self.scale * place), (
            self.centre + self.scale * low,
            self.centre + self.scale * high,
        )

    def _place(self, proportion: float) -> float:
        if self.flat:
            return nan
        if self.jumps:
            return self.jump[1]
        intercept, slope, lapse = self.peak.parameters
        anchor = float(self.model.curve.inverse((proportion - self.guess) / (1 - self.guess - lapse)))
        return (anchor - intercept) / slope if slope != 0 else nan

    def _beside(self, place: float, proportion: float) -> float:
        """Return how far from a jump at a level the curve takes the proportion: hardly, but not at the level itself."""
        at = np.flatnonzero(self.model.counts.level == place)
        if not self.jumps or at.size == 0:
            return 0.0
        share = self.raw.correct[at[0]] / self.raw.trials[at[0]]
        return self.jump[2] * self.gap * 1e-3 * (1 if proportion > share else -1)

    def deviance_of(self, correct: Floats) -> float:
        """Return the deviance of the curve fitted to other answers at the same levels, climbing from this one."""
        counts = replace(self.model.counts, correct=correct)
        model = replace(self.model, counts=counts)
        low, high = np.array((-inf, -inf, self.lapses[0])), np.array((inf, inf, self.lapses[1]))
        intercept, slope, lapse = self.peak.parameters
        # A curve as steep as a jump has no slope left to climb by: start beside it.
        gentle = min(1.0, 20 / (abs(slope) * self.gap)) if slope else 1.0
        middle = (self.lapses[0] + self.lapses[1]) / 2 if self.free else lapse
        start = np.array((intercept * gentle, slope * gentle, middle))
        found = climb(model.surface, start, low, high, trials=self.trials).parameters
        return model.deviance(model.chance(found[0] + found[1] * counts.level, found[2]))

    def fitted(self) -> Floats:
        """Return the proportions correct at the levels."""
        intercept, slope, lapse = self.peak.parameters
        return self.model.chance(intercept + slope * self.model.counts.level, lapse)

    def slope_interval(self, level: float) -> Interval:
        """Return the profile interval of the slope, per unit of level as it came."""
        if not self.jumps:
            slope = 0.0 if self.flat else float(self.peak.parameters[1])
            low, high = profile_limits(
                self.slope_profile, slope, best=self.best, level=level, step=max(abs(slope), 1) / 4
            )
            return low / self.scale, high / self.scale
        # As good as infinite: so steep that a step to the next level runs through the whole curve.
        steep = self.jump[2] * 80 / self.gap
        low, high = profile_limits(
            self.slope_profile, steep, best=self.best, level=level, bounds=(-inf, steep) if steep > 0 else (steep, inf)
        )
        return (low / self.scale, inf) if steep > 0 else (-inf, high / self.scale)

    def std_errors(self) -> tuple[float, float]:
        """Return those of intercept and slope, from the observed information."""
        free = 3 if self.lapses[0] < self.peak.parameters[2] < self.lapses[1] else 2
        if self.jumps:
            return nan, nan
        covariance = np.linalg.pinv(-self.peak.curvature[:free, :free])[:2, :2]
        back = np.array(((1.0, -self.centre / self.scale), (0.0, 1 / self.scale)))
        variances = np.diag(back @ covariance @ back.T)
        first, second = (float(np.sqrt(value)) if value > 0 else nan for value in variances)
        return first, second

    def constant(self) -> float:
        """Return the logarithm of the binomial coefficients."""
        n, k = self.raw.trials, self.raw.correct
        return float(np.sum(gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)))

    def convergence(self) -> Convergence:
        """Return how the climb ended."""
        per_trial = self.peak.gradient / self.trials
        return Convergence(
            converged=self.jumps or per_trial <= SMALL_GRADIENT,
            steps=self.peak.steps,
            gradient=per_trial,
            criterion=f"largest slope of the log-likelihood per trial, inwards at an end, <= {SMALL_GRADIENT:g}",
            start="the best of a grid over places, slopes and lapse rates",
            remedy="the answers jump from one level to the next: test levels between them" if self.jumps else "",
        )


class _Jumps:
    """All curves that jump from guessing to lapsing, in one direction of levels; sums from both ends, once."""

    def __init__(self, counts: LevelCounts, guess: float, direction: int) -> None:
        order = slice(None, None, direction)
        self.levels, self.guess = counts.level[order], guess
        self.right, self.total = counts.correct[order], counts.trials[order]
        self.right_below = np.concatenate(([0.0], np.cumsum(self.right)))
        self.total_below = np.concatenate(([0.0], np.cumsum(self.total)))

    def log_likelihood(self, lapses: Floats, inside: bool) -> Floats:
        """Return those of a jump at each level (`inside`), or between it and the one before; (places, lapses)."""
        places = np.arange(0 if inside else 1, len(self.levels))
        high = 1 - lapses
        low = np.full_like(high, self.guess)
        above = places + inside
        right_above = self.right_below[-1] - self.right_below[above]
        total_above = self.total_below[-1] - self.total_below[above]
        value = _log_binomial(self.right_below[places][:, None], self.total_below[places][:, None], low)
        value = value + _log_binomial(right_above[:, None], total_above[:, None], high)
        if inside:
            share = np.clip((self.right / self.total)[:, None], low, high)
            value = value + _log_binomial(self.right[:, None], self.total[:, None], share)
        return value

    def peak(self, at: int, inside: bool, lapses: tuple[float, float]) -> float:
        """Return the best log-likelihood of one of them over the lapse rates."""
        return peak(lambda some: self.log_likelihood(some, inside)[at], *lapses)[1]

    def place(self, at: int, inside: bool) -> float:
        """Return the level of a row of `log_likelihood`."""
        return float(self.levels[at]) if inside else float(self.levels[at] + self.levels[at + 1]) / 2


def _log_binomial(right: Any, total: Any, p: Floats) -> Floats:
    with np.errstate(divide="ignore"):
        return np.asarray(xlogy(right, p) + xlogy(total - right, 1 - p))
