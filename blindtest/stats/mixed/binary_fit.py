"""The fit of a binary mixed model, as numbers: start, maximum, and what is at a bound.

Parameters are the fixed effects, then theta, the entries of the Cholesky factor of the effects' covariance
(laplace.py). Standard errors come from the joint curvature in all of them. A standard deviation that ends at 0 is a
result: it is set to exactly 0, and the curvature leaves it out (the likelihood is even in it).
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault
from blindtest.stats.mixed.laplace import (
    BinaryRows,
    Evaluation,
    Information,
    Mode,
    foreseen,
    laplace,
    scale_of,
    theta_places,
)
from blindtest.stats.mixed.maximum import SMALL_RISE, Maximum, maximise
from blindtest.stats.mixed.quadrature import quadrature_value

__all__ = ["BinaryFit", "Likelihood", "fit_rows", "profiled", "started"]

Floats = NDArray[np.float64]

TINY = 0.05
"""A standard deviation below this is tried at exactly 0."""
FLAT = 1e-5
"""Curvature, over the largest, at which a direction counts as flat."""
THIN = 0.4
"""Curvature of an effect, of the 1 that its own distribution has, below which the approximation is a poor one."""
BREAKDOWN = "Laplace's approximation breaks down: some level's answers suit two very different effects"
BREAKDOWN_REMEDY = "leave out slopes or products, or take quadrature=9 with a single group"
SAME = 1e-7
"""Difference of log-likelihoods that counts as none."""


class Likelihood:
    """One approximation of the likelihood of counted rows; remembers the last mode, from which the next is sought."""

    def __init__(self, rows: BinaryRows, *, information: Information, nodes: int) -> None:
        self.rows, self.information, self.nodes = rows, information, nodes
        self.places = theta_places(rows.layout)
        self.last: tuple[Floats, Evaluation] | None = None
        self.evaluations = 0

    @property
    def fixed_count(self) -> int:
        """Number of fixed effects."""
        return int(self.rows.fixed.shape[1])

    def at(self, point: Floats) -> Evaluation:
        """Return value, gradient and mode.

        Parameters
        ----------
        point : (p + t,) beta on the scale of the link, then theta
        """
        if self.last is not None and np.array_equal(point, self.last[0]):
            return self.last[1]
        beta, theta = point[: self.fixed_count], point[self.fixed_count :]
        self.evaluations += 1
        start = np.zeros(self.rows.layout.size)
        if self.last is not None:
            before, known = self.last
            change = beta - before[: self.fixed_count]
            start = foreseen(self.rows, known.mode, change, scale_of(self.rows.layout, theta))
        if self.nodes > 1:
            found = quadrature_value(self.rows, beta, theta, start, nodes=self.nodes)
        else:
            found = laplace(self.rows, beta, theta, start, information=self.information)
        if np.isfinite(found.value):
            self.last = point.copy(), found
        return found

    def restarted(self) -> None:
        """Forget the last mode."""
        self.last = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BinaryFit:
    """Estimates of a binary mixed model."""

    likelihood: Likelihood
    beta: Floats
    theta: Floats
    value: float
    """Log-likelihood without binomial coefficients."""
    covariance: Floats
    """(p + t, p + t): of beta and theta, from the joint curvature; 0 for what is at 0 or held."""
    zero: NDArray[np.bool_]
    """(t,): entries of theta at exactly 0."""
    evaluation: Evaluation
    maximum: Maximum
    runaway: tuple[int, ...]
    """Distinct rows of the fixed part whose predictor goes on and on (empty: a maximum exists)."""
    unbounded: tuple[int, ...]
    """Terms whose standard deviation does."""

    @property
    def converged(self) -> bool:
        """Whether the search ended at a maximum."""
        return self.maximum.converged and not self.runaway and not self.unbounded

    @property
    def remedy(self) -> str:
        """What to try where it did not converge."""
        if self.converged:
            return ""
        if self.evaluation.factor.least < THIN:
            return f"{BREAKDOWN}; {BREAKDOWN_REMEDY}"
        return "leave out random terms with few levels, or slopes; merge small cells"

    @property
    def point(self) -> Floats:
        """Beta, then theta."""
        return np.concatenate([self.beta, self.theta])


def started(rows: BinaryRows) -> Floats:
    """Return fixed effects of the model without random ones, roughly: Fisher scoring with a pull to the middle.

    The result is (p,), on the scale of the link.
    """
    link, x = rows.link, rows.fixed
    right, trials = rows.cells(rows.right), rows.cells(rows.trials)
    shown = (right + 0.5 * (1 + link.guess)) / (trials + 1)
    eta = link.predictor(np.clip(shown, link.guess + 0.05 * (1 - link.guess), 0.98))
    beta = np.linalg.lstsq(x, eta, rcond=None)[0]
    pull = 1e-3 * np.diag(np.maximum((x * x).sum(axis=0), 1e-12) / max(float(len(x)), 1.0))
    for _ in range(5):
        eta = np.clip(x @ beta, -4, 8)
        weight, _ = link.expected(eta, trials)
        slope = x.T @ link.pieces(eta, right, trials).slope - pull @ beta
        move = np.linalg.lstsq(x.T @ (weight[:, None] * x) + pull, slope, rcond=None)[0]
        furthest = float(np.max(np.abs(x @ move), initial=0.0))
        beta = beta + move / max(1.0, furthest)
    return np.asarray(beta)


def fit_rows(
    rows: BinaryRows,
    *,
    information: Information = "observed",
    nodes: int = 1,
    start: Floats | None = None,
    held: NDArray[np.bool_] | None = None,
) -> BinaryFit:
    """Return the maximum of the approximated likelihood.

    Parameters
    ----------
    start : beta then theta; by default from the model without random effects and standard deviations of 0.7
        (logit) or 0.4 (probit)
    held : parameters kept at their start
    """
    likelihood = Likelihood(rows, information=information, nodes=nodes)
    count, places = likelihood.fixed_count, likelihood.places
    if start is None:
        spread = 0.7 if rows.link.name == "logit" else 0.4
        start = np.concatenate([started(rows), [spread if row == column else 0.0 for _, row, column in places]])
        start = _respread(likelihood, start)
    free = np.ones(len(start), dtype=bool) if held is None else ~held
    maximum = _searched(likelihood, start, free)
    point = maximum.point
    zero = np.zeros(len(places), dtype=bool)
    for place, (_, row, column) in enumerate(places):
        if row != column or not free[count + place] or abs(point[count + place]) >= TINY:
            continue
        bounded = point.copy()
        bounded[count + place] = 0.0
        without = free.copy()
        without[count + place] = False
        tried = _searched(likelihood, bounded, without)
        if tried.value >= maximum.value - SAME:
            maximum = replace(tried, steps=maximum.steps + tried.steps)
            point, free, zero[place] = tried.point, without, True
    point = _upright(point, places, count)
    evaluation = likelihood.at(point)
    if not np.isfinite(evaluation.value):
        likelihood.restarted()
        evaluation = likelihood.at(point)
    if rows.link.guess and evaluation.mode.factor.least < 1:
        # Some level's likelihood is not concave at its mode, so that it can have a second and higher one: from the
        # middle too.
        likelihood.restarted()
        afresh = likelihood.at(point)
        if afresh.mode.found and afresh.mode.height > evaluation.mode.height + SAME:
            evaluation = afresh
    if not np.isfinite(evaluation.value):
        raise BlindtestError(Fault(problem=BREAKDOWN, key="random", remedy=BREAKDOWN_REMEDY))
    likelihood.last = point, evaluation
    covariance = np.zeros((len(point), len(point)))
    covariance[np.ix_(free, free)] = _inverse(-maximum.hessian)
    signs = np.where(np.isclose(point, maximum.point), 1.0, -1.0)
    covariance = covariance * np.outer(signs, signs)
    fit = BinaryFit(
        likelihood=likelihood,
        beta=point[:count],
        theta=point[count:],
        value=evaluation.value,
        covariance=covariance,
        zero=zero,
        evaluation=evaluation,
        maximum=maximum,
        runaway=(),
        unbounded=(),
    )
    return replace(fit, runaway=_running_away(fit, free), unbounded=_unbounded(fit))


def _inverse(information: Floats) -> Floats:
    """Return the inverse; of a flat ridge (parameters that can't be told apart) the generalised one, else NaN."""
    if not len(information):
        return information
    values, vectors = np.linalg.eigh(information)
    if values[0] < -FLAT * values[-1] or not np.all(np.isfinite(values)):
        return np.full_like(information, np.nan)
    kept = values > FLAT * values[-1] if values[0] < 1e-12 * values[-1] else np.ones(len(values), dtype=bool)
    return np.asarray((vectors[:, kept] / values[kept]) @ vectors[:, kept].T)


def _upright(point: Floats, places: tuple[tuple[int, int, int], ...], count: int) -> Floats:
    """Return the point with the diagonal of Lambda at 0 or above: the sign of a column of Lambda means nothing."""
    turned = point.copy()
    for place, (term, row, column) in enumerate(places):
        if row == column and point[count + place] < 0:
            for other, (of, _, along) in enumerate(places):
                if of == term and along == column:
                    turned[count + other] = -point[count + other]
    return turned


def _searched(
    likelihood: Likelihood,
    start: Floats,
    free: NDArray[np.bool_],
    *,
    curvature: bool = True,
    guess: Floats | None = None,
) -> Maximum:
    """Return the maximum over the free parameters, in all of them; `guess`: of the parameters' covariance."""
    count, x = likelihood.fixed_count, likelihood.rows.fixed
    inner = int(free[:count].sum())

    def objective(part: Floats) -> tuple[float, Floats]:
        point = start.copy()
        point[free] = part
        found = likelihood.at(point)
        return found.value, found.gradient[free]

    def longest(move: Floats) -> float:
        predictor = x[:, free[:count]] @ move[:inner]
        return max(float(np.max(np.abs(predictor), initial=0.0)) / 2, float(np.max(np.abs(move[inner:]), initial=0.0)))

    if not free.any():
        found = likelihood.at(start)
        none = np.zeros((0, 0))
        return Maximum(point=start, value=found.value, gradient=found.gradient, hessian=none, steps=0, promised=0.0)
    rough = _rough_covariance(likelihood, start) if guess is None else guess
    ended = maximise(objective, start[free], rough[np.ix_(free, free)], longest=longest, curvature=curvature)
    point = start.copy()
    point[free] = ended.point
    return replace(ended, point=point)


def _respread(likelihood: Likelihood, start: Floats) -> Floats:
    """Return the start with standard deviations that suit the effects found there.

    The effects' sum of squares over what the answers tell about them, in levels (MacKay 1992, Neural Computation 4,
    415): one step of an iteration that ends near the maximum.
    """
    mode, count = likelihood.at(start).mode, likelihood.fixed_count
    if not mode.found:
        return start
    known, layout, better = _known(mode), likelihood.rows.layout, start.copy()
    for place, (term, row, column) in enumerate(likelihood.places):
        slots = layout.slots[term][:, row]
        told = float(known[slots].sum())
        if row == column and told > 1:
            spread = float(np.sqrt(np.sum(mode.b[slots] ** 2) / told))
            better[count + place] = np.clip(spread, 0.3 * start[count + place], 3 * start[count + place])
    return better


def _known(mode: Mode) -> Floats:
    """Return what the answers tell about each standardised effect: 0 nothing, 1 everything."""
    inverse = mode.factor.inverse()
    kept = np.concatenate([np.diagonal(inverse.local, axis1=1, axis2=2).ravel(), np.diagonal(inverse.corner)])
    return np.asarray(np.clip(1 - kept, 0.0, 1.0))


def _rough_covariance(likelihood: Likelihood, point: Floats) -> Floats:
    """Return a guess at the parameters' covariance, fixed effects and theta apart."""
    rows, count = likelihood.rows, likelihood.fixed_count
    mode = likelihood.at(point).mode
    weight, _ = rows.link.expected(mode.eta, rows.trials)
    x = rows.fixed
    by_cell = rows.cells(weight)
    information = x.T @ (by_cell[:, None] * x)
    levels = rows.layout.root_levels
    if mode.found:
        carried = np.column_stack(
            [
                mode.scale.transposed_times(rows.random_sums(weight * rows.cells.gather(x[:, k])), levels)
                for k in range(count)
            ]
        )
        taken = information - carried.T @ mode.factor.solve(carried)
        if np.all(np.linalg.eigvalsh(taken) > 0):
            information = taken
    covariance = np.zeros((len(point), len(point)))
    covariance[:count, :count] = np.linalg.pinv(information)
    known = _known(mode)
    for place, (term, row, column) in enumerate(likelihood.places):
        a, b = rows.layout.slots[term][:, row], rows.layout.slots[term][:, column]
        sd = max(abs(point[count + place]), 0.3)
        told = float(np.sum(known[a] * known[b]))
        covariance[count + place, count + place] = sd * sd / max((2 if row == column else 1) * told, 0.5)
    return covariance


def _running_away(fit: BinaryFit, free: NDArray[np.bool_]) -> tuple[int, ...]:
    """Return the distinct fixed rows whose predictor the likelihood lets go on without end.

    A predictor is suspected where it is further out than answers can tell, and convicted where going on costs hardly
    anything: three standard errors, with all parameters that move along, or 10 units where the search found no end.
    """
    likelihood = fit.likelihood
    count, x = likelihood.fixed_count, likelihood.rows.fixed
    far = 7.0 if likelihood.rows.link.name == "logit" else 3.5
    predictor = x @ fit.beta
    variance = np.einsum("ij,jk,ik->i", x, fit.covariance[:count, :count], x)
    found = []
    for row in np.flatnonzero((np.abs(predictor) > far) | (variance > far**2)):
        if fit.maximum.converged and variance[row] > 1e-6:
            direction, reach = fit.covariance[:, :count] @ x[row] / variance[row], min(3 * np.sqrt(variance[row]), 10.0)
        else:
            direction, reach = np.zeros(len(fit.point)), 10.0
            direction[:count] = np.linalg.pinv(x)[:, row]
            direction[:count] /= max(float(x[row] @ direction[:count]), 1e-9)
        step = np.sign(predictor[row]) * reach * np.where(free, direction, 0.0)
        if likelihood.at(fit.point + step).value > fit.value - 0.05:
            found.append(int(row))
    likelihood.last = fit.point, fit.evaluation
    return tuple(found)


def _unbounded(fit: BinaryFit) -> tuple[int, ...]:
    """Return the terms whose standard deviation is larger than answers can tell."""
    far = 12.0 if fit.likelihood.rows.link.name == "logit" else 7.0
    return tuple(
        sorted(
            {
                term
                for (term, row, column), value in zip(fit.likelihood.places, fit.theta, strict=True)
                if row == column and abs(value) > far and fit.likelihood.rows.layout.groups[term].values[row] is None
            }
        )
    )


CRITERION = f"rise of the log-likelihood promised by a further Newton step <= {SMALL_RISE:g}"
"""What a fit has to meet, in words."""


def profiled(fit: BinaryFit, place: int, value: float, near: Floats) -> tuple[float, Floats]:
    """Return the maximised log-likelihood with one parameter held at `value`, and where it is; sought from `near`.

    The others start where the fit's covariance expects them, and are searched with what it leaves of theirs.

    Where it is has the shape (p + t,).

    Parameters
    ----------
    place : in the fit's point: beta (p,), then theta (t,)
    value : of that parameter, on the scale of the link; of a standard deviation 0 or more
    near : (p + t,) where the search begins
    """
    free = np.arange(len(near)) != place
    covariance = fit.covariance.copy()
    asleep = np.flatnonzero(fit.zero) + len(fit.beta)
    covariance[asleep, asleep] = 0.1
    guess, start = None, near.copy()
    if np.all(np.diagonal(covariance) > 0) and np.all(np.isfinite(covariance)):
        along = covariance[:, place] / covariance[place, place]
        start = near + along * (value - near[place])
        guess = covariance - np.outer(along, covariance[place])
    # What had been put at exactly 0 may move again.
    start[asleep] = np.where(start[asleep] == 0, 0.1, start[asleep])
    start[place] = value
    maximum = _searched(fit.likelihood, start, free, curvature=False, guess=guess)
    return maximum.value, maximum.point
