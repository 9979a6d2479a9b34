"""Ordered answers in a table: which column holds them, and the place of each among its categories."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault, did_you_mean

if TYPE_CHECKING:
    from pandas import DataFrame, Series

__all__ = ["ordered_codes", "response_name"]

Floats = NDArray[np.float64]


def response_name(formula: str, table: "DataFrame") -> str:
    """Return the column that a formula names as its response, or raise one fault."""
    left, tilde, _ = formula.partition("~")
    name = left.strip().strip("`")
    if not tilde or not name:
        raise BlindtestError(
            Fault(problem="a formula names one response", key="formula", got=formula, allowed="rating ~ device")
        )
    known = [str(column) for column in table.columns]
    if name not in known:
        raise BlindtestError(
            Fault(
                problem="no such column in the table",
                key="formula",
                got=name,
                allowed=", ".join(known) if len(known) <= 12 else "",
                remedy=did_you_mean(name, known) or "the response of this model is a column as it stands",
            )
        )
    return name


def ordered_codes(column: "Series[Any]", name: str, levels: Sequence[Any] | None) -> tuple[Floats, tuple[str, ...]]:
    """Return the answers as 0, 1 ... (NaN: missing), and the categories."""
    import pandas as pd

    numeric = pd.api.types.is_numeric_dtype(column.dtype)
    if levels is None and isinstance(column.dtype, pd.CategoricalDtype) and column.cat.ordered:
        levels = list(column.cat.categories)
    if levels is None and numeric:
        levels = sorted(column.dropna().unique().tolist())
    if levels is None:
        raise BlindtestError(
            Fault(
                problem="the answers are words, and nobody said their order",
                key=name,
                got=", ".join(sorted(map(str, column.dropna().unique()))[:12]),
                remedy="give `levels`, the lowest first, or an ordered Categorical",
            )
        )
    place = {value: number for number, value in enumerate(levels)}
    if len(place) < len(levels):
        raise BlindtestError(Fault(problem="a level is named twice", key="levels", got=list(levels)))
    cells = column.tolist()
    missing = column.isna().tolist()
    faults = [
        Fault(problem="an answer of no level", line=row, key=name, got=cell, allowed=", ".join(map(str, levels)))
        for row, (cell, gone) in enumerate(zip(cells, missing, strict=True), start=1)
        if not gone and cell not in place
    ]
    if faults:
        raise BlindtestError.of(faults)
    codes = np.array([np.nan if gone else place[cell] for cell, gone in zip(cells, missing, strict=True)])
    return codes, tuple(_shown(value) for value in levels)


def _shown(value: Any) -> str:
    return f"{value + 0.0:g}" if isinstance(value, float) else str(value)
