"""The covariance of a table's rows as a fit found it, by cross-products: V = Z S Z' + s^2 I without any matrix of V's
size."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from blindtest.stats.mixed.model_matrix import ModelMatrix

__all__ = ["VarianceModel", "random_effects", "variance_model"]

Floats = NDArray[np.float64]
Places = NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VarianceModel:
    """Cross-products of a table, and the covariance that a fit found: all that the adjustment needs."""

    zz: Floats
    """(q, q), Z'Z of the random effects' design."""
    zx: Floats
    """(q, p), Z'X."""
    xx: Floats
    """(p, p), X'X."""
    rows: int
    """Rows of the table that were fitted."""
    covariance: Floats
    """(q, q), covariance of the random effects at the estimates, S."""
    residual: float
    """Residual variance, s^2."""
    parameters: tuple[tuple[Places, Places], ...]
    """Each random variance or covariance not at a bound: places (i, j) where dS/dphi is one; a variance has i = j, a
    covariance each pair once, the mirrored ones are understood. The residual variance comes last by itself."""


def random_effects(matrix: "ModelMatrix") -> int:
    """Return the number of random effects: levels x columns, over all terms."""
    return sum(len(term.levels) * len(term.columns) for term in matrix.random)


def variance_model(
    matrix: "ModelMatrix",
    covariances: Sequence[Floats],
    residual: float,
    *,
    left_out: Collection[tuple[int, int, int]] = (),
) -> VarianceModel:
    """Return the cross-products of a model at the variances that a fit found.

    Parameters
    ----------
    covariances : for each of `matrix.random` the covariance of its columns, (k, k)
    left_out : (term, row, column), row >= column, of variances and covariances at a bound, which are no parameters then
    """
    from scipy.sparse import csr_array, hstack

    rows = np.arange(matrix.n)
    blocks, parameters, places = [], [], []
    start = 0
    for index, term in enumerate(matrix.random):
        levels, values = len(term.levels), term.values
        here = [np.arange(start + c * levels, start + (c + 1) * levels) for c in range(len(term.columns))]
        for column in range(len(term.columns)):
            blocks.append(csr_array((values[:, column], (rows, term.codes)), shape=(matrix.n, levels)))
            for other in range(column + 1):
                if (index, column, other) not in left_out:
                    parameters.append((here[column], here[other]))
        places.append(here)
        start += levels * len(term.columns)
    fixed = matrix.dense()
    covariance = np.zeros((start, start))
    for here, given in zip(places, covariances, strict=True):
        for a, row in enumerate(here):
            for b, mate in enumerate(here):
                covariance[row, mate] = given[a, b]
    z = hstack(blocks, format="csr") if blocks else csr_array((matrix.n, 0))
    return VarianceModel(
        zz=np.asarray((z.T @ z).toarray(), dtype=np.float64),
        zx=np.asarray(z.T @ fixed, dtype=np.float64),
        xx=fixed.T @ fixed,
        rows=matrix.n,
        covariance=covariance,
        residual=float(residual),
        parameters=tuple(parameters),
    )
