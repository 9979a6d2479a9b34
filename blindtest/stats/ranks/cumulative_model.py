"""The likelihood of ordered answers: thresholds, a linear part, and one random factor by Laplace's approximation.

An answer is the latent value eta + noise falling between two thresholds, P(answer <= j) = F(threshold_j - eta) with
eta = x'beta + sigma v, v standard normal, one per level of the random factor. Given v the log-likelihood is concave in
thresholds and beta (Pratt 1981, JASA 76, 103). Laplace's approximation expands at each v's mode with the observed
Hessian; its gradient follows from the third derivatives, so that no step is differenced.

Sources: McCullagh 1980 (JRSS B 42, 109); Tutz & Hennevogl 1996 (Comput. Statist. Data Anal. 22, 537) for the random
part.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blindtest.stats.ranks.ordered_links import Derivatives, OrderedLink, interval_derivatives

__all__ = ["CumulativeModel", "Modes", "compressed", "separated"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
MOST_MODE_STEPS = 100
SMALL_MODE_STEP = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Modes:
    """Where the random factor's levels lie, given thresholds, beta and sigma."""

    v: Floats
    """(groups,), in standard deviations."""
    curvature: Floats
    """(groups,): minus the second derivative there, 1 + sigma^2 sum w."""
    derivatives: Derivatives


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CumulativeModel:
    """Distinct rows with how often each stands in the table."""

    categories: int
    x: Floats
    """(rows, q), no intercept: the thresholds are it."""
    y: Ints
    """(rows,): 0 ... categories - 1."""
    weights: Floats
    """(rows,)"""
    groups: Ints
    """(rows,); all 0 where there is no random factor."""
    count: int
    """Levels of the random factor; 0: none."""
    link: OrderedLink

    @property
    def cuts(self) -> int:
        """Number of thresholds."""
        return self.categories - 1

    def derivatives(self, psi: Floats, shift: Floats | float = 0.0) -> Derivatives:
        """Return the rows' log-likelihoods and derivatives; psi = thresholds, then beta."""
        ends = np.concatenate(([-np.inf], psi[: self.cuts], [np.inf]))
        eta = self.x @ psi[self.cuts :] + shift
        return interval_derivatives(ends[self.y + 1] - eta, ends[self.y] - eta, self.link)

    def ordered(self, psi: Floats) -> bool:
        """Whether every threshold lies above the one before it."""
        return bool(np.all(np.diff(psi[: self.cuts]) > 0))

    def log_likelihood(self, psi: Floats) -> float:
        """Return it without a random part; -inf where thresholds are out of order."""
        return float(self.weights @ self.derivatives(psi).value) if self.ordered(psi) else -np.inf

    def slope(self, by_a: Floats, by_b: Floats, by_eta: Floats) -> Floats:
        """Return the gradient in psi of a sum over rows, from each row's derivatives by its ends and by eta."""
        a, b = self.weights * by_a, self.weights * by_b
        thresholds = np.bincount(self.y, a, self.categories)[:-1] + np.bincount(self.y, b, self.categories)[1:]
        return np.concatenate((thresholds, self.x.T @ (self.weights * by_eta)))

    def information(self, d: Derivatives) -> Floats:
        """Return minus the Hessian in psi of the rows' log-likelihoods."""
        w, cuts = self.weights, self.cuts
        hessian = np.zeros((cuts + self.x.shape[1],) * 2)
        own = np.bincount(self.y, w * d.aa, self.categories)[:-1] + np.bincount(self.y, w * d.bb, self.categories)[1:]
        hessian[range(cuts), range(cuts)] = own
        inner = (self.y > 0) & (self.y < cuts)
        pairs = np.bincount(self.y[inner], (w * d.ab)[inner], self.categories)[1:cuts]
        hessian[range(1, cuts), range(cuts - 1)] = hessian[range(cuts - 1), range(1, cuts)] = pairs
        cross = np.zeros((self.categories, self.x.shape[1]))
        np.add.at(cross, self.y, (w * -(d.aa + d.ab))[:, None] * self.x)
        below = np.zeros_like(cross)
        np.add.at(below, self.y, (w * -(d.bb + d.ab))[:, None] * self.x)
        hessian[:cuts, cuts:] = cross[:-1] + below[1:]
        hessian[cuts:, :cuts] = hessian[:cuts, cuts:].T
        hessian[cuts:, cuts:] = (self.x * (w * d.second)[:, None]).T @ self.x
        return -hessian

    def modes(self, psi: Floats, sigma: float, start: Floats) -> Modes:
        """Return the modes of v, by Newton steps that are halved, group by group, until the criterion rises."""
        v = start
        d = self.derivatives(psi, sigma * v[self.groups])
        height = self._by_group(d.value) - v**2 / 2
        for _ in range(MOST_MODE_STEPS):
            slope = sigma * self._by_group(d.first) - v
            curvature = 1 - sigma**2 * self._by_group(d.second)
            move = slope / curvature
            if np.max(np.abs(move)) <= SMALL_MODE_STEP:
                break
            for _ in range(40):
                new = self.derivatives(psi, sigma * (v + move)[self.groups])
                reached = self._by_group(new.value) - (v + move) ** 2 / 2
                worse = reached < height - 1e-12 * np.abs(height)
                if not worse.any():
                    break
                move = np.where(worse, move / 2, move)
            v, d, height = v + move, new, reached
        return Modes(v=v, curvature=1 - sigma**2 * self._by_group(d.second), derivatives=d)

    def laplace(self, psi: Floats, sigma: float, start: Floats) -> tuple[float, Floats, Modes]:
        """Return the approximate log-likelihood, its gradient in (psi, sigma), and the modes."""
        modes = self.modes(psi, sigma, start)
        d, v, h = modes.derivatives, modes.v, modes.curvature
        value = float(self.weights @ d.value - v @ v / 2 - np.sum(np.log(h)) / 2)
        first, second, third = (self._by_group(part) for part in (d.first, d.second, d.third))
        by_second = (sigma**2 / (2 * h))[self.groups]
        by_first = (sigma**4 * third / (2 * h**2))[self.groups]
        psi_slope = self.slope(
            d.a + by_second * (d.aaa + 2 * d.aab + d.abb) - by_first * (d.aa + d.ab),
            d.b + by_second * (d.aab + 2 * d.abb + d.bbb) - by_first * (d.ab + d.bb),
            d.first + by_second * d.third + by_first * d.second,
        )
        moved = v + sigma * (first + sigma * v * second) / h
        sigma_slope = float(np.sum(v * first + (2 * sigma * second + sigma**2 * third * moved) / (2 * h)))
        return value, np.append(psi_slope, sigma_slope), modes

    def _by_group(self, values: Floats) -> Floats:
        return np.bincount(self.groups, self.weights * values, self.count).astype(np.float64)


