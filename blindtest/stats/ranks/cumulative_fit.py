"""The maximum of the likelihood of ordered answers, and its covariance.

Without a random factor Newton's method finds it, the log-likelihood being concave. With one, thresholds, beta and sigma
are found together by a quasi-Newton method on Laplace's approximation and finished by Newton steps; the covariance is
that of the joint Hessian, differenced from exact gradients.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from blindtest.stats.pair_model import Convergence
from blindtest.stats.ranks.cumulative_model import CumulativeModel

__all__ = ["CumulativeFit", "fitted", "fitted_with_random"]

Floats = NDArray[np.float64]
MOST_STEPS = 200
SMALL_GRADIENT = 1e-8
"""Largest slope of the log-likelihood, per answer, at which a fit has converged."""
SMALLEST_SIGMA = 1e-3
START_SIGMA = 0.5
CRITERION = f"largest slope of the log-likelihood per answer <= {SMALL_GRADIENT:g}"
REMEDY = "merge categories that are hardly ever used, or leave a term out"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CumulativeFit:
    """Numbers of a fit."""

    psi: Floats
    """Thresholds, then beta."""
    covariance: Floats
    """Of psi; with sigma estimated, allowing for it."""
    sigma: float | None
    """Without an error of its own, which says little near 0: the likelihood ratio tells what the answers say of it."""
    log_likelihood: float
    log_likelihood_without: float
    """Of the same model without the random factor."""
    modes: Floats
    """(groups,), in units of eta."""
    mode_variances: Floats
    """Given the other parameters."""
    convergence: Convergence


def fitted(model: CumulativeModel) -> CumulativeFit:
    """Return the maximum without a random factor."""
    answers = float(model.weights.sum())
    psi = np.concatenate((_marginal_thresholds(model), np.zeros(model.x.shape[1])))
    height, steps = model.log_likelihood(psi), 0
    while True:
        d = model.derivatives(psi)
        slope = model.slope(d.a, d.b, d.first)
        information = model.information(d)
        steepest = float(np.max(np.abs(slope))) / answers
        if steepest <= SMALL_GRADIENT * 1e-3 or steps == MOST_STEPS:
            break
        move = np.linalg.solve(information, slope)
        for _ in range(60):
            reached = model.log_likelihood(psi + move)
            if reached >= height - 1e-13 * abs(height):
                break
            move = move / 2
        stuck = reached <= height and steepest <= SMALL_GRADIENT
        psi, height, steps = psi + move, reached, steps + 1
        if stuck:
            break
    converged = steepest <= SMALL_GRADIENT
    return CumulativeFit(
        psi=psi,
        covariance=np.asarray(np.linalg.inv(information), dtype=np.float64),
        sigma=None,
        log_likelihood=height,
        log_likelihood_without=height,
        modes=np.zeros(0),
        mode_variances=np.zeros(0),
        convergence=Convergence(
            converged=converged,
            steps=steps,
            gradient=steepest,
            criterion=CRITERION,
            start="thresholds that give each category its share, coefficients 0",
            remedy="" if converged else REMEDY,
        ),
    )


def _marginal_thresholds(model: CumulativeModel) -> Floats:
    shares = np.cumsum(np.bincount(model.y, model.weights, model.categories))[:-1] / model.weights.sum()
    if model.link == "logit":
        return np.asarray(np.log(shares / (1 - shares)), dtype=np.float64)
    return np.asarray(ndtri(shares))


def fitted_with_random(model: CumulativeModel) -> CumulativeFit:
    """Return the maximum of Laplace's approximation; sigma 0 is an outcome like any other."""
    from scipy.optimize import minimize

    alone = fitted(model)
    answers = float(model.weights.sum())
    start = np.zeros(model.count)
    first = np.append(_closed(alone.psi, model.cuts), START_SIGMA)
    scale = _scale(alone, first, model.cuts) * np.sqrt(answers)

    def minus(searched: Floats) -> tuple[float, Floats]:
        nonlocal start
        parameters = first + scale @ searched
        psi, sigma = _opened(parameters, model.cuts), float(parameters[-1])
        value, slope, modes = model.laplace(psi, sigma, start)
        start = modes.v
        return -value / answers, -scale.T @ _closed_slope(slope, parameters, model.cuts) / answers

    found = minimize(minus, np.zeros(len(first)), jac=True, method="BFGS", options={"gtol": 1e-7, "maxiter": 1000})
    reached = first + scale @ np.asarray(found.x, dtype=np.float64)
    parameters = np.append(_opened(reached, model.cuts), abs(reached[-1]))
    steps = int(found.nit)
    hessian = np.zeros((0, 0))
    if parameters[-1] > SMALLEST_SIGMA:
        parameters, hessian, more = _polished(model, parameters)
        steps += more
    value, slope, modes = model.laplace(parameters[:-1], float(parameters[-1]), np.zeros(model.count))
    if parameters[-1] <= SMALLEST_SIGMA or value <= alone.log_likelihood:
        return _at_zero(model, alone, steps)
    covariance = np.asarray(np.linalg.inv(-hessian), dtype=np.float64)
    steepest = float(np.max(np.abs(slope))) / answers
    converged = steepest <= SMALL_GRADIENT and bool(np.all(np.diag(covariance) > 0))
    sigma = float(parameters[-1])
    return CumulativeFit(
        psi=parameters[:-1],
        covariance=covariance[:-1, :-1],
        sigma=sigma,
        log_likelihood=value,
        log_likelihood_without=alone.log_likelihood,
        modes=sigma * modes.v,
        mode_variances=sigma**2 / modes.curvature,
        convergence=Convergence(
            converged=converged,
            steps=steps,
            gradient=steepest,
            criterion=CRITERION,
            start="the fit without a random part, sigma 0.5",
            remedy="" if converged else REMEDY,
        ),
    )


