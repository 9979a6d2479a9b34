"""A fitted linear mixed model in numbers: what inference, tables and simulations ask of it.

Sources: Bates, Maechler, Bolker & Walker 2015 (J. Stat. Softw. 67(1)); Harville 1977 (JASA 72, 320); Kenward & Roger
1997 (Biometrics 53, 983).
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blindtest.errors import BlindtestError, Fault
from blindtest.stats.mixed.block_layout import block_layout
from blindtest.stats.mixed.crossproducts import Answers, Design, answers_of, design_of
from blindtest.stats.mixed.curvature import inverse_curvature, steepness_ratio
from blindtest.stats.mixed.descent import Minimum, minimum_of
from blindtest.stats.mixed.kenward_roger import KenwardRoger
from blindtest.stats.mixed.model_matrix import ModelMatrix
from blindtest.stats.mixed.moments import FixedForms, Moments, fixed_forms, moments_of
from blindtest.stats.mixed.profile import Directions, State, directions_of, state_at
from blindtest.stats.mixed.relative_factors import bend_of, jacobian_of, symmetric_of, triangle
from blindtest.stats.mixed.response import checked_response, refuse_without_residuals, refuse_without_spread
from blindtest.stats.mixed.sparse_fit import PreparedSparse, SparseFit, sparse_prepared
from blindtest.stats.mixed.variance_label import VarianceLabel, labels_of
from blindtest.stats.pair_model import Convergence

__all__ = ["AnyLinearFit", "LinearFit", "PreparedLinear", "prepared_for", "prepared_linear"]

Floats = NDArray[np.float64]

BLURRED = 1e12
"""Ratio of curvatures above which fewer than four digits of the degrees of freedom are left."""
MOST_REST = 2000
"""Effects of the rest up to which it is a dense matrix."""
MOST_HELD = 100_000_000
"""Numbers in the blocks' cross-products up to which they are held."""


@dataclass(frozen=True, kw_only=True, eq=False)
class PreparedLinear:
    """Everything of a linear mixed model that doesn't depend on the response."""

    model: ModelMatrix
    design: Design
    directions: Directions

    def fit(
        self,
        response: ArrayLike | None = None,
        *,
        reml: bool = True,
        start: Floats | None = None,
        thorough: bool = True,
    ) -> "LinearFit":
        """Fit one response: a value for each row that is used, or the table's own.

        Parameters
        ----------
        response : (n,)
        start : relative factors to start from, `theta` of a fit to similar answers
        thorough : where a variance ends at zero, search again from elsewhere; simulations may do without
        """
        y = checked_response(response, self.model)
        answers = answers_of(self.design, y)
        refuse_without_spread(answers.yy, y, self.model)
        minimum = minimum_of(self.design, answers, self.directions, reml=reml, start=start, thorough=thorough)
        refuse_without_residuals(minimum.state.squares, answers.yy, self.model)
        convergence = _convergence(minimum, self.model.n)
        return LinearFit(prepared=self, answers=answers, minimum=minimum, convergence=convergence)


def prepared_linear(model: ModelMatrix) -> PreparedLinear:
    """Reduce a model's rows once, to blocks and a small rest.

    Raises
    ------
    BlindtestError
        As many fixed effects as rows, or as many random effects of one part; a rest too large to be a dense matrix.
    """
    prepared = prepared_for(model)
    if isinstance(prepared, PreparedSparse):
        raise BlindtestError(
            Fault(
                problem="no group of the random part leaves the others few enough for blocks",
                key="random",
                got=" ".join(f"{term.group}: {term.grouping.count}" for term in model.random),
                allowed=f"up to {MOST_REST} effects beside one group's",
                remedy="fit_linear_mixed fits it by sparse factorisation",
            )
        )
    return prepared


