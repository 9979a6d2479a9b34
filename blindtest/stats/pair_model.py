"""The likelihood of paired comparisons with ties and order, and its maximum.

A multinomial model: cells are ordered pairs, categories first, second and, with ties in the model, tie; a category's
log weight is linear in the parameters (strengths.py has the formula). It is concave, so Newton's method finds its
maximum where there is one. Whether there is one is decided by a linear program (Albert & Anderson 1984, Biometrika 71,
1); where there is none the likelihood is penalised by the root of the information's determinant (Firth 1993, Biometrika
80, 27).
"""

from dataclasses import dataclass
from math import nan
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blindtest.stats.comparisons import Comparisons
from blindtest.stats.plain import plain

__all__ = ["ORDER", "TIE", "Convergence", "PairModel", "maximised", "pair_model", "separated_names"]

Floats = NDArray[np.float64]
ORDER, TIE = "order", "log_nu"
"""Names of the parameters beside the items."""

MOST_STEPS = 1000
SMALL_GRADIENT = 1e-9
"""Largest slope of the log-likelihood, per answer, at which a fit has converged."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Convergence:
    """How an iteration ended."""

    converged: bool
    steps: int
    gradient: float
    """Largest slope of the criterion at the end, per answer."""
    criterion: str = f"largest slope of the log-likelihood per answer <= {SMALL_GRADIENT:g}"
    start: str = "all strengths, order effect and log nu at 0"
    remedy: str = ""
    """What to try where it did not converge."""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PairModel:
    """Cells (ordered pairs) x categories (first, second, tie) x parameters."""

    items: tuple[str, ...]
    names: tuple[str, ...]
    """Rows of `basis`: the items, then order and log_nu where they are in the model."""
    basis: Floats
    """(names, parameters): what each parameter adds; strengths sum to zero."""
    features: Floats
    """(cells, categories, parameters): a category's log weight is features @ parameters."""
    observed: Floats
    """(cells, categories): counts."""

    @property
    def totals(self) -> Floats:
        """Answers of each cell."""
        return np.asarray(self.observed.sum(axis=1))

    def probabilities(self, theta: Floats) -> Floats:
        """Return the probability of each category, (cells, categories)."""
        weights = self.features @ theta
        weights = np.exp(weights - weights.max(axis=1, keepdims=True))
        return np.asarray(weights / weights.sum(axis=1, keepdims=True))

    def log_likelihood(self, theta: Floats) -> float:
        """Return the log-likelihood over single answers."""
        weights = self.features @ theta
        top = weights.max(axis=1, keepdims=True)
        log_p = weights - top - np.log(np.exp(weights - top).sum(axis=1, keepdims=True))
        return float(np.sum(self.observed * log_p))

    def score(self, p: Floats) -> Floats:
        """Return the slope of the log-likelihood where the probabilities are `p`."""
        return np.asarray(np.einsum("ck,ckr->r", self.observed - self.totals[:, None] * p, self.features))

    def information(self, p: Floats) -> Floats:
        """Return its negative curvature, observed and expected alike."""
        return np.asarray(np.einsum("c,ckm,ckr,cms->rs", self.totals, _spread(p), self.features, self.features))


def _spread(p: Floats) -> Floats:
    """Return the covariance of one answer's indicators, (cells, categories, categories)."""
    diagonal = np.einsum("ck,km->ckm", p, np.eye(p.shape[1]))
    return np.asarray(diagonal - p[:, :, None] * p[:, None, :])


