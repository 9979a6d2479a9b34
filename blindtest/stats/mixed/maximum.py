"""The maximum of an approximated likelihood: quasi-Newton steps with exact slopes, then Newton's.

BFGS (Nocedal & Wright 2006, Numerical Optimization, ch. 6) from a rough curvature; near the maximum the curvature is
made by central differences of the slope, which standard errors need anyway, and a few Newton steps end the search.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Maximum", "curvature_at", "maximise"]

Floats = NDArray[np.float64]
Objective = Callable[[Floats], tuple[float, Floats]]
"""Parameters to value and gradient; value -inf where there is none."""

NEAR = 2e-9
"""Rise that a further quasi-Newton step promises, at which Newton's begin."""
NEAR_ENOUGH = 1e-7
"""The same where only the height of the maximum is asked for."""
SMALL_RISE = 1e-11
"""Rise that a further Newton step promises, at which the search has converged."""
CLOSE_BY = 1e-8
"""Rise below which a step is too short for the curvature to have changed on the way."""
STALE = 1e-4
"""Relative change of the curvature from which on it is made anew."""
MOST_STEPS = 100
DIFFERENCE = 3e-3
"""Step of the central differences, in standard errors: its square and the slope's rounding are about equal."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Maximum:
    """Where a search ended."""

    point: Floats
    value: float
    gradient: Floats
    hessian: Floats
    steps: int
    promised: float
    """Rise that another Newton step would promise; infinite where the curvature is not that of a maximum."""

    @property
    def converged(self) -> bool:
        """Whether the last step promised nothing."""
        return self.promised <= SMALL_RISE


def curvature_at(objective: Objective, point: Floats, spread: Floats) -> Floats:
    """Return the Hessian by central differences of the gradient, each parameter moved by a part of its `spread`.

    The result is (k, k), symmetric.

    Parameters
    ----------
    objective : of (k,) parameters, with its gradient
    point : (k,)
    spread : (k,) above 0, about a standard error of each
    """
    size = len(point)
    hessian = np.zeros((size, size))
    for place in range(size):
        step = DIFFERENCE * spread[place]
        move = np.zeros(size)
        move[place] = step
        hessian[place] = (objective(point + move)[1] - objective(point - move)[1]) / (2 * step)
    return (hessian + hessian.T) / 2


def maximise(
    objective: Objective,
    start: Floats,
    inverse_curvature: Floats,
    *,
    longest: Callable[[Floats], float],
    curvature: bool = True,
) -> Maximum:
    """Return the maximum found from `start`.

    Parameters
    ----------
    inverse_curvature : (parameters, parameters)
        A guess at minus the inverse Hessian.
    longest : how far a step reaches; steps that reach further than 1 are shortened
    curvature : False ends with the quasi-Newton steps, for the value alone
    """
    point, inverse = start, inverse_curvature.copy()
    value, gradient = objective(point)
    steps, rise = 0, np.inf
    while steps < MOST_STEPS:
        move = inverse @ gradient
        rise = float(move @ gradient)
        if rise <= 0:
            inverse = np.diag(np.abs(np.diagonal(inverse_curvature)))
            move = inverse @ gradient
            rise = float(move @ gradient)
        if rise / 2 <= (NEAR if curvature else NEAR_ENOUGH):
            break
        move = move / max(1.0, longest(move))
        found = _risen(objective, point, value, gradient, move)
        if found is None:
            break
        steps += 1
        new_point, new_value, new_gradient = found
        moved, turned = new_point - point, gradient - new_gradient
        curved = float(moved @ turned)
        if curved > 1e-10 * float(np.linalg.norm(moved) * np.linalg.norm(turned)):
            inverse = _updated(inverse, moved, turned, curved)
        point, value, gradient = new_point, new_value, new_gradient
    if not curvature:
        return Maximum(
            point=point,
            value=value,
            gradient=gradient,
            hessian=np.asarray(-np.linalg.pinv(inverse)),
            steps=steps,
            promised=rise / 2,
        )
    return _polished(objective, point, value, gradient, inverse, steps)


def _risen(
    objective: Objective, point: Floats, value: float, gradient: Floats, move: Floats
) -> tuple[Floats, float, Floats] | None:
    """Return the first of ever shorter steps along `move` that rises enough."""
    slope = float(gradient @ move)
    share = 1.0
    for _ in range(16):
        there = point + share * move
        new_value, new_gradient = objective(there)
        if new_value >= value + 1e-4 * share * slope - 1e-10:
            return there, new_value, new_gradient
        fallen = value + share * slope - new_value
        share *= float(np.clip(share * slope / (2 * fallen), 0.1, 0.6)) if np.isfinite(fallen) else 0.25
    return None


def _updated(inverse: Floats, moved: Floats, turned: Floats, curved: float) -> Floats:
    pushed = inverse @ turned
    return np.asarray(
        inverse
        + (curved + turned @ pushed) / curved**2 * np.outer(moved, moved)
        - (np.outer(pushed, moved) + np.outer(moved, pushed)) / curved
    )


def _polished(
    objective: Objective, point: Floats, value: float, gradient: Floats, inverse: Floats, steps: int
) -> Maximum:
    spread = np.minimum(np.sqrt(np.maximum(np.diagonal(inverse), 1e-12)), 1.0)
    hessian, here, promised, before = curvature_at(objective, point, spread), True, np.inf, np.inf
    for _ in range(12):
        try:
            root = np.linalg.cholesky(-hessian)
        except np.linalg.LinAlgError:
            promised = np.inf
            break
        half = np.linalg.solve(root, gradient)
        promised = float(half @ half) / 2
        if not here and before > CLOSE_BY and promised > STALE**2 * before:
            # What a Newton step leaves of the slope tells how much the curvature has changed on the way.
            spread = np.minimum(np.linalg.norm(np.linalg.inv(root), axis=0), 1.0)
            hessian, here = curvature_at(objective, point, spread), True
            continue
        if promised <= (SMALL_RISE / 1000 if here else SMALL_RISE):
            break
        found = _risen(objective, point, value, gradient, np.linalg.solve(root.T, half))
        if found is None:
            break
        point, value, gradient = found
        here, before, steps = False, promised, steps + 1
    return Maximum(point=point, value=value, gradient=gradient, hessian=hessian, steps=steps, promised=promised)
