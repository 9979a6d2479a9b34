"""The profiled deviance of a linear mixed model, its slope and curvature, from the sums of products.

With V = I + Z G Z' (relative to the residual variance), the rows of block g come in as

    E_g = Z_g'V_B^-1 W = (I + S_g G)^-1 Z_g'W,   D_g = Z_g'V_B^-1 Z_g,   A = W'V_B^-1 W,

V_B holding the blocks' effects only and W = [rest, fixed part]. The rest and the fixed part are then taken out by one
dense matrix, N = L (L'AL + I)^-1 L' (1 on the rest, 0 on the fixed part): P = V_B^-1 - V_B^-1 W N W'V_B^-1. Residual
variance and fixed effects are profiled out. Factors are those of lme4's parametrisation, G = L L' for each level; L
may be singular throughout.

Sources: Bates, Maechler, Bolker & Walker 2015 (J. Stat. Softw. 67(1)) for the profiled criterion; Harville 1977 (JASA
72, 320) and Wolfinger, Tobias & Sall 1994 (SIAM J. Sci. Comput. 15, 1294) for the derivatives.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import log, pi

import numpy as np
from numpy.typing import NDArray

from blindtest.stats.mixed.crossproducts import Answers, Design

__all__ = ["Direction", "Directions", "State", "directions_of", "state_at", "times"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

ROUNDING = 1e-14
"""Share of the squares below which y'Py is rounding: a random part that reproduces every answer."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Direction:
    """What one (co)variance adds to G: ones at pairs of slots, the same in every block, or in the rest."""

    term: int
    row: int
    column: int
    """Columns of the term; equal for a variance."""
    in_block: bool
    rows: Ints
    columns: Ints


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Directions:
    """All (co)variances of a model: those of the blocks, then those of the rest (`order` brings them to the terms')."""

    all: tuple[Direction, ...]
    """In the terms' order; of each term the lower triangle, column by column as lme4 has its theta."""
    block: tuple[int, ...]
    rest: tuple[int, ...]
    masks: Floats
    """(directions in the blocks, width, width)"""
    diagonal: Floats | None
    """(width, directions in the blocks): which slot belongs to which, where all terms have one column."""
    diagonal_rest: Floats | None
    """(rest, directions in the rest): the same for the rest."""


def directions_of(design: Design) -> Directions:
    """Return the model's (co)variances."""
    found = []
    for place in design.layout.places:
        level = place.start + place.size * np.arange(place.slots)
        for column in range(place.size):
            for row in range(column, place.size):
                one = level + row
                other = one if row == column else level + column
                found.append(
                    Direction(
                        term=place.term,
                        row=row,
                        column=column,
                        in_block=place.root is not None,
                        rows=one if row == column else np.concatenate([one, other]),
                        columns=other if row == column else np.concatenate([other, one]),
                    )
                )
    block = tuple(i for i, direction in enumerate(found) if direction.in_block)
    width = design.layout.width
    masks = np.zeros((len(block), width, width))
    for mask, i in zip(masks, block, strict=True):
        mask[found[i].rows, found[i].columns] = 1.0
    outer = tuple(i for i, direction in enumerate(found) if not direction.in_block)
    plain = all(place.size == 1 for place in design.layout.places)
    of_rest = np.zeros((design.rest, len(outer)))
    for k, i in enumerate(outer):
        of_rest[found[i].rows, k] = 1.0
    return Directions(
        all=tuple(found),
        block=block,
        rest=outer,
        masks=masks,
        diagonal=np.ascontiguousarray(np.diagonal(masks, axis1=1, axis2=2).T) if plain else None,
        diagonal_rest=of_rest if plain else None,
    )


def state_at(design: Design, answers: Answers, factors: Sequence[Floats], *, reml: bool) -> "State":
    """Return the criterion at these relative factors: for each term a lower triangle (q, q)."""
    from scipy.linalg.lapack import dpotrf, dtrtrs

    rest, p = design.rest, design.p
    m = rest + p
    inner, outer = _spread(design, factors)
    omega, log_det = _block_inverse(design.ZZ, inner)
    OW = times(omega, design.ZW)
    weighted = (design.sharing[:, None, None] * OW).reshape(-1, m)
    A = design.WW - design.ZW.reshape(-1, m).T @ weighted
    Ay = answers.Wy - weighted.T @ answers.mean.reshape(-1)
    Oy = times(omega, answers.mean[:, :, None])[:, :, 0]
    yy = answers.yy - float(design.sharing @ (answers.mean * Oy).sum(axis=1))
    if answers.scatter is not None:
        yy -= float((omega * answers.scatter).sum())

    middle = A * outer * outer[:, None] if outer.ndim == 1 else outer.T @ A @ outer
    middle.flat[: rest * (m + 1) : m + 1] += 1.0
    root, failed = dpotrf(middle, lower=1, clean=1)
    if failed:
        raise np.linalg.LinAlgError("the relative covariance is not positive definite to rounding")
    half = dtrtrs(root, np.diag(outer) if outer.ndim == 1 else outer.T, lower=1)[0]
    N = half.T @ half
    without = np.zeros((m, m))
    without[:rest, :rest] = half[:rest, :rest].T @ half[:rest, :rest]
    u = N @ Ay
    squares = max(yy - float(Ay @ u), ROUNDING * answers.yy)
    diagonal = np.log(np.diagonal(root))
    free = design.n - p if reml else design.n
    criterion = (
        float(design.sharing @ log_det) + 2 * float(diagonal[:rest].sum()) + free * (1 + log(2 * pi * squares / free))
    )
    if reml:
        criterion += 2 * float(diagonal[rest:].sum()) + design.log_det
    return State(
        design=design,
        answers=answers,
        factors=tuple(factors),
        reml=reml,
        criterion=criterion,
        squares=squares,
        free=free,
        omega=omega,
        OW=OW,
        A=A,
        Ay=Ay,
        N=N,
        N_without_fixed=without,
        u=u,
    )


