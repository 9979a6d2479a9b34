"""The minimum of a mixed model's profiled deviance: a start by moments, then Newton's method with exact curvature.

The variables are lme4's theta, the relative factors' lower triangles. In them a variance that wants to be zero has its
minimum within reach, since the criterion is even in a standard deviation; whether it stays there is decided by the
slope in the variance itself, which is zero in theta there and says nothing.

The start equates the quadratic forms y'P K_k P y with their expectations (one step of Fisher's scoring; Rao 1971, J.
Multivar. Anal. 1, 445: MIVQUE). On balanced tables it is the answer, unless a variance comes out negative.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from blindtest.stats.mixed.crossproducts import Answers, Design
from blindtest.stats.mixed.curvature import inverse_curvature
from blindtest.stats.mixed.moments import Moments, moments_of, slope_of
from blindtest.stats.mixed.profile import Directions, State, state_at
from blindtest.stats.mixed.relative_factors import (
    bend_of,
    factors_of,
    jacobian_of,
    semidefinite_root,
    slope_in_theta,
    symmetric_of,
    triangle,
)

__all__ = ["Minimum", "minimum_of"]

Floats = NDArray[np.float64]

FALL = 1e-8
"""What Newton's model may still promise of the deviance at the end; the last step is taken too."""
MOST_STEPS = 100
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
    promised: float
    """What Newton's model promised the last step would take off the deviance."""
    fall: float
    """What it may promise at the end."""

    @property
    def converged(self) -> bool:
        """Whether the search ended where nothing is left to gain."""
        return bool(self.promised <= self.fall)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Search:
    """The function to be minimised, and what is known of its variables."""

    design: Design
    answers: Answers
    directions: Directions
    reml: bool
    sizes: tuple[int, ...]
    """Columns of each term."""
    scale: Floats
    """(k,): size of a usual value."""
    alone: NDArray[np.bool_]
    """(k,): the only variable of its term, a relative standard deviation."""

    def state(self, theta: Floats) -> State:
        return state_at(self.design, self.answers, factors_of(theta, self.sizes), reml=self.reml)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Derivatives:
    slope: Floats
    curvature: Floats
    own_slope: Floats
    """(k,): of each variable that is alone in its term, the slope in its variance."""
    own_curvature: Floats
    """(k,): and the curvature in it."""


