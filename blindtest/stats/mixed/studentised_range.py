"""The studentised range: the spread of k independent standard normal means over an independent estimate of their SD.

With W the range of k standard normals and s^2 a chi square on `df` degrees of freedom divided by df,

    P(W > w) = k int phi(z) [Phi(z)^(k-1) - (Phi(z) - Phi(z - w))^(k-1)] dz
    P(W/s > q) = int P(W > q s) f(s) ds

The first is written as Phi(z - w) times a sum of positive products, so that small tails keep their digits; both
integrals are trapezoidal sums, the second over log s. Both integrands are analytic and fall off on both sides, for
which such sums converge faster than any power of the step (Trefethen & Weideman 2014). Degrees of freedom may be any
positive number.

Sources: Hartley 1942 (Biometrika 32, 309); Lund & Lund 1983 (Appl. Statist. 32, 204); Trefethen & Weideman 2014 (SIAM
Review 56, 385).
"""

from collections.abc import Callable
from math import exp, inf, isinf, isnan, lgamma, log, nan, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

__all__ = ["mixed_over_scale", "range_quantile", "range_tail", "solved_upwards"]

Floats = NDArray[np.float64]

NODES = np.arange(-8.5, 14.0, 0.125)
DENSITY = np.exp(-(NODES**2) / 2) / sqrt(2 * np.pi)
BELOW = ndtr(NODES)
AS_GOOD_AS_INFINITE = 1e7
"""Degrees of freedom from which on the estimate of the SD counts as known: the tail then moves by less than 1e-7 of
itself."""


def range_tail(q: float, means: int, df: float) -> float:
    """Return P(studentised range of `means` means on `df` degrees of freedom > q)."""
    if isnan(q) or isnan(df):
        return nan
    if means < 2 or df <= 0:
        raise ValueError(f"a range needs 2 means or more and degrees of freedom above 0, got {means} and {df}")
    if q <= 0:
        return 1.0
    return mixed_over_scale(lambda widths: _normal_range_tail(widths, means), q, df)


def range_quantile(level: float, means: int, df: float) -> float:
    """Return the q that the studentised range stays below with probability `level`."""
    if isnan(df):
        return nan
    return solved_upwards(lambda q: range_tail(q, means, df), 1 - level)


def _normal_range_tail(widths: Floats, means: int) -> Floats:
    outside = ndtr(NODES[None, :] - widths[:, None])
    inside = np.maximum(BELOW[None, :] - outside, 0.0)
    # a^n - b^n = (a - b) (a^(n-1) + a^(n-2) b + ... + b^(n-1)), by Horner in b
    total = np.ones_like(outside)
    power = np.ones_like(BELOW)
    for _ in range(means - 2):
        power = power * BELOW
        total = total * inside + power[None, :]
    step = NODES[1] - NODES[0]
    return np.asarray(np.minimum(means * step * np.sum(DENSITY * outside * total, axis=1), 1.0))


def mixed_over_scale(tail: Callable[[Floats], Floats], q: float, df: float) -> float:
    """Return int tail(q s) f(s) ds, with f the density of sqrt(chi square on df / df).

    `tail` takes (m,) values to (m,) probabilities.
    """
    if isinf(df) or df > AS_GOOD_AS_INFINITE:
        return float(tail(np.array([q]))[0])
    sd = 1 / sqrt(2 * df)
    step = min(0.08, 0.3 * sd)
    low, high = -(45 / df + 13 * sd), min(13 * sd, 0.5 * log(1 + 90 / df) + 8 * sd)
    x = np.arange(low, high + step, step)
    log_constant = (df / 2) * log(df / 2) - lgamma(df / 2) + log(2)
    exponent = log_constant + df * x - (df / 2) * np.exp(2 * x)
    kept = exponent > -90
    x, exponent = x[kept], exponent[kept]
    return float(min(step * np.sum(np.exp(exponent) * tail(q * np.exp(x))), 1.0))


def solved_upwards(tail: Callable[[float], float], target: float) -> float:
    """Return where a falling tail, 1 at 0, meets the target."""
    from scipy.optimize import brentq

    if not 0 < target < 1:
        return inf if target <= 0 else 0.0
    high = 4.0
    while tail(high) > target:
        high *= 2
        if high > exp(60):
            return inf
    # In logs the tail is nearly a line, which the root finder likes.

    return float(brentq(lambda q: log(max(tail(q), 1e-300) / target), 1e-9, high, xtol=1e-11, rtol=1e-11))