def _at_zero(model: CumulativeModel, alone: CumulativeFit, steps: int) -> CumulativeFit:
    return CumulativeFit(
        psi=alone.psi,
        covariance=alone.covariance,
        sigma=0.0,
        log_likelihood=alone.log_likelihood,
        log_likelihood_without=alone.log_likelihood,
        modes=np.zeros(model.count),
        mode_variances=np.zeros(model.count),
        convergence=Convergence(
            converged=alone.convergence.converged,
            steps=steps + alone.convergence.steps,
            gradient=alone.convergence.gradient,
            criterion=alone.convergence.criterion,
            start="the fit without a random part, sigma 0.5; it ended at sigma 0",
            remedy=alone.convergence.remedy,
        ),
    )


def _scale(alone: CumulativeFit, first: Floats, cuts: int) -> Floats:
    """Return the directions to search along: the root of the covariance without sigma, in the free parameters.

    With a hundred categories a search along the parameters themselves takes hundreds of steps to learn the curvature.
    """
    size = len(first)
    opening = np.zeros((size - 1, size - 1))
    opening[:cuts, 0] = 1
    for gap in range(1, cuts):
        opening[gap:cuts, gap] = np.exp(first[gap])
    opening[range(cuts, size - 1), range(cuts, size - 1)] = 1
    closing = np.linalg.inv(opening)
    scale = np.zeros((size, size))
    scale[:-1, :-1] = closing @ np.linalg.cholesky(alone.covariance)
    scale[-1, -1] = START_SIGMA / 3
    return scale


def _polished(model: CumulativeModel, parameters: Floats) -> tuple[Floats, Floats, int]:
    """Return the parameters after Newton steps, the Hessian they were made with, and their number.

    A quasi-Newton search leaves the last digits open; near the maximum one Hessian serves several steps.
    """
    value, slope, modes = model.laplace(parameters[:-1], float(parameters[-1]), np.zeros(model.count))
    hessian = _hessian(model, parameters, modes.v)
    for step in range(8):
        steepest = np.max(np.abs(slope))
        if steepest <= 1e-10 * model.weights.sum():
            return parameters, hessian, step
        new = parameters - np.linalg.solve(hessian, slope)
        if not model.ordered(new[:-1]) or new[-1] <= 0:
            return parameters, hessian, step
        new_value, new_slope, modes = model.laplace(new[:-1], float(new[-1]), modes.v)
        if new_value < value - 1e-9 * abs(value) or np.max(np.abs(new_slope)) >= steepest:
            return parameters, hessian, step
        parameters, value, slope = new, new_value, new_slope
    return parameters, hessian, 8


def _hessian(model: CumulativeModel, parameters: Floats, v: Floats) -> Floats:
    """Return the Hessian in (psi, sigma), by central differences of the exact gradient."""
    size = len(parameters)
    hessian = np.empty((size, size))
    gaps = np.diff(parameters[: model.cuts])
    finest = float(gaps.min()) if len(gaps) else 1.0
    for place in range(size):
        width = 1e-4 * (min(1.0, finest) if place < model.cuts else 1.0)
        if place == size - 1:
            width = min(width, parameters[-1] / 4)
        step = np.zeros(size)
        step[place] = width
        up = model.laplace(parameters[:-1] + step[:-1], float(parameters[-1] + step[-1]), v)[1]
        down = model.laplace(parameters[:-1] - step[:-1], float(parameters[-1] - step[-1]), v)[1]
        hessian[place] = (up - down) / (2 * width)
    return (hessian + hessian.T) / 2


def _closed(psi: Floats, cuts: int) -> Floats:
    """Return psi with thresholds as the first and logs of the gaps, which any search may move freely."""
    return np.concatenate((psi[:1], np.log(np.diff(psi[:cuts])), psi[cuts:]))


def _opened(parameters: Floats, cuts: int) -> Floats:
    gaps = np.exp(np.clip(parameters[1:cuts], -30, 30))
    thresholds = parameters[0] + np.concatenate(([0.0], np.cumsum(gaps)))
    return np.concatenate((thresholds, parameters[cuts:-1]))


def _closed_slope(slope: Floats, parameters: Floats, cuts: int) -> Floats:
    """Return the gradient in the free parameters: a gap moves all thresholds above it."""
    above = np.cumsum(slope[:cuts][::-1])[::-1]
    gaps = np.exp(np.clip(parameters[1:cuts], -30, 30))
    return np.concatenate((above[:1], above[1:] * gaps, slope[cuts:]))