def minimum_of(
    design: Design,
    answers: Answers,
    directions: Directions,
    *,
    reml: bool,
    start: Floats | None = None,
    thorough: bool = True,
) -> Minimum:
    """Minimise the profiled deviance over the relative factors.

    `thorough`: a variance at zero may be a second minimum of a small table; where the search ends with one, it is made
    again from all standard deviations at the residual one, and the lower end counts. Where all blocks share one
    pattern (a complete table) mean squares say all there is, and the first search is enough.

    Parameters
    ----------
    design, answers, directions : of a model with n rows, p fixed effects and t relative factors
    reml : restricted maximum likelihood, or maximum likelihood
    start : (t,) theta to begin with; None: what is usual for such a design
    """
    sizes = tuple(place.size for place in design.layout.places)
    usual = _usual(design)
    search = _Search(
        design=design,
        answers=answers,
        directions=directions,
        reml=reml,
        sizes=sizes,
        scale=_scales(usual, sizes),
        alone=np.concatenate([np.full(q * (q + 1) // 2, q == 1) for q in sizes]),
    )
    theta = usual if start is None else start.copy()
    state = search.state(theta)
    moments = moments_of(state, directions)
    found = _by_moments(state, moments, search) if start is None else None
    if found is None:
        return _searched(theta, state, moments, search, steps=0)
    first = _searched(*found, moments_of(found[1], directions), search, steps=1)
    if not thorough or len(design.sharing) == 1 or np.all(first.theta[search.alone] > 0):
        return first
    second = _searched(theta, state, moments, search, steps=first.steps)
    if second.converged and second.state.criterion < first.state.criterion - second.fall:
        return second
    return replace(first, steps=second.steps)


def _searched(theta: Floats, state: State, moments: Moments, search: _Search, *, steps: int) -> Minimum:
    """Return where Newton's method ends from here."""
    promised, most = np.inf, steps + MOST_STEPS
    while steps < most:
        derivatives = _derivatives(state, moments, theta, search)
        step, promised = _step(theta, derivatives, search)
        ends = promised <= _rounded(state, theta, search)
        next_one = _along(theta, step, derivatives, state, search, ends=ends)
        steps += 1
        if next_one is None:
            break
        theta, state = next_one
        if ends:
            break
        moments = moments_of(state, search.directions)
    theta, state = _exact_zeros(theta, state, search)
    slope = slope_in_theta(slope_of(state), factors_of(theta, search.sizes))
    return Minimum(
        theta=theta, state=state, slope=slope, steps=steps, promised=promised, fall=_rounded(state, theta, search)
    )


def _rounded(state: State, theta: Floats, search: _Search) -> float:
    """Return what may still be promised: `FALL`, or the deviance's own rounding.

    y'Py is what is left of all squares; where groups differ a thousand times as much as residuals it lost six digits.
    """
    lost = state.answers.yy / state.squares + float(np.max((theta / search.scale) ** 2, initial=0.0))
    return max(FALL, 10 * float(np.finfo(float).eps) * state.free * lost)


def _usual(design: Design) -> Floats:
    """Return relative standard deviations of one over the column's size, no correlation."""
    theta: list[float] = []
    for place in design.layout.places:
        term = design.model.random[place.term]
        lengths = np.ones(place.size)
        if term.slope_rows is not None:
            values, row = term.slope_rows
            weight = np.bincount(row, minlength=len(values)) / len(row)
            lengths = np.sqrt(np.maximum(weight @ values**2, 1e-300))
        theta.extend(1 / lengths[column] if row_ == column else 0.0 for row_, column in triangle(place.size))
    return np.array(theta)


def _scales(usual: Floats, sizes: tuple[int, ...]) -> Floats:
    """Off the diagonal the scale is that of the row's standard deviation."""
    out: list[float] = []
    start = 0
    for q in sizes:
        pairs = triangle(q)
        own = {row: usual[start + k] for k, (row, column) in enumerate(pairs) if row == column}
        out.extend(own[row] for row, _ in pairs)
        start += len(pairs)
    return np.array(out)


def _by_moments(state: State, moments: Moments, search: _Search) -> tuple[Floats, State] | None:
    """Return where quadratic forms and their expectations agree, negative variances left at zero; None if no better."""
    k = len(moments.trace)
    covariances = [factor @ factor.T for factor in state.factors]
    relative = np.array([covariances[d.term][d.row, d.column] for d in search.directions.all])
    last = moments.trace - moments.traces @ relative
    corner = state.free - relative @ moments.trace - relative @ last
    expected = np.block([[moments.traces, last[:, None]], [last[None, :], np.array([[corner]])]])
    forms = np.append(moments.square, state.squares - relative @ moments.square)
    kept = np.ones(k + 1, dtype=bool)
    phi = np.zeros(k + 1)
    for _ in range(k + 1):
        phi[:] = 0.0
        phi[kept] = inverse_curvature(expected[np.ix_(kept, kept)]) @ forms[kept]
        below = kept.copy()
        below[:k] &= search.alone & (phi[:k] <= 0)
        below[k] = False
        if not np.any(below):
            break
        kept &= ~below
    if phi[k] <= 0:
        return None
    theta, start = np.zeros(k), 0
    for q, matrix in zip(search.sizes, symmetric_of(phi[:k] / phi[k], search.sizes, halved=False), strict=True):
        pairs = triangle(q)
        if q == 1:
            theta[start] = np.sqrt(matrix[0, 0])
        else:
            unit = np.array([search.scale[start + i] for i, (row, column) in enumerate(pairs) if row == column])
            values, vectors = np.linalg.eigh(matrix / np.outer(unit, unit))
            bounded = (vectors * np.maximum(values, 0.01)) @ vectors.T
            lower = np.linalg.cholesky(bounded) * unit[:, None]
            theta[start : start + len(pairs)] = [lower[row, column] for row, column in pairs]
        start += len(pairs)
    try:
        now = search.state(theta)
    except np.linalg.LinAlgError:
        # Where ratings leave next to no residual the moments' ratios to it are too large to compute with.
        return None
    return (theta, now) if now.squares > 0 and now.criterion < state.criterion else None


def curvature_of(moments: Moments, state: State) -> Floats:
    """Return the profiled deviance's second derivatives in the (co)variances, relative, (k, k)."""
    weight = 1 / state.sigma2
    through_sigma = weight**2 / state.free * np.outer(moments.square, moments.square)
    return np.asarray(2 * weight * moments.squares - moments.traces - through_sigma)


def _derivatives(state: State, moments: Moments, theta: Floats, search: _Search) -> _Derivatives:
    raw = moments.trace - moments.square / state.sigma2
    second = curvature_of(moments, state)
    if len(search.sizes) == len(theta):
        slope = 2 * raw * theta
        curvature = 4 * np.outer(theta, theta) * second + np.diag(2 * raw)
    else:
        slopes = symmetric_of(raw, search.sizes, halved=True)
        jacobian = jacobian_of(state.factors)
        slope = slope_in_theta(slopes, state.factors)
        curvature = jacobian.T @ second @ jacobian + bend_of(slopes)
    return _Derivatives(slope=slope, curvature=curvature, own_slope=raw, own_curvature=np.diagonal(second))


def _step(theta: Floats, derivatives: _Derivatives, search: _Search) -> tuple[Floats, float]:
    """Return Newton's step and the fall of the deviance it promises."""
    scale = search.scale
    held = search.alone & (theta == 0)
    free = ~held
    step = np.zeros_like(theta)
    promised = 0.0
    if np.any(free):
        unit = scale[free]
        values, vectors = np.linalg.eigh(derivatives.curvature[free][:, free] * unit * unit[:, None])
        along = vectors.T @ (derivatives.slope[free] * unit)
        size = np.maximum(np.abs(values), 1e-7 * max(np.abs(values).max(), 1e-300))
        promised = float((along**2 / size).sum()) / 2
        move = -vectors @ (along / size)
        reach = 2 + 2 * np.abs(theta[free] / unit).max()
        move *= min(1.0, reach / max(np.abs(move).max(), 1e-300))
        step[free] = move * unit
    for i in np.flatnonzero(held & (derivatives.own_slope < 0)):
        # Off zero the slope in theta says nothing: Newton's step in the variance itself.
        fall, bend = -derivatives.own_slope[i], derivatives.own_curvature[i]
        variance = min(fall / bend, scale[i] ** 2) if bend > 0 else 0.01 * scale[i] ** 2
        step[i] = np.sqrt(variance)
        promised = max(promised, fall * variance / 2)
    return step, promised


def _along(
    theta: Floats, step: Floats, derivatives: _Derivatives, state: State, search: _Search, *, ends: bool
) -> tuple[Floats, State] | None:
    """Return the first point along the step where the deviance is no higher, halving it as often as needed.

    A variance whose step takes most of it away while the deviance falls towards zero is tried at zero at once.
    """
    rounding = 1e-10 * (1 + abs(state.criterion)) if ends else 0.0
    size = 1.0
    falling = search.alone & (theta > 0) & (derivatives.own_slope > 0)
    for _ in range(40):
        new = theta + size * step
        new[falling & (new < 0.3 * theta)] = 0.0
        new = np.where(search.alone & (new < SMALL * search.scale), np.where(falling, 0.0, 0.1 * theta), new)
        try:
            now = search.state(new)
        except np.linalg.LinAlgError:
            size /= 2
            continue
        if now.squares > 0 and now.criterion <= state.criterion + rounding:
            return new, now
        if ends:
            return theta, state
        size /= 2
    return None


def _exact_zeros(theta: Floats, state: State, search: _Search) -> tuple[Floats, State]:
    """Set what is as good as zero to zero, and make every factor a lower triangle with no diagonal below zero."""
    out, start = theta.copy(), 0
    for q, factor in zip(search.sizes, state.factors, strict=True):
        pairs = triangle(q)
        unit = np.array([search.scale[start + k] for k, (row, column) in enumerate(pairs) if row == column])
        if q == 1:
            out[start] = 0.0 if theta[start] < SMALL * unit[0] else theta[start]
        else:
            scaled = factor / unit[:, None]
            lower = semidefinite_root(scaled @ scaled.T, SMALL) * unit[:, None]
            out[start : start + len(pairs)] = [lower[row, column] for row, column in pairs]
        start += len(pairs)
    if np.array_equal(out, theta):
        return theta, state
    now = search.state(out)
    return (out, now) if now.criterion <= state.criterion + 1e-8 else (theta, state)
