"""Profile likelihood intervals of a linear mixed model: where the other parameters can't make up for a wrong value.

A value is inside while the deviance, minimised over all other parameters, rises by less than the chi square quantile on
one degree of freedom (Venzon & Moolgavkar 1988). By maximum likelihood: the restricted likelihood of models with one
fixed effect held is not comparable. Parameters are fixed effects, standard deviations and correlations, since the
deviance is closest to a parabola in these (Bates et al. 2015, section 5.1). A standard deviation's lower end is 0 where
0 itself is inside; with fewer than five levels of a group the interval says little more than that.

Sources: Venzon & Moolgavkar 1988 (Appl. Statist. 37, 87); Bates, Maechler, Bolker & Walker 2015 (J. Stat. Softw.
67(1)).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import exp, inf, log, pi, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from blindtest.stats.mixed.linear_fit import LinearFit, PreparedLinear, prepared_linear
from blindtest.stats.mixed.moments import moments_of
from blindtest.stats.mixed.profile import state_at
from blindtest.stats.mixed.profiled_names import profiled_names

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["profile_table"]

Floats = NDArray[np.float64]

CLOSE = 1e-7
"""Relative accuracy of an end."""
FURTHEST = 40
"""Doublings of the step from the estimate in search of an end."""


def profile_table(fit: LinearFit, names: Sequence[str] | str | None = None, *, level: float = 0.95) -> "DataFrame":
    """Return estimate, ci_low, ci_high of the named parameters by maximum likelihood, by default of all.

    Names: terms of the fixed part; "sd(listener)", "sd(listener, mode[T.blind])" of random effects, "sd(residual)";
    "cor(listener, Intercept, mode[T.blind])".

    Raises
    ------
    BlindtestError
        No such parameter.
    """
    import pandas as pd

    by_ml = fit if not fit.reml else fit.prepared.fit(fit.answers.response, reml=False, start=fit.theta)
    goal = float(ndtri((1 + level) / 2))
    known = _parameters(by_ml)
    wanted = profiled_names(names, known)
    rows = [known[name].interval(goal) for name in wanted]
    return pd.DataFrame(rows, columns=["estimate", "ci_low", "ci_high"], index=pd.Index(wanted, name="parameter"))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Parameter:
    """One parameter, and how far the deviance rises where it is held at a value."""

    estimate: float
    step: float
    """About a standard error."""
    low: float
    high: float
    """Bounds of what is possible."""
    rise: Callable[[float], float]

    def interval(self, goal: float) -> tuple[float, float, float]:
        return self.estimate, self._end(-1, goal), self._end(1, goal)

    def _end(self, side: int, goal: float) -> float:
        from scipy.optimize import brentq

        bound = self.low if side < 0 else self.high

        def root(value: float) -> float:
            return sqrt(max(self.rise(value), 0.0)) - goal

        inside, step = self.estimate, goal * self.step
        if inside == bound:
            return bound
        for _ in range(FURTHEST):
            outside = inside + side * step
            if (outside - bound) * side >= 0:
                outside = bound
            if np.isinf(outside):
                break
            if root(outside) >= 0:
                return float(brentq(root, inside, outside, xtol=CLOSE * self.step, rtol=1e-12))
            if outside == bound:
                return bound
            inside, step = outside, 1.5 * step
        return side * inf


def _parameters(fit: LinearFit) -> dict[str, _Parameter]:
    fixed = {
        name: _Parameter(
            estimate=float(fit.beta[place]),
            step=sqrt(fit.cov_beta[place, place]),
            low=-inf,
            high=inf,
            rise=_rise_of_fixed(fit, place),
        )
        for place, name in enumerate(fit.model.terms)
    }
    return fixed | _spreads(fit)


def _rise_of_fixed(fit: LinearFit, place: int) -> Callable[[float], float]:
    """Return the rise of the deviance with one fixed effect held: its column moves to the response's side."""
    prepared: list[PreparedLinear] = []
    column = fit.model.fixed[:, place][fit.model.distinct]

    def rise(value: float) -> float:
        if not prepared:
            model = replace(
                fit.model,
                fixed=np.delete(fit.model.fixed, place, axis=1),
                terms=tuple(name for j, name in enumerate(fit.model.terms) if j != place),
            )
            prepared.append(prepared_linear(model))
        held = prepared[0].fit(fit.answers.response - value * column, reml=False, start=_off_zero(fit))
        return held.criterion - fit.criterion

    return rise


