"""Linear mixed models where no group's blocks leave a small rest: one sparse factorisation of all random effects.

Thousands of listeners crossed with thousands of clips have a rest too large for a dense matrix. The same profiled
deviance is then had from the sparse H = L'Z'Z L + I; its derivatives, and those of the fixed effects' covariance, come
from finite differences. Slower, and meant for what the blocks can't do.

Source: Bates, Maechler, Bolker & Walker 2015 (J. Stat. Softw. 67(1)).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import log, pi
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blindtest.stats.mixed.curvature import inverse_curvature
from blindtest.stats.mixed.model_matrix import ModelMatrix
from blindtest.stats.mixed.relative_factors import factors_of, semidefinite_root, triangle
from blindtest.stats.mixed.response import checked_response, refuse_without_residuals, refuse_without_spread
from blindtest.stats.mixed.variance_label import VarianceLabel, labels_of
from blindtest.stats.pair_model import Convergence

__all__ = ["PreparedSparse", "SparseFit", "sparse_prepared"]

Floats = NDArray[np.float64]

SMALL = 1e-4
"""A standard deviation this small against the column's unit is tried at exactly zero."""
FALL = 1e-6
"""What a Newton step from the end may promise of the deviance: finite differences see no less."""
ROUNDING = 1e-14
"""Share of the squares below which y'Py is rounding."""
CHUNK = 256
"""Levels whose conditional covariances are solved for at a time."""


@dataclass(frozen=True, kw_only=True, eq=False)
class _SparseState:
    criterion: float
    squares: float
    free: int
    u: Floats
    """Coefficients of the orthonormal basis, (p,)."""
    inverse: Floats
    """(X'V^-1 X)^-1 in that basis, relative."""
    log_det: float
    """log|V|, and under REML log|X'V^-1 X| of the model's own columns."""
    spread: Any
    """L, sparse."""
    solve: Callable[[Floats], Floats]


