"""Profile likelihood: all values of a parameter at which the best log-likelihood lies near enough to the very best.

"Near enough" is half of the chi-square point with one degree of freedom (Wilks 1938, Ann. Math. Stat. 9, 60): z^2/2.
Where a limit would lie at or beyond an end of the parameter's range, the end is the limit.
"""

from collections.abc import Callable
from math import inf, isfinite, isinf

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

__all__ = ["allowed_loss", "crossing", "joint_peak", "peak", "profile_limits"]

Floats = NDArray[np.float64]
FAR = 1e9
"""Steps from the estimate, in the step first tried, beyond which a limit is taken to be infinite."""


def allowed_loss(level: float) -> float:
    """Return how far below its maximum a log-likelihood may lie within the interval of this level."""
    return float(ndtri((1 + level) / 2)) ** 2 / 2


def peak(function: Callable[[Floats], Floats], low: float, high: float, *, points: int = 33) -> tuple[float, float]:
    """Return (argument, value) of the largest value of a function of arrays between two finite ends.

    The best of a grid is bracketed by its neighbours and gridded again, so a second, lower hill does no harm as long as
    the first grid sees both.
    """
    argument, value = low, -inf
    while True:
        grid = np.linspace(low, high, points)
        values = np.nan_to_num(function(grid), nan=-inf, posinf=inf, neginf=-inf)
        best = int(np.argmax(values))
        if values[best] >= value:
            argument, value = float(grid[best]), float(values[best])
        nearer = float(grid[max(best - 1, 0)]), float(grid[min(best + 1, points - 1)])
        if nearer[1] - nearer[0] <= 1e-10 * max(1.0, abs(argument)):
            return argument, value
        low, high = nearer


def joint_peak(
    function: Callable[[Floats, Floats], Floats], low: tuple[float, float], high: tuple[float, float]
) -> tuple[tuple[float, float], float, int]:
    """Return arguments, value and grids looked at, of the largest value of a function of two arrays in a box.

    A window around the best point is gridded again, four times as fine; it moves without shrinking for as long as its
    best point lies on its edge, so that a slanting ridge is followed.
    """
    ends = np.array((low, high), dtype=np.float64)
    lower, upper = ends.copy()
    argument, value, steps, points = lower.copy(), -inf, 0, 17
    while True:
        steps += 1
        axes = np.linspace(lower, upper, points)
        values = np.nan_to_num(function(axes[:, 0][:, None], axes[:, 1][None, :]), nan=-inf, posinf=inf, neginf=-inf)
        at = np.array(np.unravel_index(int(np.argmax(values)), values.shape))
        best, at_most = np.array([axes[at[0], 0], axes[at[1], 1]]), float(values[at[0], at[1]])
        if at_most >= value:
            argument, value = best, at_most
        width = upper - lower
        if np.all(width <= 1e-9) or steps >= 200:
            return (float(argument[0]), float(argument[1])), value, steps
        on_edge = ((at == 0) & (lower > ends[0])) | ((at == points - 1) & (upper < ends[1]))
        width, points = np.where(on_edge.any(), width, width / 4), 9
        lower, upper = np.maximum(argument - width / 2, ends[0]), np.minimum(argument + width / 2, ends[1])


def crossing(function: Callable[[float], float], low: float, high: float) -> float:
    """Return where a function that has different signs at both ends passes zero (Brent 1973)."""
    from scipy.optimize import brentq

    return float(brentq(function, low, high, xtol=1e-10, rtol=1e-10, maxiter=200))


def profile_limits(
    log_likelihood: Callable[[float], float],
    estimate: float,
    *,
    best: float,
    level: float,
    bounds: tuple[float, float] = (-inf, inf),
    step: float = 1.0,
) -> tuple[float, float]:
    """Return both ends of {value: log_likelihood(value) >= best - z^2/2}, seen from a finite estimate within it.

    Parameters
    ----------
    log_likelihood : the profile: the best over all other parameters at this value of the one in question
    best : the maximum over all parameters
    bounds : of the parameter; an infinite one is searched in doubling steps, and infinite when nothing is found
    step : the first step towards an infinite bound, about a standard error
    """
    floor = best - allowed_loss(level)

    def surplus(value: float) -> float:
        at = log_likelihood(value) - floor
        return at if isfinite(at) else -1e300

    if surplus(estimate) <= 0:
        # Rounding only: the estimate is the best there is, so nothing else can be nearer.
        return estimate, estimate
    return _limit(surplus, estimate, bounds[0], -step), _limit(surplus, estimate, bounds[1], step)


def _limit(surplus: Callable[[float], float], estimate: float, bound: float, step: float) -> float:
    inside, outside = estimate, bound
    if isinf(bound):
        reach = step
        while surplus(estimate + reach) > 0:
            inside = estimate + reach
            reach *= 2
            if abs(reach) > FAR * abs(step):
                return bound
        outside = estimate + reach
    elif estimate == bound or surplus(bound) >= 0:
        return bound
    return crossing(surplus, min(inside, outside), max(inside, outside))
