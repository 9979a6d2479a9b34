"""Algebra of the arrowhead pattern: blocks of the root group, a border, a small dense corner.

    A = [ A_1          B_1 ]        A_j (r, r), one per root level
        [      ...     ... ]        B_j (r, m)
        [           A_J B_J]
        [ B_1' ... B_J'  C ]        C (m, m)

Cholesky of the blocks, then of the Schur complement C - sum B_j' A_j^-1 B_j: linear in J. Of the inverse only the
entries inside the pattern are made: what a row's effects share with each other (effect_layout.py).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Arrowhead", "Factor", "Scale", "crossed", "factorised"]

Floats = NDArray[np.float64]
MOST_ROWS = 5
"""Blocks up to this size are inverted element by element."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Arrowhead:
    """A symmetric matrix of that pattern."""

    local: Floats
    """(J, r, r)"""
    border: Floats
    """(J, r, m)"""
    corner: Floats
    """(m, m)"""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scale:
    """Lambda, the Cholesky factor of the effects' covariance: the same in every root level."""

    local: Floats
    """(r,) if all terms are scalars, else (r, r)"""
    corner: Floats
    """(m,) or (m, m)"""

    def times(self, u: Floats, levels: int) -> Floats:
        """Return Lambda u, slot by slot.

        The result has the same shape, in units of the predictor.

        Parameters
        ----------
        u : (J r + m,) standardised effects, no unit
        levels : J, of the root group
        """
        inner = len(u) - len(self.corner)
        left = u[:inner].reshape(levels, -1)
        if self.local.ndim == 1:
            return np.concatenate([(left * self.local).ravel(), u[inner:] * self.corner])
        return np.concatenate([(left @ self.local.T).ravel(), self.corner @ u[inner:]])

    def transposed_times(self, b: Floats, levels: int) -> Floats:
        """Return Lambda' b.

        Parameters
        ----------
        b : (J r + m,) slot by slot, as `times` gives them
        levels : J, of the root group
        """
        inner = len(b) - len(self.corner)
        left = b[:inner].reshape(levels, -1)
        if self.local.ndim == 1:
            return np.concatenate([(left * self.local).ravel(), b[inner:] * self.corner])
        return np.concatenate([(left @ self.local).ravel(), self.corner.T @ b[inner:]])

    def inside(self, a: Arrowhead) -> Arrowhead:
        """Return Lambda' A Lambda.

        Parameters
        ----------
        a : of J blocks (r, r); the result has the shapes of `a`
        """
        if self.local.ndim == 1:
            left, right = self.local, self.corner
            return Arrowhead(
                local=a.local * (left[:, None] * left),
                border=a.border * (left[:, None] * right),
                corner=a.corner * (right[:, None] * right),
            )
        return Arrowhead(
            local=self.local.T @ a.local @ self.local,
            border=self.local.T @ a.border @ self.corner,
            corner=self.corner.T @ a.corner @ self.corner,
        )

    def outside(self, a: Arrowhead) -> Arrowhead:
        """Return Lambda A Lambda'.

        Parameters
        ----------
        a : of J blocks (r, r); the result has the shapes of `a`
        """
        if self.local.ndim == 1:
            return self.inside(a)
        return Scale(local=self.local.T, corner=self.corner.T).inside(a)

    def right(self, a: Arrowhead) -> tuple[Arrowhead, Floats]:
        """Return A Lambda', and apart the transpose of its lower border, (J, r, m).

        Parameters
        ----------
        a : of J blocks (r, r); the result has the shapes of `a`
        """
        if self.local.ndim == 1:
            return (
                Arrowhead(local=a.local * self.local, border=a.border * self.corner, corner=a.corner * self.corner),
                a.border * self.local[:, None],
            )
        return (
            Arrowhead(local=a.local @ self.local.T, border=a.border @ self.corner.T, corner=a.corner @ self.corner.T),
            self.local @ a.border,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Factor:
    """An arrowhead taken apart."""

    inverse_local: Floats
    carried: Floats
    """A_j^-1 B_j, (J, r, m)"""
    inverse_corner: Floats
    """Of the Schur complement."""
    log_determinant: float
    least: float
    """The smallest pivot (squared diagonal entry of the Cholesky factor)."""

    def solve(self, y: Floats) -> Floats:
        """Return A^-1 y, slot by slot; y (size,) or (size, columns)."""
        levels, r, m = self.carried.shape
        columns = y.shape[1:]
        left = y[: levels * r].reshape(levels, r, -1)
        x = self.inverse_local @ left if r > 1 else self.inverse_local * left
        if not m:
            return np.asarray(x.reshape(levels * r, *columns))
        flat = _flat(self.carried)
        corner = self.inverse_corner @ (y[levels * r :].reshape(m, -1) - crossed(flat, left.reshape(levels * r, -1)))
        x = x.reshape(levels * r, -1) - _times(flat, corner)
        return np.asarray(np.concatenate([x, corner]).reshape(-1, *columns))

    def inverse(self) -> Arrowhead:
        """Return the entries of A^-1 inside the pattern."""
        levels, r, m = self.carried.shape
        if not m:
            return Arrowhead(local=self.inverse_local, border=self.carried, corner=self.inverse_corner)
        border = -_times(_flat(self.carried), self.inverse_corner).reshape(levels, r, m)
        local = self.inverse_local - np.einsum("jrm,jsm->jrs", border, self.carried)
        return Arrowhead(local=local, border=border, corner=self.inverse_corner)


def _flat(border: Floats) -> Floats:
    levels, r, m = border.shape
    return border.reshape(levels * r, m)


def _part(columns: int) -> int:
    """Return how many rows to multiply at a time: few enough for one thread, which small products gain by.

    Threads that wait for each other cost more than they bring where a product takes a millisecond, and far more where
    another program has the second core.
    """
    return max(64, 200_000 // max(columns, 1) ** 2)


def crossed(a: Floats, b: Floats) -> Floats:
    """Return sum of a_j' b_j over the rows of two borders laid flat, (m, m)."""
    total = np.zeros((a.shape[1], b.shape[1]))
    part = _part(a.shape[1])
    for first in range(0, len(a), part):
        total += a[first : first + part].T @ b[first : first + part]
    return total


def _times(a: Floats, corner: Floats) -> Floats:
    """Return a @ corner, (rows, columns)."""
    out = np.empty((len(a), corner.shape[1]))
    part = _part(a.shape[1])
    for first in range(0, len(a), part):
        np.matmul(a[first : first + part], corner, out=out[first : first + part])
    return out


def _inverted(blocks: Floats) -> tuple[Floats, Floats]:
    """Return the inverses of many small blocks, (J, r, r), and their pivots, (r, J); LinAlgError: one is not positive.

    Element by element over all blocks at once: a call per block costs more than its few multiplications.
    """
    r = blocks.shape[1]
    if r > MOST_ROWS:
        roots = np.linalg.cholesky(blocks)
        return np.asarray(np.linalg.inv(blocks)), np.diagonal(roots, axis1=1, axis2=2).T ** 2
    a = np.ascontiguousarray(np.moveaxis(blocks, 0, -1))
    # A = L D L' with ones on the diagonal of L; M = L^-1.
    lower, back, pivots = np.zeros_like(a), np.zeros_like(a), np.empty((r, a.shape[2]))
    for j in range(r):
        pivots[j] = a[j, j] - sum(lower[j, k] ** 2 * pivots[k] for k in range(j))
        if not np.all(pivots[j] > 0):
            raise np.linalg.LinAlgError("a root level's block is not positive definite")
        back[j, j] = 1
        for i in range(j + 1, r):
            lower[i, j] = (a[i, j] - sum(lower[i, k] * lower[j, k] * pivots[k] for k in range(j))) / pivots[j]
    for j in range(r):
        for i in range(j + 1, r):
            back[i, j] = -sum(lower[i, k] * back[k, j] for k in range(j, i))
    inverse = np.empty_like(a)
    for i in range(r):
        for j in range(i, r):
            inverse[i, j] = inverse[j, i] = sum(back[k, i] * back[k, j] / pivots[k] for k in range(j, r))
    return np.ascontiguousarray(np.moveaxis(inverse, -1, 0)), pivots


def factorised(a: Arrowhead) -> Factor:
    """Take `a` apart; raises LinAlgError where it is not positive definite.

    Parameters
    ----------
    a : blocks (J, r, r), border (J, r, m) and corner (m, m), positive definite
    """
    r, m = a.border.shape[1:]
    if r == 1:
        if not np.all(a.local > 0):
            raise np.linalg.LinAlgError("a root level's block is not positive definite")
        log_determinant, least = float(np.log(a.local).sum()), float(a.local.min())
        inverse_local = 1 / a.local
        carried = inverse_local * a.border
    else:
        inverse_local, pivots = _inverted(a.local)
        log_determinant, least = float(np.log(pivots).sum()), float(pivots.min())
        carried = inverse_local @ a.border
    if not m:
        return Factor(
            inverse_local=inverse_local,
            carried=carried,
            inverse_corner=a.corner,
            log_determinant=log_determinant,
            least=least,
        )
    schur = a.corner - crossed(_flat(a.border), _flat(carried))
    root = np.linalg.cholesky(schur)
    log_determinant += 2 * float(np.log(np.diagonal(root)).sum())
    return Factor(
        inverse_local=inverse_local,
        carried=carried,
        inverse_corner=np.asarray(np.linalg.inv(schur)),
        log_determinant=log_determinant,
        least=min(least, float(np.diagonal(root).min()) ** 2),
    )
