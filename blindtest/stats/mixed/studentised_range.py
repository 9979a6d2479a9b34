"""The studentised range: the spread of k independent standard normal means over an independent estimate of their SD.

With W the range of k standard normals and s^2 a chi square on `df` degrees of freedom divided by df,

    P(W > w) = k int phi(z) [Phi(z)^(k-1) - (Phi(z) - Phi(z - w))^(k-1)] dz
    P(W/s > q) = int P(W > q s) f(s) ds

The difference of powers is taken through the share Phi(z - w) / Phi(z), so that small tails keep their digits; both
integrals are trapezoidal sums, the second over log s. Both integrands are analytic and fall off on both sides, for
which such sums converge faster than any power of the step (Trefethen & Weideman 2014). Degrees of freedom may be any
positive number.

Sources: Hartley 1942 (Biometrika 32, 309); Lund & Lund 1983 (Appl. Statist. 32, 204); Trefethen & Weideman 2014 (SIAM
Review 56, 385).
"""

from collections.abc import Callable
from math import inf, isinf, isnan, lgamma, log, nan, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from blindtest.stats.mixed.degrees_of_freedom import t_half_width

__all__ = ["mixed_over_scale", "range_quantile", "range_tail", "smooth_in_df", "solved_between"]

Floats = NDArray[np.float64]

STEP = 0.2
NODES = np.arange(-8.4, 14.0, STEP)
DENSITY = np.exp(-(NODES**2) / 2) / sqrt(2 * np.pi)
BELOW = ndtr(NODES)
CHEBYSHEV = 8
"""Different degrees of freedom up to which each has its own solution."""
AS_GOOD_AS_INFINITE = 1e7
"""Degrees of freedom from which on the estimate of the SD counts as known: the tail then moves by less than 1e-7 of
itself."""


def range_tail(q: float, means: int, df: float) -> float:
    """Return P(studentised range of `means` means on `df` degrees of freedom > q).

    Parameters
    ----------
    q : 0 or more, in standard errors of a mean
    means : 2 or more
    df : above 0, may be infinite
    """
    if isnan(q) or isnan(df):
        return nan
    if means < 2 or df <= 0:
        raise ValueError(f"a range needs 2 means or more and degrees of freedom above 0, got {means} and {df}")
    if q <= 0:
        return 1.0
    return mixed_over_scale(lambda widths: _normal_range_tail(widths, means), q, df)


def range_quantile(level: float, means: int, df: ArrayLike) -> Floats:
    """Return the q that the studentised range stays below with probability `level`, for each of the df, (m,)."""
    pairs = means * (means - 1) / 2

    def solved(nu: float) -> float:
        # Between one comparison's point and Bonferroni's for all.
        low, high = (sqrt(2) * float(t_half_width(1 - (1 - level) / tests, nu)) for tests in (1, pairs))
        return solved_between(lambda q: range_tail(q, means, nu), 1 - level, low, high)

    return smooth_in_df(solved, df)


def _normal_range_tail(widths: Floats, means: int) -> Floats:
    share = np.minimum(ndtr(NODES[None, :] - widths[:, None]) / BELOW[None, :], 1.0)
    with np.errstate(divide="ignore"):
        # a^n - b^n with b = a (1 - share), no difference of like numbers
        outside = -np.expm1((means - 1) * np.log1p(-share))
    weights = means * STEP * DENSITY * BELOW ** (means - 1)
    return np.asarray(np.minimum(outside @ weights, 1.0))


def mixed_over_scale(tail: Callable[[Floats], Floats], q: float, df: float) -> float:
    """Return int tail(q s) f(s) ds, with f the density of sqrt(chi square on df / df).

    `tail` takes (m,) values to (m,) probabilities.
    """
    if isinf(df) or df > AS_GOOD_AS_INFINITE:
        return float(tail(np.array([q]))[0])
    sd = 1 / sqrt(2 * df)
    step = min(0.08, 0.45 * sd)
    low, high = -(45 / df + 13 * sd), min(13 * sd, 0.5 * log(1 + 90 / df) + 8 * sd)
    x = np.arange(low, high + step, step)
    log_constant = (df / 2) * log(df / 2) - lgamma(df / 2) + log(2)
    exponent = log_constant + df * x - (df / 2) * np.exp(2 * x)
    kept = exponent > -90
    x, exponent = x[kept], exponent[kept]
    return float(min(step * np.sum(np.exp(exponent) * tail(q * np.exp(x))), 1.0))


def solved_between(tail: Callable[[float], float], target: float, low: float, high: float) -> float:
    """Return where a falling tail meets the target, known to lie between two points (but for rounding).

    The result lies in low ... high, in their unit.

    Parameters
    ----------
    tail : falls from low to high
    target : between the tail's two ends
    """
    from scipy.optimize import brentq

    def height(q: float) -> float:
        # In logs the tail is nearly a line, which the root finder likes.
        return log(max(tail(q), 1e-300) / target)

    if high - low < 1e-12 * high or height(low) <= 0:
        return low
    return high if height(high) >= 0 else float(brentq(height, low, high, xtol=1e-10, rtol=1e-10))


def smooth_in_df(solved: Callable[[float], float], df: ArrayLike) -> Floats:
    """Return a quantile for each of the df; for many different ones by a polynomial in 1/df, through some of them.

    Quantiles of ratios to an estimated scale are smooth in 1/df. With Chebyshev's nodes the polynomial of the
    logarithms is off by less than 1e-6 for df of 3 and more.

    The result is (k,).

    Parameters
    ----------
    solved : gives the quantile at one df
    df : (k,) above 0, may be infinite
    """
    nu = np.asarray(df, dtype=np.float64).ravel()
    out = np.full(nu.shape, nan)
    known = ~np.isnan(nu)
    distinct = np.unique(nu[known])
    if len(distinct) <= CHEBYSHEV:
        values = {float(one): solved(float(one)) for one in distinct}
        out[known] = [values[float(one)] for one in nu[known]]
        return out
    inverse = 1 / nu[known]
    low, high = inverse.min(), inverse.max()
    angles = np.pi * (2 * np.arange(CHEBYSHEV) + 1) / (2 * CHEBYSHEV)
    nodes = (low + high) / 2 + (high - low) / 2 * np.cos(angles)
    logs = [log(solved(1 / node if node > 0 else inf)) for node in nodes]
    polynomial = np.polynomial.Chebyshev.fit(nodes, logs, CHEBYSHEV - 1, domain=[low, high])
    out[known] = np.exp(polynomial(inverse))
    return out