def compressed(
    x: Floats, distinct: Ints, y: Ints, groups: Ints | None, *, categories: int, count: int, link: OrderedLink
) -> CumulativeModel:
    """Return the model of rows x[distinct], y, groups, equal rows counted."""
    g = np.zeros(len(y), dtype=np.intp) if groups is None else groups
    key = (distinct * categories + y) * max(count, 1) + g
    found, weights = np.unique(key, return_counts=True)
    rest, group = np.divmod(found, max(count, 1))
    row, answer = np.divmod(rest, categories)
    return CumulativeModel(
        categories=categories,
        x=x[row],
        y=answer,
        weights=weights.astype(np.float64),
        groups=group,
        count=count,
        link=link,
    )


def separated(model: CumulativeModel) -> tuple[bool, Any]:
    """Return whether the likelihood rises without end in some direction of psi, and that direction.

    No observed answer may become less likely along it: its upper end must not fall against eta, nor its lower end rise
    (Albert & Anderson 1984, Biometrika 71, 1, for binary answers). Found by a linear program.
    """
    from scipy.optimize import linprog
    from scipy.sparse import csr_array, hstack, vstack

    rows = np.unique(np.column_stack((model.y, model.x)), axis=0)
    y, x = rows[:, 0].astype(np.intp), rows[:, 1:].astype(np.float64)

    def ends(at: Ints, of: Floats, sign: float) -> Any:
        marks = csr_array((np.full(len(at), sign), (np.arange(len(at)), at)), shape=(len(at), model.cuts))
        return hstack([marks, csr_array(-sign * of)])

    upper, lower = y < model.cuts, y > 0
    gains = vstack([ends(y[upper], x[upper], 1.0), ends(y[lower] - 1, x[lower], -1.0)])
    objective = np.asarray(gains.sum(axis=0)).ravel()
    size = model.cuts + x.shape[1]
    found = linprog(-objective, A_ub=-gains, b_ub=np.zeros(gains.shape[0]), bounds=[(-1.0, 1.0)] * size)
    return -float(found.fun or 0.0) > 1e-7, found.x