@dataclass(frozen=True, kw_only=True, eq=False)
class PreparedSparse:
    """Everything of the model that doesn't depend on the response."""

    model: ModelMatrix
    Z: Any
    """(n, effects), sparse: each term's effects level by level."""
    ZZ: Any
    X: Floats
    """(n, p), orthonormal."""
    ZX: Floats
    basis: Floats
    log_det: float
    scale: Floats
    """(k,): usual size of theta."""

    @property
    def sizes(self) -> tuple[int, ...]:
        """Columns of each term."""
        return tuple(len(term.columns) for term in self.model.random)

    def fit(self, response: ArrayLike | None = None, *, reml: bool = True, start: Floats | None = None) -> "SparseFit":
        """Fit one response, (n,), or the table's own."""
        from scipy.optimize import minimize

        y = checked_response(response, self.model)
        answers = y - self.X @ (self.X.T @ y)
        refuse_without_spread(float(answers @ answers), y, self.model)
        usual = self._usual() if start is None else start
        alone = usual != 0
        bounds = [(0.0, None) if diagonal else (None, None) for diagonal in alone]

        def criterion(scaled: Floats) -> float:
            return self.state(factors_of(scaled * self.scale, self.sizes), answers, reml=reml).criterion

        found = minimize(
            criterion,
            usual / self.scale,
            method="L-BFGS-B",
            jac="3-point",
            bounds=bounds,
            options={"ftol": 1e-14, "gtol": 1e-6, "maxiter": 200},
        )
        theta = self._settled(np.asarray(found.x) * self.scale, answers, reml=reml)
        theta, slope, promised = self._polished(theta, criterion)
        squares = self.state(factors_of(theta, self.sizes), answers, reml=reml).squares
        refuse_without_residuals(squares, float(answers @ answers), self.model)
        return SparseFit(
            prepared=self,
            response=y,
            answers=answers,
            theta=theta,
            reml=reml,
            convergence=Convergence(
                converged=promised <= FALL,
                steps=int(found.nit) + 1,
                gradient=float(np.abs(slope).max(initial=0.0)) / self.model.n,
                criterion=f"deviance expected to fall by {FALL:g} at most (finite differences)",
                start="all standard deviations at the residual one, correlations at 0",
                remedy="" if promised <= FALL else "leave out the part with the smallest variance, and compare",
            ),
        )

    def _usual(self) -> Floats:
        diagonal = [row == column for q in self.sizes for row, column in triangle(q)]
        return np.where(diagonal, self.scale, 0.0)

    def _settled(self, theta: Floats, answers: Floats, *, reml: bool) -> Floats:
        """Set what is as good as zero to zero, where the deviance doesn't mind."""
        out, start = theta.copy(), 0
        for q, factor in zip(self.sizes, factors_of(theta, self.sizes), strict=True):
            pairs = triangle(q)
            unit = np.array([self.scale[start + k] for k, (row, column) in enumerate(pairs) if row == column])
            scaled = factor / unit[:, None]
            lower = semidefinite_root(scaled @ scaled.T, 1e-3) * unit[:, None]
            out[start : start + len(pairs)] = [lower[row, column] for row, column in pairs]
            start += len(pairs)
        before, after = (self.state(factors_of(t, self.sizes), answers, reml=reml).criterion for t in (theta, out))
        return out if after <= before + 1e-6 else theta

    def _polished(self, theta: Floats, criterion: Callable[[Floats], float]) -> tuple[Floats, Floats, float]:
        """Return theta after Newton steps by finite differences, the slope there, and what a further one promises."""
        free = theta != 0
        promised, slope = np.inf, np.zeros(len(theta))

        def part(values: Floats) -> float:
            whole = np.zeros(len(free))
            whole[free] = values
            return criterion(whole)

        for _ in range(3):
            here = (theta / self.scale)[free]
            slope = np.zeros(len(theta))
            slope[free], curvature = differences(part, here, 1e-3)
            step = -np.linalg.solve(curvature, slope[free]) if np.any(free) else np.zeros(0)
            promised = float(-slope[free] @ step) / 2
            if not 0 <= promised < 1 or part(here + step) > part(here) + 1e-9:
                break
            theta = theta.copy()
            theta[free] = (here + step) * self.scale[free]
            if promised <= FALL:
                break
        return theta, slope / self.scale, abs(promised)

    def state(self, factors: Sequence[Floats], answers: Floats, *, reml: bool) -> _SparseState:
        """Return the criterion at these relative factors."""
        from scipy import sparse
        from scipy.sparse.linalg import splu

        model, p = self.model, self.X.shape[1]
        pieces = [
            sparse.kron(sparse.eye_array(term.grouping.count), factor)
            for term, factor in zip(model.random, factors, strict=True)
        ]
        spread = sparse.block_diag(pieces, format="csc")
        inside = (spread.T @ self.ZZ @ spread + sparse.eye_array(spread.shape[0])).tocsc()
        factorised = splu(inside, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})
        log_det = float(np.log(np.abs(factorised.U.diagonal())).sum())
        both = spread.T @ np.column_stack([self.ZX, self.Z.T @ answers])
        inner = both.T @ factorised.solve(both)
        outer = np.eye(p + 1)
        outer[:p, p] = outer[p, :p] = self.X.T @ answers
        outer[p, p] = answers @ answers
        reduced = outer - inner
        information = reduced[:p, :p]
        u = np.linalg.solve(information, reduced[:p, p])
        squares = max(float(reduced[p, p] - reduced[:p, p] @ u), ROUNDING * float(answers @ answers))
        free = model.n - p if reml else model.n
        if reml:
            log_det += float(np.linalg.slogdet(information)[1]) + self.log_det
        return _SparseState(
            criterion=log_det + free * (1 + log(2 * pi * squares / free)),
            squares=squares,
            free=free,
            u=u,
            inverse=np.linalg.inv(information),
            log_det=log_det,
            spread=spread,
            solve=factorised.solve,
        )


