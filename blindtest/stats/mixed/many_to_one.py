"""The largest of several correlated |t|: the distribution behind Dunnett's comparisons with one level.

P(max |T_i| > c) for a multivariate t with correlations R. Where R has the form R_ij = l_i l_j (always for two
contrasts; for any number where means are equally precise and equally correlated, balanced designs) it is a double
integral: given the common part of the contrasts and the scale they are independent (Dunnett 1955). Otherwise it is
summed as

    P(max |T_i| > c) = sum_i 2 P(T_i > c, |T_j| <= c for all j before i)

each term by Genz's sequential conditioning on a fixed lattice: the same numbers on every run, with a relative error of
the tail of 2e-4 at most where it was tried (tests: 3 to 10 contrasts).

Sources: Dunnett 1955 (JASA 50, 1096); Genz & Bretz 2009, Computation of Multivariate Normal and t Probabilities;
Niederreiter 1972 (lattice of square roots of primes).
"""

from math import isinf, isnan, nan, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaincinv, ndtr, ndtri, stdtr, stdtrit

from blindtest.stats.mixed.degrees_of_freedom import t_half_width
from blindtest.stats.mixed.studentised_range import (
    AS_GOOD_AS_INFINITE,
    mixed_over_scale,
    smooth_in_df,
    solved_between,
)

__all__ = ["many_to_one_quantile", "many_to_one_tail"]

Floats = NDArray[np.float64]

STEP = 0.1
NODES = np.arange(0.0, 9.0, STEP)
DENSITY = STEP * np.exp(-(NODES**2) / 2) * sqrt(2 / np.pi) * np.where(NODES == 0, 0.5, 1.0)
"""Of the common part's size: both signs give the same, by symmetry."""
CLOSE = 1e-9
"""Correlations this close to products count as products."""
LOADING = 0.995
"""Above, the given-the-common-part integrand is too steep for the fixed nodes: the lattice takes over."""
POINTS = 8_191
FEWER_POINTS = 2_039
"""For the search of a quantile, where a relative error of the tail counts a tenth or so."""
PRIMES = np.array([n for n in range(2, 1300) if all(n % k for k in range(2, int(sqrt(n)) + 1))])
"""210 of them: contrasts with one level that can be adjusted for at once, and two."""


def many_to_one_tail(c: float, correlation: Floats, df: float, *, points: int = POINTS) -> float:
    """Return P(max |T_i| > c) of t statistics of one df with this correlation, (tests, tests)."""
    if isnan(c) or isnan(df) or not np.all(np.isfinite(correlation)):
        return nan
    if c <= 0:
        return 1.0
    loadings = _loadings(correlation)
    if loadings is not None:
        return mixed_over_scale(lambda limits: _independent_tail(limits, loadings), c, df)
    return _lattice_tail(c, correlation, df, points)


def many_to_one_quantile(level: float, correlation: Floats, df: ArrayLike) -> Floats:
    """Return the c that max |T_i| stays below with probability `level`, for each of the df, (m,)."""
    if not np.all(np.isfinite(correlation)):
        return np.full(np.asarray(df).shape, nan)

    def solved(nu: float) -> float:
        low, high = (float(t_half_width(1 - (1 - level) / tests, nu)) for tests in (1, len(correlation)))
        return solved_between(lambda c: many_to_one_tail(c, correlation, nu, points=FEWER_POINTS), 1 - level, low, high)

    return smooth_in_df(solved, df)


def _loadings(correlation: Floats) -> Floats | None:
    """Return l with R_ij = l_i l_j off the diagonal, or None where there is none."""
    count = len(correlation)
    if count == 1:
        return np.zeros(1)
    if count == 2:
        rho = float(correlation[0, 1])
        loadings = sqrt(abs(rho)) * np.array([1.0, np.sign(rho)])
    else:
        off = correlation - np.diag(np.diag(correlation))
        if np.all(np.abs(off) < CLOSE):
            return np.zeros(count)
        if np.any(np.abs(off[~np.eye(count, dtype=bool)]) < 1e-6):
            return None
        squares = [
            off[i, (i + 1) % count] * off[i, (i + 2) % count] / off[(i + 1) % count, (i + 2) % count]
            for i in range(count)
        ]
        if min(squares) < 0:
            return None
        loadings = np.sqrt(squares) * np.where(off[0] < 0, -1.0, 1.0)
        products = np.outer(loadings, loadings)
        np.fill_diagonal(products, 0.0)
        if np.max(np.abs(products - off)) > CLOSE:
            return None
    return loadings if np.max(np.abs(loadings)) <= LOADING else None


def _independent_tail(limits: Floats, loadings: Floats) -> Floats:
    """Return P(max |Z_i| > limit) for each limit, the Z_i independent given the common part."""
    inside = np.zeros((len(limits), len(NODES)))
    for loading, times in zip(*np.unique(np.abs(loadings).round(12), return_counts=True), strict=True):
        spread, shift = sqrt(1 - loading**2), loading * NODES[None, :]
        outside = ndtr((-limits[:, None] - shift) / spread) + ndtr((-limits[:, None] + shift) / spread)
        inside += times * np.log1p(-np.minimum(outside, 1 - 1e-16))
    return np.asarray(np.minimum(np.sum(DENSITY * -np.expm1(inside), axis=1), 1.0))


def _lattice_tail(c: float, correlation: Floats, df: float, points: int = POINTS) -> float:
    count = len(correlation)
    lattice = np.mod(np.outer(np.sqrt(PRIMES[: count + 1]), np.arange(1, points + 1)), 1.0)
    lattice = np.clip(np.abs(2 * lattice - 1), 1e-15, 1 - 1e-15)  # periodic, without which a lattice gains little
    if isinf(df) or df > AS_GOOD_AS_INFINITE:
        beyond = float(ndtr(-c))
        first, scale = -ndtri(beyond * lattice[0]), np.ones(points)
    else:
        beyond = float(stdtr(df, -c))
        t = -stdtrit(df, beyond * lattice[0])
        # Given T = t the scale's chi square has one degree more and shrinks by 1 + t^2/df.
        scale = np.sqrt(2 * gammaincinv((df + 1) / 2, lattice[1]) / (df + t**2))
        first = t * scale
    total = 0.0
    for place in range(count):
        order = [place, *range(place)]
        total += 2 * beyond * _share_within(first, c * scale, _root(correlation[np.ix_(order, order)]), lattice[2:])
    return min(total, 1.0)


def _share_within(first: Floats, limit: Floats, root: Floats, points: Floats) -> float:
    """Return the mean chance that all but the first lie within the limits, given the first."""
    known = [first]
    share = np.ones_like(first)
    for place in range(1, len(root)):
        mean = sum(root[place, k] * known[k] for k in range(place))
        low = ndtr((-limit - mean) / root[place, place])
        width = np.maximum(ndtr((limit - mean) / root[place, place]) - low, 0.0)
        share = share * width
        if place + 1 < len(root):
            known.append(ndtri(np.clip(low + points[place - 1] * width, 1e-300, 1 - 1e-16)))
    return float(share.mean())


def _root(correlation: Floats) -> Floats:
    """Return the lower triangle L with L L' = R; where R is singular (a contrast said twice) with a tiny diagonal."""
    count = len(correlation)
    root = np.zeros((count, count))
    for i in range(count):
        for j in range(i):
            root[i, j] = (correlation[i, j] - root[i, :j] @ root[j, :j]) / root[j, j]
        root[i, i] = sqrt(max(correlation[i, i] - root[i, :i] @ root[i, :i], 1e-12))
    return root