def prepared_for(model: ModelMatrix) -> PreparedLinear | PreparedSparse:
    """Reduce a model's rows once: to blocks and a small rest where the random part has them, else sparsely."""
    faults = []
    if model.n <= len(model.terms):
        faults.append(
            Fault(
                problem=f"{model.n} rows can't give {len(model.terms)} fixed effects and a residual variance",
                key="formula",
            )
        )
    faults += [
        Fault(
            problem=f"{term.grouping.count} levels x {len(term.columns)} columns: as many effects as rows ({model.n})",
            key=f"random.{term.group}",
            remedy="leave columns or the part out",
        )
        for term in model.random
        if term.grouping.count * len(term.columns) >= model.n
    ]
    if faults:
        raise BlindtestError(*faults)
    layout = block_layout(model.random)
    held = layout.blocks * layout.width * (layout.width + layout.rest + len(model.terms))
    if layout.rest > MOST_REST or held > MOST_HELD:
        return sparse_prepared(model)
    design = design_of(model, layout)
    return PreparedLinear(model=model, design=design, directions=directions_of(design))


def _convergence(minimum: Minimum, n: int) -> Convergence:
    return Convergence(
        converged=minimum.converged,
        steps=minimum.steps,
        gradient=float(np.abs(minimum.slope).max(initial=0.0)) / n,
        criterion=f"deviance expected to fall by {minimum.fall:.2g} at most",
        start="variances by moments from the residual one, correlations at 0",
        remedy=""
        if minimum.converged
        else "centre the column of a slope, or leave out the part with the smallest variance, and compare",
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class LinearFit:
    """Estimates of one response; all else is worked out when asked for."""

    prepared: PreparedLinear
    answers: Answers
    minimum: Minimum
    convergence: Convergence

    @property
    def state(self) -> State:
        """The model at the minimum."""
        return self.minimum.state

    @property
    def design(self) -> Design:
        """The reduced rows."""
        return self.prepared.design

    @property
    def model(self) -> ModelMatrix:
        """The table as matrices."""
        return self.prepared.model

    @property
    def factors(self) -> tuple[Floats, ...]:
        """Each term's relative factor."""
        return self.state.factors

    @property
    def response(self) -> Floats:
        """The answers that were fitted, (n,)."""
        return self.answers.response

    @property
    def reml(self) -> bool:
        """Whether the restricted likelihood was maximised."""
        return self.state.reml

    @property
    def theta(self) -> Floats:
        """Relative factors: each term's lower triangle, column by column."""
        return self.minimum.theta

    @cached_property
    def beta(self) -> Floats:
        """Fixed effects, (p,)."""
        return np.asarray(self.answers.start + self.design.basis @ self.state.u[self.design.rest :])

    @property
    def sigma2(self) -> float:
        """Residual variance."""
        return self.state.sigma2

    @cached_property
    def cov_beta(self) -> Floats:
        """Covariance of the fixed effects given the variances, (p, p)."""
        return self._covariance(self.state)

    def _covariance(self, state: State, sigma2: float | None = None) -> Floats:
        rest, basis = self.design.rest, self.design.basis
        scale = state.sigma2 if sigma2 is None else sigma2
        return np.asarray(scale * basis @ state.N[rest:, rest:] @ basis.T)

    @property
    def criterion(self) -> float:
        """-2 log (restricted) likelihood."""
        return self.state.criterion

    @property
    def log_likelihood(self) -> float:
        """Log likelihood, or -1/2 REML criterion as lme4 has it (no log|X'X|)."""
        return -self.state.criterion / 2

    @cached_property
    def labels(self) -> tuple[VarianceLabel, ...]:
        """Of `phi`."""
        return labels_of(self.model.random)

    @cached_property
    def phi(self) -> Floats:
        """Variances and covariances in the terms' order, the residual variance last."""
        return np.append(self.sigma2 * self._relative, self.sigma2)

    @cached_property
    def _relative(self) -> Floats:
        covariances = [factor @ factor.T for factor in self.state.factors]
        return np.array([covariances[d.term][d.row, d.column] for d in self.prepared.directions.all])

    @cached_property
    def zero(self) -> NDArray[np.bool_]:
        """Which of `phi` are at zero because a variance is: left out of degrees of freedom."""
        factors = self.state.factors
        spread = [(factor**2).sum(axis=1) for factor in factors]
        gone = [spread[d.term][d.row] == 0 or spread[d.term][d.column] == 0 for d in self.prepared.directions.all]
        return np.array([*gone, False])

    @property
    def singular(self) -> bool:
        """Whether a variance is zero or a correlation one."""
        return any(np.any(np.diagonal(factor) == 0) for factor in self.state.factors)

    @cached_property
    def moments(self) -> Moments:
        """Traces and quadratic forms at the minimum."""
        return moments_of(self.state, self.prepared.directions)

    @cached_property
    def forms(self) -> FixedForms:
        """Forms in the fixed part at the minimum, in its orthonormal basis."""
        return fixed_forms(self.state, self.prepared.directions)

    def cov_beta_at(self, phi: ArrayLike) -> Floats:
        """Return the covariance of the fixed effects at other variances and covariances, (p, p)."""
        values = np.asarray(phi, dtype=np.float64)
        sigma2, start, factors = float(values[-1]), 0, []
        for place in self.design.layout.places:
            matrix = np.zeros((place.size, place.size))
            for direction in (d for d in self.prepared.directions.all if d.term == place.term):
                matrix[direction.row, direction.column] = matrix[direction.column, direction.row] = values[start]
                start += 1
            roots, vectors = np.linalg.eigh(matrix / sigma2)
            factors.append(vectors * np.sqrt(np.maximum(roots, 0.0)))
        return self._covariance(state_at(self.design, self.answers, factors, reml=self.reml), sigma2)

    def cov_beta_gradient(self) -> Floats:
        """Return dC/dphi of the free variance parameters, (k, p, p); see `_free`."""
        return np.tensordot(self._free.T, self._gradient, axes=1)

    def phi_covariance(self) -> Floats:
        """Return the covariance of the free variance parameters' estimates, (k, k): 2 times the inverse Hessian."""
        return 2 * inverse_curvature(self._free_curvature)

    @property
    def _free_curvature(self) -> Floats:
        return np.asarray(self._free.T @ self._curvature @ self._free + self._bend)

    @property
    def blurred(self) -> bool:
        """Whether rounding blurs the curvature that degrees of freedom rest on: a slope's column far from zero."""
        return steepness_ratio(self._free_curvature) > BLURRED

    @cached_property
    def _gradient(self) -> Floats:
        """dC/dphi of all, the residual variance last, (k + 1, p, p)."""
        rest, basis = self.design.rest, self.design.basis
        N = self.state.N[rest:, rest:]
        first = self.forms.first
        residual = np.linalg.inv(N) - np.tensordot(self._relative, first, axes=1)
        inside = N @ np.concatenate([first, residual[None]]) @ N
        return np.asarray(basis @ inside @ basis.T)

    @cached_property
    def _complete(self) -> Moments:
        """The moments with the residual variance as the last direction: its K is V less all others."""
        moments, relative, state = self.moments, self._relative, self.state
        trace = np.append(moments.trace, state.free - relative @ moments.trace)
        square = np.append(moments.square, state.squares - relative @ moments.square)
        pairs = []
        for first, second in ((trace, moments.traces), (square, moments.squares)):
            last = first[:-1] - second @ relative
            corner = first[-1] - relative @ last
            pairs.append(np.block([[second, last[:, None]], [last[None, :], np.array([[corner]])]]))
        return Moments(trace=trace, square=square, traces=pairs[0], squares=pairs[1])

    @cached_property
    def _curvature(self) -> Floats:
        """Second derivatives of the deviance (not profiled) in phi."""
        complete, sigma2 = self._complete, self.sigma2
        return np.asarray(-complete.traces / sigma2**2 + 2 * complete.squares / sigma2**3)

    @cached_property
    def _free(self) -> Floats:
        """d phi / d free parameters, (k + 1, free).

        The free parameters are variances and covariances that aren't at zero. A term whose correlation is at one has no
        neighbourhood in those either; there they are the factor's columns that aren't zero.
        """
        return self._coordinates[0]

    @property
    def _bend(self) -> Floats:
        return self._coordinates[1]

    @cached_property
    def _coordinates(self) -> tuple[Floats, Floats]:
        factors = [factor * np.sqrt(self.sigma2) for factor in self.state.factors]
        jacobian, bend = np.eye(len(self.phi)), np.zeros((len(self.phi), len(self.phi)))
        keep, start = ~self.zero, 0
        complete = self._complete
        raw = (complete.trace - complete.square / self.sigma2)[:-1]
        slopes = symmetric_of(raw, [len(factor) for factor in factors], halved=True)
        for factor, slope in zip(factors, slopes, strict=True):
            q = len(factor)
            size = q * (q + 1) // 2
            variances = (factor**2).sum(axis=1) > 0
            if q > 1 and np.any(variances & (np.diagonal(factor) == 0)):
                part = slice(start, start + size)
                jacobian[part, part] = jacobian_of([factor])
                bend[part, part] = bend_of([slope / self.sigma2])
                keep[part] = [factor[column, column] != 0 and bool(variances[row]) for row, column in triangle(q)]
            start += size
        return jacobian[:, keep], bend[np.ix_(keep, keep)]

    def kenward_roger(self) -> KenwardRoger:
        """Return Kenward and Roger's adjusted covariance and degrees of freedom, variances at zero left out."""
        if not self.reml:
            raise ValueError("Kenward and Roger's adjustment is one of REML fits")
        rest, basis = self.design.rest, self.design.basis
        N, relative, sigma2 = self.state.N[rest:, rest:], self._relative, self.sigma2
        first, second = self.forms.first, self.forms.second
        residual = np.linalg.inv(N) - np.tensordot(relative, first, axes=1)
        crossed = first - np.tensordot(second, relative, axes=([1], [0]))
        corner = residual - np.tensordot(relative, crossed, axes=1)
        k, p = len(first) + 1, len(N)
        P, Q = np.concatenate([first, residual[None]]), np.empty((k, k, p, p))
        Q[:-1, :-1], Q[:-1, -1], Q[-1, :-1], Q[-1, -1] = second, crossed, crossed.transpose(0, 2, 1), corner
        keep = ~self.zero
        P, Q = P[keep] / sigma2**2, Q[np.ix_(keep, keep)] / sigma2**3
        C = sigma2 * N
        inverse = 2 * inverse_curvature(self._complete.traces[np.ix_(keep, keep)] / sigma2**2)
        adjustment = np.einsum("rs,rsij->ij", inverse, Q - np.einsum("rij,jk,skl->rsil", P, C, P))
        adjusted = C + 2 * C @ ((adjustment + adjustment.T) / 2) @ C
        back = np.linalg.inv(basis)
        return KenwardRoger(
            cov_beta=self.cov_beta,
            cov_adjusted=np.asarray(basis @ adjusted @ basis.T),
            slopes=np.asarray(-back.T @ P @ back),
            information_inverse=inverse,
        )

    @cached_property
    def effects(self) -> tuple[Floats, ...]:
        """Conditional modes of each term, (levels, columns)."""
        layout, state = self.design.layout, self.state
        F = state.shrinkage[self.design.pattern]
        left = self.answers.each - (self.design.ZW @ state.u)[self.design.pattern]
        scores = (F @ left[:, :, None])[:, :, 0]
        out = []
        for place, factor in zip(layout.places, state.factors, strict=True):
            slots = place.start + place.local[:, None] * place.size + np.arange(place.size)
            if place.root is None:
                out.append(state.u[: self.design.rest][slots])
            else:
                out.append(scores[place.root[:, None], slots] @ (factor @ factor.T))
        return tuple(out)

    @cached_property
    def effect_covariances(self) -> tuple[Floats, ...]:
        """Covariance of each term's effects given the variances and fixed effects, (levels, columns, columns)."""
        layout, state, rest = self.design.layout, self.state, self.design.rest
        N = state.N_without_fixed[:rest, :rest]
        OW = state.OW[:, :, :rest]
        inner = state.omega + OW @ N @ OW.transpose(0, 2, 1)
        out = []
        for place in layout.places:
            slots = place.start + place.local[:, None] * place.size + np.arange(place.size)
            if place.root is None:
                values = N[slots[:, :, None], slots[:, None, :]]
            else:
                values = inner[self.design.pattern[place.root][:, None, None], slots[:, :, None], slots[:, None, :]]
            out.append(self.sigma2 * values)
        return tuple(out)

    def fitted(self) -> Floats:
        """Return the fitted value of each row, random effects included, (n,)."""
        out = (self.model.fixed @ self.beta)[self.model.distinct]
        for term, effects in zip(self.model.random, self.effects, strict=True):
            of_rows = effects[term.codes]
            out = out + (of_rows[:, 0] if term.slope_rows is None else (of_rows * term.values).sum(axis=1))
        return out


AnyLinearFit = LinearFit | SparseFit
