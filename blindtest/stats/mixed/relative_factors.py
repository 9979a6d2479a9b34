"""Relative factors: lme4's theta as lower triangles, and derivatives carried between theta and the (co)variances.

Each term's effects have the covariance s^2 L L' at every level; theta lists the lower triangles of all L, column by
column, as `Directions` lists the (co)variances.

Source: Bates, Maechler, Bolker & Walker 2015 (J. Stat. Softw. 67(1)).
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["bend_of", "factors_of", "jacobian_of", "semidefinite_root", "slope_in_theta", "symmetric_of", "triangle"]

Floats = NDArray[np.float64]


def triangle(q: int) -> list[tuple[int, int]]:
    """Return (row, column) of a lower triangle, column by column."""
    return [(row, column) for column in range(q) for row in range(column, q)]


def factors_of(theta: Floats, sizes: Sequence[int]) -> list[Floats]:
    """Return each term's lower triangle.

    Each triangle is (q, q).

    Parameters
    ----------
    theta : (t,) no unit; sum of q (q + 1) / 2
    sizes : q of each term
    """
    if len(theta) == len(sizes):
        return list(theta.reshape(-1, 1, 1))
    out, start = [], 0
    for q in sizes:
        factor = np.zeros((q, q))
        for k, (row, column) in enumerate(triangle(q)):
            factor[row, column] = theta[start + k]
        start += q * (q + 1) // 2
        out.append(factor)
    return out


def symmetric_of(values: Floats, sizes: Sequence[int], *, halved: bool) -> list[Floats]:
    """Return each term's symmetric matrix from its lower triangle; `halved`: entries off the diagonal count twice.

    Each matrix is (q, q).

    Parameters
    ----------
    values : (t,) the lower triangles column by column
    sizes : q of each term
    """
    if len(values) == len(sizes):
        return list(values.reshape(-1, 1, 1))
    out, start = [], 0
    for q in sizes:
        matrix = np.zeros((q, q))
        for k, (row, column) in enumerate(triangle(q)):
            value = values[start + k] / 2 if halved and row != column else values[start + k]
            matrix[row, column] = matrix[column, row] = value
        start += q * (q + 1) // 2
        out.append(matrix)
    return out


def slope_in_theta(slopes: Sequence[Floats], factors: Sequence[Floats]) -> Floats:
    """Return the slope in theta from each term's slope in L L', symmetric (q, q)."""
    out: list[float] = []
    for slope, factor in zip(slopes, factors, strict=True):
        product = 2 * slope @ factor
        out.extend(product[row, column] for row, column in triangle(len(factor)))
    return np.array(out)


def jacobian_of(factors: Sequence[Floats]) -> Floats:
    """Return d(co)variance / d theta, (k, k)."""
    sizes = [len(factor) * (len(factor) + 1) // 2 for factor in factors]
    out = np.zeros((sum(sizes), sum(sizes)))
    start = 0
    for factor, size in zip(factors, sizes, strict=True):
        pairs = triangle(len(factor))
        for j, (a, b) in enumerate(pairs):
            change = np.zeros_like(factor)
            change[a] += factor[:, b]
            change[:, a] += factor[:, b]
            for i, (row, column) in enumerate(pairs):
                out[start + i, start + j] = change[row, column]
        start += size
    return out


def bend_of(slopes: Sequence[Floats]) -> Floats:
    """Return what the slope in L L' adds to the second derivatives in theta, (k, k)."""
    sizes = [len(slope) * (len(slope) + 1) // 2 for slope in slopes]
    out = np.zeros((sum(sizes), sum(sizes)))
    start = 0
    for slope, size in zip(slopes, sizes, strict=True):
        pairs = triangle(len(slope))
        for i, (a, b) in enumerate(pairs):
            for j, (c, d) in enumerate(pairs):
                if b == d:
                    out[start + i, start + j] = 2 * slope[a, c]
        start += size
    return out


def semidefinite_root(matrix: Floats, small: float) -> Floats:
    """Return the Cholesky factor of a matrix of usual size 1, with exact zeros where a pivot is below small^2.

    The factor is (q, q), lower.

    Parameters
    ----------
    matrix : (q, q), symmetric, no eigenvalue below 0 but by rounding
    """
    q = len(matrix)
    left, out = matrix.copy(), np.zeros_like(matrix)
    for j in range(q):
        pivot = left[j, j]
        if pivot <= small**2 * max(matrix[j, j], 1.0) or matrix[j, j] <= small**2:
            continue
        out[j:, j] = left[j:, j] / np.sqrt(pivot)
        left -= np.outer(out[:, j], out[:, j])
    return out