def _off_zero(fit: LinearFit) -> Floats:
    """Return the fit's relative factors, none so near to zero that a search from there can't leave it."""
    return np.where(np.abs(fit.theta) < 0.05, 0.05, fit.theta)


class _Spread:
    """Standard deviations and correlations as free numbers: the deviance and its slope in them.

    Per term q standard deviations in units of the fit's residual one, then partial correlations row by row as inverse
    hyperbolic tangents (Lewandowski, Kurowicka & Joe 2009), the first that of the first two columns, their correlation;
    at the end the log of the residual standard deviation.
    """

    def __init__(self, fit: LinearFit, orders: Sequence[Sequence[int]]) -> None:
        self.fit, self.orders = fit, orders
        self.sigma = sqrt(fit.sigma2)
        self.sizes = [len(order) for order in orders]
        self.start = np.array(
            [
                *(
                    value
                    for factor, order in zip(fit.state.factors, orders, strict=True)
                    for value in _free_of(factor @ factor.T, order)
                ),
                log(self.sigma),
            ]
        )

    @property
    def spreads(self) -> list[bool]:
        """Which of the free numbers are standard deviations (the log of the residual one is not)."""
        return [place < size for size in self.sizes for place in range(size * (size + 1) // 2)] + [False]

    def place(self, term: int, row: int) -> int:
        """Return where the standard deviation of a term's row stands; from row q on the correlations."""
        return sum(size * (size + 1) // 2 for size in self.sizes[:term]) + row

    def deviance(self, free: Floats) -> tuple[float, Floats]:
        fit, n = self.fit, self.fit.model.n
        sigma2 = exp(2 * free[-1])
        factors, changes, start = [], [], 0
        for size, order in zip(self.sizes, self.orders, strict=True):
            own = free[start : start + size * (size + 1) // 2]
            scale = self.sigma / sqrt(sigma2)
            factors.append(_factor(own, order).real * scale)
            changes.append([_factor(own + 1e-30j * unit, order).imag / 1e-30 * scale for unit in np.eye(len(own))])
            start += len(own)
        state = state_at(fit.design, fit.answers, factors, reml=False)
        moments = moments_of(state, fit.prepared.directions)
        value = state.criterion - n * (1 + log(2 * pi * state.sigma2)) + n * log(2 * pi * sigma2)
        value += state.squares / sigma2
        raw = moments.trace - moments.square / sigma2
        slope, at, within = [], 0, 0.0
        for factor, change in zip(factors, changes, strict=True):
            size = len(factor)
            inner = np.zeros((size, size))
            for column in range(size):
                for row in range(column, size):
                    inner[row, column] = raw[at]
                    at += 1
            # Each covariance is one direction: the pair of mirrored entries moves together.
            for moved in change:
                product = moved @ factor.T
                slope.append(float(np.sum(inner * (product + product.T))))
            within += float(np.sum(inner * (factor @ factor.T)))
        slope.append(-2 * within + 2 * n - 2 * state.squares / sigma2)
        return value, np.array(slope)

    def rise(self, place: int) -> Callable[[float], float]:
        """Return the rise of the deviance where one of the free numbers is held."""
        from scipy.optimize import minimize

        last = [np.where(np.abs(self.start) < 0.05, 0.05, self.start)]
        last[0][-1] = self.start[-1]
        least, loose = self.fit.criterion, np.arange(len(self.start)) != place
        bounds = [(0.0 if sd else None, None) for sd, here in zip(self.spreads, loose, strict=True) if here]

        def minimised(value: float) -> float:
            def held(others: Floats) -> tuple[float, Floats]:
                free = last[0].copy()
                free[loose], free[place] = others, value
                deviance, slope = self.deviance(free)
                return deviance, slope[loose]

            # Below zero a standard deviation would turn the correlation's sign, which is what may be held.
            found = minimize(
                held,
                last[0][loose],
                jac=True,
                method="L-BFGS-B",
                bounds=bounds,
                options={"ftol": 1e-14, "gtol": 1e-7, "maxiter": 1000},
            )
            last[0][loose] = found.x
            return float(found.fun) - least

        return minimised


def _free_of(covariance: Floats, order: Sequence[int]) -> list[float]:
    """Return standard deviations, then partial correlations as inverse hyperbolic tangents; inverse of `_factor`."""
    q = len(order)
    ordered = covariance[np.ix_(order, order)]
    sd = np.sqrt(np.diag(ordered))
    safe = np.where(sd > 0, sd, 1.0)
    correlation = ordered / np.outer(safe, safe)
    np.fill_diagonal(correlation, 1.0 + 1e-10)
    root = np.linalg.cholesky(correlation)
    partial = []
    for row in range(1, q):
        left = 1.0
        for column in range(row):
            r = root[row, column] / sqrt(max(left, 1e-12))
            partial.append(float(np.arctanh(np.clip(r, -0.999, 0.999))))
            left -= root[row, column] ** 2
    return [*sd.tolist(), *partial]


def _factor(free: NDArray[Any], order: Sequence[int]) -> NDArray[Any]:
    """Return L with L L' the covariance, rows in the term's own order; analytic in `free`, complex numbers too."""
    q = len(order)
    rows = np.zeros((q, q), dtype=complex)
    at = q
    for row in range(q):
        left: complex = 1.0
        for column in range(row):
            r = np.tanh(free[at])
            rows[row, column] = r * left
            left = left * np.sqrt(1 - r * r)
            at += 1
        rows[row, row] = left
    out = np.zeros_like(rows)
    out[list(order)] = rows * np.asarray(free[:q])[:, None]
    return out


def _spreads(fit: LinearFit) -> dict[str, _Parameter]:
    random = fit.model.random
    usual = [list(range(len(term.columns))) for term in random]
    plain = _Spread(fit, usual)
    out = {}
    for index, term in enumerate(random):
        alone = term.columns == ("Intercept",)
        for number, column_name in enumerate(term.columns):
            name = f"sd({term.group})" if alone else f"sd({term.group}, {column_name})"
            place = plain.place(index, number)
            estimate = float(plain.start[place]) * plain.sigma
            out[name] = _scaled(plain, place, estimate, plain.sigma)
        for column in range(len(term.columns)):
            for row in range(column + 1, len(term.columns)):
                others = [k for k in usual[index] if k not in (column, row)]
                orders = [*usual[:index], [column, row, *others], *usual[index + 1 :]]
                turned = _Spread(fit, orders)
                place = turned.place(index, len(term.columns))
                out[f"cor({term.group}, {term.columns[column]}, {term.columns[row]})"] = _correlation(turned, place)
    rise = plain.rise(len(plain.start) - 1)
    out["sd(residual)"] = _Parameter(
        estimate=plain.sigma,
        step=plain.sigma / sqrt(2 * fit.model.n),
        low=0.0,
        high=inf,
        rise=lambda value: rise(log(value)) if value > 0 else inf,
    )
    return out


def _scaled(spread: _Spread, place: int, estimate: float, unit: float) -> _Parameter:
    rise = spread.rise(place)
    return _Parameter(
        estimate=estimate,
        step=max(estimate / 4, unit / 20),
        low=0.0,
        high=inf,
        rise=lambda value: rise(value / unit),
    )


def _correlation(spread: _Spread, place: int) -> _Parameter:
    rise = spread.rise(place)
    return _Parameter(
        estimate=float(np.tanh(spread.start[place])),
        step=0.2,
        low=-1.0,
        high=1.0,
        rise=lambda value: rise(float(np.arctanh(np.clip(value, -1 + 1e-9, 1 - 1e-9)))),
    )