def pair_model(counts: Comparisons, *, ties: bool, order: bool) -> PairModel:
    """Return the model of these counts; without `ties` in it, answers without a preference are left out."""
    items = counts.items
    names = (*items, *((ORDER,) if order else ()), *((TIE,) if ties else ()))
    free = len(items) - 1
    basis = np.zeros((len(names), len(names) - 1))
    basis[:free, :free] = np.eye(free)
    basis[free, :free] = -1
    for extra in range(len(items), len(names)):
        basis[extra, extra - 1] = 1
    cells = [(pair, cell) for pair, cell in sorted(counts.cells.items()) if ties or cell[0] + cell[1]]
    advantage = np.zeros((len(cells), len(names)))
    for row, ((first, second), _) in enumerate(cells):
        advantage[row, items.index(first)] += 1
        advantage[row, items.index(second)] -= 1
        if order:
            advantage[row, names.index(ORDER)] = 1
    categories = [advantage / 2, -advantage / 2]
    if ties:
        is_tie = np.zeros((len(cells), len(names)))
        is_tie[:, names.index(TIE)] = 1
        categories.append(is_tie)
    return PairModel(
        items=items,
        names=names,
        basis=basis,
        features=np.stack(categories, axis=1) @ basis,
        observed=np.array([cell[: len(categories)] for _, cell in cells], dtype=np.float64),
    )


def separated_names(model: PairModel) -> tuple[str, ...]:
    """Return the names of parameters whose likelihood rises without end; none: the maximum exists.

    A direction in which no observed answer becomes less likely against its alternatives, and at least one becomes more
    likely, is sought by linear programming; two more programs per name tell which of them take part.
    """
    from scipy.optimize import linprog

    cells, categories = np.nonzero(model.observed)
    gains = (model.features[cells, categories][:, None, :] - model.features[cells]).reshape(-1, model.features.shape[2])
    gains = np.unique(gains[np.any(gains != 0, axis=1)], axis=0)
    limits = [(-1.0, 1.0)] * gains.shape[1]

    def most(objective: Floats) -> float:
        found = linprog(-objective, A_ub=-gains, b_ub=np.zeros(len(gains)), bounds=limits)
        return -float(found.fun or 0.0)

    if most(gains.sum(axis=0)) < 1e-7:
        return ()
    rows = zip(model.names, model.basis, strict=True)
    return tuple(name for name, row in rows if max(most(row), most(-row)) > 1e-7)


def maximised(model: PairModel, *, penalised: bool) -> tuple[Floats, Convergence]:
    """Return the parameters at the maximum, by Newton steps that are halved until the criterion rises."""

    def criterion(theta: Floats) -> float:
        value = model.log_likelihood(theta)
        if penalised:
            value += float(np.linalg.slogdet(model.information(model.probabilities(theta)))[1]) / 2
        return value

    answers = float(model.observed.sum())
    theta = np.zeros(model.features.shape[2])
    height, steepest, steps = criterion(theta), nan, 0
    while True:
        p = model.probabilities(theta)
        information = model.information(p)
        slope = model.score(p) + (_penalty_slope(model, p, information) if penalised else 0.0)
        steepest = float(np.max(np.abs(slope))) / answers
        if steepest <= SMALL_GRADIENT or steps == MOST_STEPS:
            break
        move = np.linalg.solve(information, slope)
        for _ in range(40):
            candidate = criterion(theta + move)
            if candidate >= height - 1e-12 * abs(height):
                break
            move = move / 2
        theta, height, steps = theta + move, criterion(theta + move), steps + 1
    converged = steepest <= SMALL_GRADIENT
    return theta, Convergence(
        converged=converged,
        steps=steps,
        gradient=steepest,
        remedy="" if converged else "leave out order or ties, or merge items that are hardly ever preferred",
    )


def _penalty_slope(model: PairModel, p: Floats, information: Floats) -> Floats:
    """Return the slope of half the log determinant of the information, by the third cumulants of an answer."""
    spread = _spread(p)
    change = np.einsum("ckm,cmr->ckr", spread, model.features)
    turned = np.einsum("ckr,km->ckmr", change, np.eye(p.shape[1]))
    turned -= change[:, :, None, :] * p[:, None, :, None] + p[:, :, None, None] * change[:, None, :, :]
    inverse = np.linalg.inv(information)
    leverage = np.einsum("ckr,rs,cms->ckm", model.features, inverse, model.features)
    return np.asarray(np.einsum("c,ckmr,ckm->r", model.totals, turned, leverage) / 2)
