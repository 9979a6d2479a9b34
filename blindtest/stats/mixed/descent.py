"""The minimum of a mixed model's profiled deviance: Newton's method with exact curvature, a variance of zero included.

The variables are lme4's theta, the relative factors' lower triangles. In them a variance that wants to be zero has its
minimum within reach, since the criterion is even in a standard deviation; whether it stays there is decided by the
slope in the variance itself, which is zero in theta there and says nothing.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blindtest.stats.mixed.crossproducts import Answers, Design
from blindtest.stats.mixed.moments import Moments, moments_of, slope_of
from blindtest.stats.mixed.profile import Directions, State, state_at

__all__ = ["CRITERION", "Minimum", "minimum_of", "start_of"]

Floats = NDArray[np.float64]

FALL = 1e-8
"""What Newton's model may still promise of the deviance at the end; the last step is taken too."""
MOST_STEPS = 100
CRITERION = f"deviance expected to fall by {FALL:g} at most"
SMALL = 1e-4
"""A standard deviation this small against the start's is tried at exactly zero."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Minimum:
    """Where the search ended."""

    theta: Floats
    state: State
    slope: Floats
    """Of the deviance in theta."""
    steps: int
    converged: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Search:
    """The variables and what is known of each."""

    design: Design
    answers: Answers
    directions: Directions
    reml: bool
    scale: Floats
    """(k,): size of a usual value."""
    alone: NDArray[np.bool_]
    """(k,): the only variable of its term, a relative standard deviation."""

    def state(self, theta: Floats) -> State:
        return state_at(self.design, self.answers, factors_of(theta, self.design), reml=self.reml)


def start_of(design: Design) -> Floats:
    """Return where to start: relative standard deviations of one over the column's size, no correlation."""
    theta: list[float] = []
    for place in design.layout.places:
        term = design.model.random[place.term]
        sizes = np.ones(place.size)
        if term.slope_rows is not None:
            values, row = term.slope_rows
            weight = np.bincount(row, minlength=len(values)) / len(row)
            sizes = np.sqrt(np.maximum(weight @ values**2, 1e-300))
        theta.extend(1 / sizes[column] if row_ == column else 0.0 for row_, column in _triangle(place.size))
    return np.array(theta)


def factors_of(theta: Floats, design: Design) -> list[Floats]:
    """Return each term's lower triangle."""
    out, start = [], 0
    for place in design.layout.places:
        q = place.size
        factor = np.zeros((q, q))
        for k, (row, column) in enumerate(_triangle(q)):
            factor[row, column] = theta[start + k]
        start += q * (q + 1) // 2
        out.append(factor)
    return out


def _triangle(q: int) -> list[tuple[int, int]]:
    return [(row, column) for column in range(q) for row in range(column, q)]