def differences(function: Callable[[Floats], float], at: Floats, step: float) -> tuple[Floats, Floats]:
    """Return slope and curvature by central differences, (k,) and (k, k)."""
    k = len(at)
    size = step * np.maximum(np.abs(at), 0.1)
    middle = function(at)
    up, down = np.empty(k), np.empty(k)
    for i in range(k):
        shift = np.zeros(k)
        shift[i] = size[i]
        up[i], down[i] = function(at + shift), function(at - shift)
    curvature = np.diag((up - 2 * middle + down) / size**2)
    for i in range(k):
        for j in range(i):
            shift = np.zeros(k)
            shift[i], shift[j] = size[i], size[j]
            across = function(at + shift) + function(at - shift)
            curvature[i, j] = curvature[j, i] = (across - up[i] - down[i] - up[j] - down[j] + 2 * middle) / (
                2 * size[i] * size[j]
            )
    return (up - down) / (2 * size), curvature


def sparse_prepared(model: ModelMatrix) -> PreparedSparse:
    """Return a model ready to be fitted by sparse factorisation."""
    from scipy import sparse

    rows = np.arange(model.n)
    pieces: list[Any] = []
    scale: list[float] = []
    for term in model.random:
        q, values = len(term.columns), term.values
        columns = (term.codes[:, None] * q + np.arange(q)).ravel()
        shape = (model.n, term.grouping.count * q)
        pieces.append(sparse.csc_array((values.ravel(), (np.repeat(rows, q), columns)), shape=shape))
        unit = 1 / np.sqrt(np.maximum((values**2).mean(axis=0), 1e-300))
        scale.extend(unit[row] for row, _ in triangle(q))
    Z = sparse.hstack(pieces, format="csc")
    counts = np.bincount(model.distinct, minlength=len(model.fixed))
    upper = np.linalg.qr(np.sqrt(counts)[:, None] * model.fixed, mode="r")
    basis = np.linalg.inv(upper)
    X = (model.fixed @ basis)[model.distinct]
    return PreparedSparse(
        model=model,
        Z=Z,
        ZZ=(Z.T @ Z).tocsc(),
        X=X,
        ZX=np.asarray(Z.T @ X),
        basis=basis,
        log_det=2 * float(np.log(np.abs(np.diagonal(upper))).sum()),
        scale=np.array(scale),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class SparseFit:
    """Estimates of one response; what `LinearFit` has, Kenward-Roger apart."""

    prepared: PreparedSparse
    response: Floats
    answers: Floats
    """The response's residuals from least squares, (n,)."""
    theta: Floats
    reml: bool
    convergence: Convergence

    @property
    def model(self) -> ModelMatrix:
        """The table as matrices."""
        return self.prepared.model

    @cached_property
    def factors(self) -> tuple[Floats, ...]:
        """Each term's relative factor."""
        return tuple(factors_of(self.theta, self.prepared.sizes))

    @cached_property
    def state(self) -> _SparseState:
        """The model at the minimum."""
        return self.prepared.state(self.factors, self.answers, reml=self.reml)

    @property
    def beta(self) -> Floats:
        """Fixed effects, (p,)."""
        prepared = self.prepared
        return np.asarray(prepared.basis @ (self.state.u + prepared.X.T @ self.response))

    @property
    def sigma2(self) -> float:
        """Residual variance."""
        return self.state.squares / self.state.free

    @property
    def cov_beta(self) -> Floats:
        """Covariance of the fixed effects given the variances, (p, p)."""
        return np.asarray(self.sigma2 * self.prepared.basis @ self.state.inverse @ self.prepared.basis.T)

    @property
    def criterion(self) -> float:
        """-2 log (restricted) likelihood."""
        return self.state.criterion

    @property
    def log_likelihood(self) -> float:
        """Log likelihood, or -1/2 REML criterion as lme4 has it."""
        return -self.state.criterion / 2

    @cached_property
    def labels(self) -> tuple[VarianceLabel, ...]:
        """Of `phi`."""
        return labels_of(self.model.random)

    @cached_property
    def phi(self) -> Floats:
        """Variances and covariances in the terms' order, the residual variance last."""
        values = [(factor @ factor.T)[row, column] for factor in self.factors for row, column in triangle(len(factor))]
        return np.append(self.sigma2 * np.array(values), self.sigma2)

    @property
    def singular(self) -> bool:
        """Whether a variance is zero or a correlation one."""
        return any(bool(np.any(np.diagonal(factor) == 0)) for factor in self.factors)

    def _absolute(self, free: Floats) -> tuple[list[Floats], float]:
        """Return relative factors and residual variance from absolute ones: theta times sigma, then the variance."""
        sigma2 = float(free[-1])
        whole = np.zeros(len(self.theta))
        whole[self.theta != 0] = free[:-1]
        return factors_of(whole / np.sqrt(sigma2), self.prepared.sizes), sigma2

    @cached_property
    def _free(self) -> Floats:
        return np.append(self.theta[self.theta != 0] * np.sqrt(self.sigma2), self.sigma2)

    def cov_beta_gradient(self) -> Floats:
        """Return dC of the free parameters (nonzero factor entries times sigma, and the variance), (k, p, p)."""
        basis, at = self.prepared.basis, self._free

        def covariance(free: Floats) -> Floats:
            factors, sigma2 = self._absolute(free)
            inverse = self.prepared.state(factors, self.answers, reml=self.reml).inverse
            return np.asarray(sigma2 * basis @ inverse @ basis.T)

        out = []
        for i in range(len(at)):
            shift = np.zeros(len(at))
            shift[i] = 1e-4 * max(abs(at[i]), 1e-3)
            out.append((covariance(at + shift) - covariance(at - shift)) / (2 * shift[i]))
        return np.array(out)

    def phi_covariance(self) -> Floats:
        """Return the covariance of the free parameters' estimates, (k, k): 2 times the inverse Hessian."""

        def deviance(free: Floats) -> float:
            factors, sigma2 = self._absolute(free)
            state = self.prepared.state(factors, self.answers, reml=self.reml)
            return state.log_det + state.free * log(sigma2) + state.squares / sigma2

        return 2 * inverse_curvature(differences(deviance, self._free, 1e-3)[1])

    @cached_property
    def effects(self) -> tuple[Floats, ...]:
        """Conditional modes of each term, (levels, columns)."""
        state, prepared = self.state, self.prepared
        left = prepared.Z.T @ (self.answers - prepared.X @ state.u)
        modes = state.spread @ state.solve(state.spread.T @ left)
        return tuple(modes[part].reshape(-1, q) for part, q in self._parts())

    def _parts(self) -> list[tuple[slice, int]]:
        out, start = [], 0
        for term in self.model.random:
            q = len(term.columns)
            out.append((slice(start, start + q * term.grouping.count), q))
            start += q * term.grouping.count
        return out

    @cached_property
    def effect_covariances(self) -> tuple[Floats, ...]:
        """Covariance of each term's effects given variances and fixed effects, (levels, columns, columns)."""
        spread, out = self.state.spread.tocsr(), []
        for part, q in self._parts():
            blocks = []
            for start in range(part.start, part.stop, CHUNK * q):
                stop = min(start + CHUNK * q, part.stop)
                rows = spread[start:stop]
                both = rows @ self.state.solve(rows.T.toarray())
                count = (stop - start) // q
                blocks.append(np.einsum("iaib->iab", both.reshape(count, q, count, q)))
            out.append(self.sigma2 * np.concatenate(blocks))
        return tuple(out)

    def fitted(self) -> Floats:
        """Return the fitted value of each row, random effects included, (n,)."""
        fixed = self.prepared.X @ (self.state.u + self.prepared.X.T @ self.response)
        return np.asarray(fixed + self.prepared.Z @ np.concatenate([each.ravel() for each in self.effects]))
