"""The response of a linear mixed model, looked at before and after a fit."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blindtest.errors import BlindtestError, Fault
from blindtest.stats.mixed.model_matrix import ModelMatrix

__all__ = ["checked_response", "refuse_without_residuals", "refuse_without_spread"]

Floats = NDArray[np.float64]

REPRODUCED = 1e-20
"""Share of the answers' squares that rounding leaves of answers which the fixed part reproduces."""
ALL_RANDOM = 1e-10
"""Share of the squares about the fixed part, below which the random part has taken all of them."""


def checked_response(response: ArrayLike | None, model: ModelMatrix) -> Floats:
    """Return the answers to fit, (n,): those given, or the table's own."""
    y = model.response if response is None else np.asarray(response, dtype=np.float64)
    if response is None and not len(y):
        raise BlindtestError(
            Fault(problem="the table has no such column, and no answers were given", key=model.response_name)
        )
    if y.shape != (model.n,) or not np.all(np.isfinite(y)):
        raise ValueError(f"the response must be {model.n} finite numbers, got shape {y.shape}")
    return y


def refuse_without_spread(left: float, answers: Floats, model: ModelMatrix) -> None:
    """Refuse answers that the fixed part reproduces; `left`: sum of squares about it."""
    if left <= REPRODUCED * max(float(answers @ answers), 1e-300):
        raise BlindtestError(
            Fault(
                problem="the fixed part reproduces every answer exactly: no variance is left to divide",
                key=model.response_name,
                remedy="look whether all answers are equal, or made from the columns of the formula",
            )
        )


def refuse_without_residuals(squares: float, left: float, model: ModelMatrix) -> None:
    """Refuse a fit whose random part has taken all of the spread; `squares`: y'Py, `left`: about the fixed part."""
    if squares <= ALL_RANDOM * left:
        raise BlindtestError(
            Fault(
                problem="the random part reproduces every answer exactly: the residual variance is zero",
                key=model.response_name,
                remedy="leave the random part with the most levels out",
            )
        )