def minimum_of(
    design: Design, answers: Answers, directions: Directions, *, reml: bool, start: Floats | None = None
) -> Minimum:
    """Minimise the profiled deviance over the relative factors."""
    usual = start_of(design)
    sizes = np.concatenate([np.full(place.size * (place.size + 1) // 2, place.size) for place in design.layout.places])
    scale = _scales(usual, design)
    search = _Search(
        design=design, answers=answers, directions=directions, reml=reml, scale=scale, alone=np.asarray(sizes == 1)
    )
    theta = usual if start is None else start.copy()
    state = search.state(theta)
    steps, promised = 0, np.inf
    while steps < MOST_STEPS:
        slope, curvature, at_zero = _derivatives(state, theta, search)
        step, promised = _step(theta, slope, curvature, at_zero, search)
        ends = promised <= FALL
        found = _along(theta, step, state, search, ends=ends)
        steps += 1
        if found is None:
            break
        theta, state = found
        if ends:
            break
    theta, state = _exact_zeros(theta, state, search)
    slope = _slope_in_theta(slope_of(state), factors_of(theta, design))
    return Minimum(theta=theta, state=state, slope=slope, steps=steps, converged=promised <= FALL)


def _scales(usual: Floats, design: Design) -> Floats:
    """Off the diagonal the scale is that of the row's standard deviation."""
    out: list[float] = []
    start = 0
    for place in design.layout.places:
        pairs = _triangle(place.size)
        own = {row: usual[start + k] for k, (row, column) in enumerate(pairs) if row == column}
        out.extend(own[row] for row, _ in pairs)
        start += len(pairs)
    return np.array(out)


def _slope_in_theta(slopes: Sequence[Floats], factors: Sequence[Floats]) -> Floats:
    out: list[float] = []
    for slope, factor in zip(slopes, factors, strict=True):
        product = 2 * slope @ factor
        out.extend(product[row, column] for row, column in _triangle(len(factor)))
    return np.array(out)


def curvature_of(moments: Moments, state: State) -> Floats:
    """Return the profiled deviance's second derivatives in the (co)variances, relative, (k, k)."""
    weight = 1 / state.sigma2
    return (
        -moments.traces
        + 2 * weight * moments.squares
        - weight**2 / state.free * np.outer(moments.square, moments.square)
    )


def jacobian_of(factors: Sequence[Floats]) -> Floats:
    """Return d(co)variance / d theta, (k, k)."""
    sizes = [len(factor) * (len(factor) + 1) // 2 for factor in factors]
    out = np.zeros((sum(sizes), sum(sizes)))
    start = 0
    for factor, size in zip(factors, sizes, strict=True):
        pairs = _triangle(len(factor))
        for j, (a, b) in enumerate(pairs):
            change = np.zeros_like(factor)
            change[a] += factor[:, b]
            change[:, a] += factor[:, b]
            for i, (row, column) in enumerate(pairs):
                out[start + i, start + j] = change[row, column]
        start += size
    return out


def bend_of(slopes: Sequence[Floats]) -> Floats:
    """Return what the slope in G adds to the second derivatives in theta, (k, k)."""
    sizes = [len(slope) * (len(slope) + 1) // 2 for slope in slopes]
    out = np.zeros((sum(sizes), sum(sizes)))
    start = 0
    for slope, size in zip(slopes, sizes, strict=True):
        pairs = _triangle(len(slope))
        for i, (a, b) in enumerate(pairs):
            for j, (c, d) in enumerate(pairs):
                if b == d:
                    out[start + i, start + j] = 2 * slope[a, c]
        start += size
    return out


def _derivatives(state: State, theta: Floats, search: _Search) -> tuple[Floats, Floats, Floats]:
    """Return slope and curvature in theta, and each variable's slope in its variance where theta is zero, else 0."""
    moments = moments_of(state, search.directions)
    slopes = slopes_from(moments, state, search.design)
    factors = state.factors
    slope = _slope_in_theta(slopes, factors)
    second = curvature_of(moments, state)
    if np.all(search.alone):
        own = np.array([s[0, 0] for s in slopes])
        curvature = 4 * np.outer(theta, theta) * second + np.diag(2 * own)
    else:
        jacobian = jacobian_of(factors)
        curvature = jacobian.T @ second @ jacobian + bend_of(slopes)
        own = np.concatenate([np.array([s[row, row] for row, _ in _triangle(len(s))]) for s in slopes])
    return slope, curvature, np.where(theta == 0, own, 0.0)


def slopes_from(moments: Moments, state: State, design: Design) -> list[Floats]:
    """Return each term's slope in G from the moments."""
    raw = moments.trace - moments.square / state.sigma2
    out, start = [], 0
    for place in design.layout.places:
        slope = np.zeros((place.size, place.size))
        for k, (row, column) in enumerate(_triangle(place.size)):
            value = raw[start + k] if row == column else raw[start + k] / 2
            slope[row, column] = slope[column, row] = value
        start += place.size * (place.size + 1) // 2
        out.append(slope)
    return out


def _step(theta: Floats, slope: Floats, curvature: Floats, at_zero: Floats, search: _Search) -> tuple[Floats, float]:
    """Return Newton's step and the fall of the deviance it promises."""
    scale = search.scale
    held = search.alone & (theta == 0)
    free = ~held
    step = np.zeros_like(theta)
    promised = 0.0
    if np.any(free):
        unit = scale[free]
        values, vectors = np.linalg.eigh(curvature[np.ix_(free, free)] * np.outer(unit, unit))
        along = vectors.T @ (slope[free] * unit)
        size = np.maximum(np.abs(values), 1e-7 * max(np.abs(values).max(), 1e-300))
        promised = float((along**2 / size).sum()) / 2
        move = -vectors @ (along / size)
        reach = 2 + 2 * np.abs(theta[free] / unit).max()
        move *= min(1.0, reach / max(np.abs(move).max(), 1e-300))
        step[free] = move * unit
    for i in np.flatnonzero(held & (at_zero < 0)):
        # Half the curvature in the variance would be known; a tenth of the usual size is as good a way off zero.
        step[i] = 0.1 * scale[i]
        promised = max(promised, -at_zero[i] * step[i] ** 2)
    return step, promised


def _along(theta: Floats, step: Floats, state: State, search: _Search, *, ends: bool) -> tuple[Floats, State] | None:
    """Return the first point along the step where the deviance is no higher, halving it as often as needed."""
    rounding = 1e-10 * (1 + abs(state.criterion))
    size = 1.0
    for _ in range(40):
        new = theta + size * step
        below = search.alone & (theta > 0) & (new < SMALL * search.scale)
        new[below] = 0.0
        try:
            now = search.state(new)
        except np.linalg.LinAlgError:
            size /= 2
            continue
        if now.criterion <= state.criterion + (rounding if ends else 0.0) and now.squares > 0:
            return new, now
        if ends:
            return theta, state
        size /= 2
    return None


def _exact_zeros(theta: Floats, state: State, search: _Search) -> tuple[Floats, State]:
    """Set what is as good as zero to zero, and make every factor a lower triangle with no diagonal below zero."""
    out, start = theta.copy(), 0
    for place, factor in zip(search.design.layout.places, state.factors, strict=True):
        q, pairs = place.size, _triangle(place.size)
        if q == 1:
            out[start] = abs(factor[0, 0])
        else:
            unit = np.array([search.scale[start + k] for k, (row, column) in enumerate(pairs) if row == column])
            lower = _semidefinite_root((factor / unit[:, None]) @ (factor / unit[:, None]).T) * unit[:, None]
            out[start : start + len(pairs)] = [lower[row, column] for row, column in pairs]
        start += len(pairs)
    if np.array_equal(out, theta):
        return theta, state
    now = search.state(out)
    if now.criterion <= state.criterion + 1e-8:
        return out, now
    return theta, state


def _semidefinite_root(matrix: Floats) -> Floats:
    """Return the Cholesky factor, with exact zeros where a pivot is as good as zero."""
    q = len(matrix)
    left, out = matrix.copy(), np.zeros_like(matrix)
    for j in range(q):
        pivot = left[j, j]
        if pivot <= SMALL**2 * max(matrix[j, j], 1.0) or matrix[j, j] <= SMALL**2:
            continue
        out[j:, j] = left[j:, j] / np.sqrt(pivot)
        left -= np.outer(out[:, j], out[:, j])
    return out