def _spread(design: Design, factors: Sequence[Floats]) -> tuple[Floats, Floats]:
    """Return the factors at the slots of a block and at those of the rest and the fixed part (ones there).

    Where all terms have one column both are diagonals.
    """
    layout, rest, p = design.layout, design.rest, design.p
    if all(place.size == 1 for place in layout.places):
        inner, outer = np.empty(layout.width), np.ones(rest + p)
        for place, factor in zip(layout.places, factors, strict=True):
            diagonal = inner if place.root is not None else outer
            diagonal[place.start : place.start + place.slots] = factor[0, 0]
        return inner, outer
    in_block, in_rest = np.zeros((layout.width, layout.width)), np.eye(rest + p)
    for place, factor in zip(layout.places, factors, strict=True):
        target = in_block if place.root is not None else in_rest
        for k in range(place.start, place.start + place.slots * place.size, place.size):
            target[k : k + place.size, k : k + place.size] = factor
    return in_block, in_rest


def times(left: Floats, right: Floats) -> Floats:
    """Return left @ right of many small matrices; blocks of one slot, the usual case, need no matrix product.

    The result is (J, a, c).

    Parameters
    ----------
    left : (J, a, b)
    right : (J, b, c)
    """
    return left * right if left.shape[-1] == 1 and left.shape[-2] == 1 else left @ right


def _block_inverse(ZZ: Floats, factor: Floats) -> tuple[Floats, Floats]:
    """Return G(I + SG)^-1, (patterns, width, width), and log|I + SG|, (patterns,), for every pattern's S."""
    width = len(factor)
    if width == 1:
        square = float(factor.flat[0]) ** 2
        inside = 1.0 + ZZ * square
        return square / inside, np.log(inside[:, 0, 0])
    plain = factor.ndim == 1
    inside = ZZ * factor * factor[:, None] if plain else factor.T @ ZZ @ factor
    inside[:, np.arange(width), np.arange(width)] += 1.0
    log_det = 2 * np.log(np.diagonal(np.linalg.cholesky(inside), axis1=1, axis2=2)).sum(axis=1)
    inverse = np.linalg.inv(inside)
    return inverse * factor * factor[:, None] if plain else factor @ inverse @ factor.T, log_det


@dataclass(frozen=True, kw_only=True, eq=False)
class State:
    """The model at given relative factors; what else is asked of it is worked out when asked."""

    design: Design
    answers: Answers
    factors: tuple[Floats, ...]
    reml: bool
    criterion: float
    """-2 log restricted likelihood (REML, without log|X'X|), or -2 log likelihood, profiled."""
    squares: float
    """y'Py."""
    free: int
    """n - p under REML, else n."""
    omega: Floats
    OW: Floats
    A: Floats
    Ay: Floats
    N: Floats
    N_without_fixed: Floats
    u: Floats
    """(rest + p,): effects of the rest, then coefficients of the orthonormal basis."""

    @property
    def sigma2(self) -> float:
        """Residual variance."""
        return self.squares / self.free

    @property
    def outer_of_traces(self) -> Floats:
        """N of the traces: REML projects the fixed part out, ML does not."""
        return self.N if self.reml else self.N_without_fixed

    @cached_property
    def shrinkage(self) -> Floats:
        """(I + SG)^-1, (patterns, width, width)."""
        width = self.design.layout.width
        return np.eye(width) - times(self.design.ZZ, self.omega)

    @cached_property
    def within(self) -> Floats:
        """Z_g'V_B^-1 Z_g, (patterns, width, width)."""
        return times(self.shrinkage, self.design.ZZ)

    @cached_property
    def across(self) -> Floats:
        """Z_g'V_B^-1 W, (patterns, width, rest + p)."""
        return times(self.shrinkage, self.design.ZW)

    @cached_property
    def block_scores(self) -> Floats:
        """Mean over the blocks of a pattern of Z_g'Py, (patterns, width)."""
        left = self.answers.mean - self.design.ZW @ self.u
        return times(self.shrinkage, left[:, :, None])[:, :, 0]

    @cached_property
    def score_products(self) -> Floats:
        """Sum over the blocks of a pattern of Z_g'Py y'PZ_g, (patterns, width, width)."""
        s = self.block_scores
        products = self.design.sharing[:, None, None] * (s[:, :, None] * s[:, None, :])
        if self.answers.scatter is not None:
            products = products + self.shrinkage @ self.answers.scatter @ self.shrinkage.transpose(0, 2, 1)
        return products

    @cached_property
    def rest_scores(self) -> Floats:
        """Z_R'Py, (rest,)."""
        rest = self.design.rest
        return self.Ay[:rest] - self.A[:rest] @ self.u

    def through(self, N: Floats) -> Floats:
        """Return (I - N A), (rest + p, rest + p): E times its columns are Z_g'P of the rest and of the fixed part."""
        return np.eye(len(N)) - N @ self.A
