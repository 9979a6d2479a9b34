"""Preferences whose strengths deviate from listener to listener and clip to clip: the likelihood, by Laplace.

The advantage of the first item of a pair is x = (strengths' difference) + order, as in strengths.py, plus deviations:
those of a listener's (and of a clip's) own strengths, and of a listener's own order effect. A part of standard
deviation tau adds tau (e_first - e_second), e standard normal per listener and item; only differences are heard, so e
is written in coordinates that sum to zero over items. The order part adds tau e, one e per listener.

All e are found together at the mode of their joint density with the answers, which is concave; Laplace's approximation
takes the curvature there (observed and expected information agree, the link being canonical); its gradient is exact,
by the third cumulants of an answer. Listeners are eliminated one by one, what clips share is left: one evaluation costs
listeners times the cube of items, and the cube of clips times items.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

__all__ = ["PARTS", "DeviationModel", "Mode"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
PARTS = ("listener", "clip", "listener:order")
MOST_STEPS = 100
SMALL_STEP = 1e-11


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mode:
    """Where the deviations lie, in standard deviations, and the curvature there."""

    own: Floats
    """(listeners, q1)"""
    shared: Floats
    """(clips, q2)"""
    curvature: "Curvature"
    penalised: float
    """Log-likelihood at the mode less half the sum of squares of the deviations."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DeviationModel:
    """Distinct rows: who, on which clip, which pair, how it ended, and how often."""

    advantage: Floats
    """(rows, p): fixed part of the advantage of the first: strengths that sum to zero, then order if in the model."""
    contrast: Floats
    """(rows, items - 1): first minus second item, in orthonormal coordinates that sum to zero."""
    outcome: Ints
    """(rows,): 0 first, 1 second, 2 tie."""
    weights: Floats
    listeners: Ints
    clips: Ints
    counts: tuple[int, int]
    """Listeners and clips."""
    has_ties: bool
    parts: tuple[str, ...]
    """In the order of `PARTS`."""

    @property
    def size(self) -> int:
        """Number of fixed parameters, log nu among them; the parts' standard deviations follow."""
        return int(self.advantage.shape[1]) + int(self.has_ties)

    def without(self, part: str) -> "DeviationModel":
        """Return the model without a part."""
        return replace(self, parts=tuple(name for name in self.parts if name != part))

    def mode(self, parameters: Floats, start: Mode | None = None) -> Mode:
        """Return the mode of the deviations, by Newton steps that are halved until the criterion rises."""
        fixed, log_nu, own_z, shared_z = self._designs(parameters)
        (n1, n2), q1, q2 = self.counts, own_z.shape[1], shared_z.shape[1]
        own = start.own if start is not None else np.zeros((n1, q1))
        shared = start.shared if start is not None else np.zeros((n2, q2))

        def answers(u: Floats, v: Floats) -> "_Answers":
            return _Answers.of(fixed + _dot(own_z, u[self.listeners]) + _dot(shared_z, v[self.clips]), log_nu)

        def height(at: "_Answers", u: Floats, v: Floats) -> float:
            return float(self.weights @ at.log_p(self.outcome)) - (float(np.sum(u**2)) + float(np.sum(v**2))) / 2

        at = answers(own, shared)
        reached = height(at, own, shared)
        for _ in range(MOST_STEPS):
            score = self.weights * at.score(self.outcome)
            curvature = Curvature.of(self, own_z, shared_z, self.weights * at.variance)
            move_u, move_v = curvature.solved(
                _added(own_z * score[:, None], self.listeners, n1) - own,
                _added(shared_z * score[:, None], self.clips, n2) - shared,
            )
            if max(np.max(np.abs(move_u), initial=0.0), np.max(np.abs(move_v), initial=0.0)) <= SMALL_STEP:
                break
            for _ in range(40):
                at = answers(own + move_u, shared + move_v)
                new = height(at, own + move_u, shared + move_v)
                if new >= reached - 1e-13 * abs(reached):
                    break
                move_u, move_v = move_u / 2, move_v / 2
            own, shared, reached = own + move_u, shared + move_v, new
        return Mode(own=own, shared=shared, curvature=curvature, penalised=reached)

    def laplace(self, parameters: Floats, start: Mode | None = None) -> tuple[float, Floats, Mode]:
        """Return the approximate log-likelihood over single answers, its gradient, and the mode it rests on."""
        mode = self.mode(parameters, start)
        fixed, log_nu, own_z, shared_z = self._designs(parameters)
        n1, n2 = self.counts
        y_own, y_shared = mode.curvature.applied(own_z, shared_z, self.listeners, self.clips)
        at = _Answers.of(
            fixed + _dot(own_z, mode.own[self.listeners]) + _dot(shared_z, mode.shared[self.clips]), log_nu
        )
        leverage = _dot(own_z, y_own) + _dot(shared_z, y_shared)
        # How the curvature's determinant feels each row's x, at once and through the mode, which moves with it.
        third = self.weights * leverage * at.third
        moved_own, moved_shared = mode.curvature.solved(
            _added(own_z * third[:, None], self.listeners, n1), _added(shared_z * third[:, None], self.clips, n2)
        )
        moved_own, moved_shared = moved_own[self.listeners], moved_shared[self.clips]
        b = _dot(own_z, moved_own) + _dot(shared_z, moved_shared)
        score, w = self.weights * at.score(self.outcome), self.weights * at.variance
        by_x = score - (third - w * b) / 2
        slope = [self.advantage.T @ by_x]
        if self.has_ties:
            through = leverage * (2 * at.mean**2 - at.square) + b * at.mean
            slope.append(np.array([self.weights @ ((self.outcome == 2) - at.tie - at.tie * through / 2)]))
        for part, columns in self._columns():
            tau = parameters[self.size + self.parts.index(part)]
            z, y, moved, e = (
                (shared_z, y_shared, moved_shared, mode.shared[self.clips])
                if part == "clip"
                else (
                    own_z[:, columns],
                    y_own[:, columns],
                    moved_own[:, columns],
                    mode.own[self.listeners][:, columns],
                )
            )
            by_tau = by_x @ _dot(z, e) - w @ _dot(z, y) - score @ _dot(z, moved) / 2
            slope.append(np.array([by_tau / tau if tau != 0 else 0.0]))
        return mode.penalised - mode.curvature.log_determinant / 2, np.concatenate(slope), mode

    def deviations(self, parameters: Floats, mode: Mode, basis: Floats) -> tuple[Floats, Floats]:
        """Return listeners' deviations of strengths (listeners, items) at the mode, and their standard errors."""
        tau = float(parameters[self.size + self.parts.index("listener")])
        q = basis.shape[1]
        covariance = mode.curvature.own_covariance[:, :q, :q]
        spread = np.einsum("iq,lqs,is->li", basis, covariance, basis)
        return tau * mode.own[:, :q] @ basis.T, tau * np.sqrt(np.maximum(spread, 0.0))

    def _columns(self) -> list[tuple[str, slice]]:
        """Return each part and its columns among those of the listeners."""
        q = self.contrast.shape[1]
        order = slice(q, q + 1) if "listener" in self.parts else slice(0, 1)
        place = {"listener": slice(0, q), "clip": slice(0, 0), "listener:order": order}
        return [(part, place[part]) for part in self.parts]

    def _designs(self, parameters: Floats) -> tuple[Floats, float, Floats, Floats]:
        p = self.advantage.shape[1]
        taus = dict(zip(self.parts, parameters[self.size :].tolist(), strict=True))
        rows = len(self.outcome)
        own = [np.empty((rows, 0))]
        if "listener" in taus:
            own.append(taus["listener"] * self.contrast)
        if "listener:order" in taus:
            own.append(np.full((rows, 1), taus["listener:order"]))
        shared = taus["clip"] * self.contrast if "clip" in taus else np.empty((rows, 0))
        log_nu = float(parameters[p]) if self.has_ties else -np.inf
        return self.advantage @ parameters[:p], log_nu, np.concatenate(own, axis=1), shared


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Answers:
    """Probabilities of the three answers to each row, and cumulants of x's sufficient statistic, +1/2, -1/2, 0."""

    weights: Floats
    """(3, rows): log weights of first, second, tie."""
    total: Floats
    first: Floats
    second: Floats
    tie: Floats

    @staticmethod
    def of(x: Floats, log_nu: float) -> "_Answers":
        weights = np.stack((x / 2, -x / 2, np.full(len(x), log_nu)))
        total = np.logaddexp(np.logaddexp(weights[0], weights[1]), weights[2])
        first, second, tie = np.exp(weights - total)
        return _Answers(weights=weights, total=total, first=first, second=second, tie=tie)

    def log_p(self, outcome: Ints) -> Floats:
        return np.asarray(self.weights[outcome, np.arange(len(outcome))] - self.total)

    def score(self, outcome: Ints) -> Floats:
        return np.asarray(np.array([0.5, -0.5, 0.0])[outcome] - self.mean)

    @property
    def mean(self) -> Floats:
        return (self.first - self.second) / 2

    @property
    def square(self) -> Floats:
        return (self.first + self.second) / 4

    @property
    def variance(self) -> Floats:
        return self.square - self.mean**2

    @property
    def third(self) -> Floats:
        return (self.first - self.second) / 8 - 3 * self.mean * self.square + 2 * self.mean**3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curvature:
    """Minus the Hessian in the deviations: a block per listener, one for all clips, and what joins them; inverted."""

    own_inverse: Floats
    """(listeners, q1, q1): of the listeners' blocks alone."""
    reach: Floats
    """(listeners, q1, clips q2): that inverse times what joins."""
    shared_inverse: Floats
    """(clips q2, clips q2): of what is left for the clips once listeners are eliminated."""
    log_determinant: float
    clips: int

    @staticmethod
    def of(model: DeviationModel, own_z: Floats, shared_z: Floats, w: Floats) -> "Curvature":
        """Return it for these designs and the rows' weighted variances `w`."""
        (n1, n2), q1, q2 = model.counts, own_z.shape[1], shared_z.shape[1]
        weighted = own_z * w[:, None]
        own = _added(weighted[:, :, None] * own_z[:, None, :], model.listeners, n1) + np.eye(q1)
        shared = np.zeros((n2, q2, n2, q2))
        diagonal = _added((shared_z * w[:, None])[:, :, None] * shared_z[:, None, :], model.clips, n2)
        shared[np.arange(n2), :, np.arange(n2), :] = diagonal + np.eye(q2)
        pair = model.listeners * n2 + model.clips
        crossed = _added(weighted[:, :, None] * shared_z[:, None, :], pair, n1 * n2)
        joining = crossed.reshape(n1, n2, q1, q2).transpose(0, 2, 1, 3).reshape(n1, q1, n2 * q2)
        own_inverse = np.asarray(np.linalg.inv(own), dtype=np.float64)
        reach = own_inverse @ joining
        size = n2 * q2
        left = shared.reshape(size, size) - joining.reshape(n1 * q1, size).T @ reach.reshape(n1 * q1, size)
        return Curvature(
            own_inverse=own_inverse,
            reach=reach,
            shared_inverse=np.asarray(np.linalg.inv(left), dtype=np.float64),
            log_determinant=float(np.linalg.slogdet(own)[1].sum()) + float(np.linalg.slogdet(left)[1]),
            clips=n2,
        )

    def solved(self, u: Floats, v: Floats) -> tuple[Floats, Floats]:
        """Return the solution of the curvature times it = (u, v)."""
        shared = self.shared_inverse @ (v.ravel() - np.einsum("lqc,lq->c", self.reach, u))
        own = np.einsum("lqs,ls->lq", self.own_inverse, u) - self.reach @ shared
        return own, shared.reshape(v.shape)

    @property
    def own_covariance(self) -> Floats:
        """The listeners' blocks of the inverse, (listeners, q1, q1)."""
        return np.asarray(self.own_inverse + self.reach @ self.shared_inverse @ self.reach.transpose(0, 2, 1))

    def applied(self, own_z: Floats, shared_z: Floats, listeners: Ints, clips: Ints) -> tuple[Floats, Floats]:
        """Return the inverse times each row's design, in that row's own listener and clip."""
        n1, q1 = self.own_inverse.shape[:2]
        n2, q2 = self.clips, shared_z.shape[1]
        crossed = -(self.reach @ self.shared_inverse).reshape(n1, q1, n2, q2)[listeners, :, clips, :]
        shared = self.shared_inverse.reshape(n2, q2, n2, q2)[clips, :, clips, :]
        own = np.einsum("rqs,rs->rq", self.own_covariance[listeners], own_z)
        own += np.einsum("rqs,rs->rq", crossed, shared_z)
        return own, np.einsum("rqs,rq->rs", crossed, own_z) + np.einsum("rqs,rs->rq", shared, shared_z)


def _dot(a: Floats, b: Floats) -> Floats:
    """Return the rows' products, added over columns."""
    return np.asarray(np.einsum("rq,rq->r", a, b))


def _added(values: Floats, place: Ints, count: int) -> Floats:
    """Return the sums of the rows of each group, (count, ...)."""
    shape = values.shape[1:]
    flat = values.reshape(len(values), -1)
    width = flat.shape[1]
    bins = (place[:, None] * width + np.arange(width)).ravel()
    return np.asarray(np.bincount(bins, flat.ravel(), count * width), dtype=np.float64).reshape(count, *shape)
