"""The columns of a table that a mixed model uses: their values and codes, which rows are whole, which are alike."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from blindtest.stats.mixed.codes import Codes, column_codes, distinct_rows

if TYPE_CHECKING:
    from pandas import Series

__all__ = ["TableColumn", "cells_of", "complete_rows"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TableColumn:
    """A used column: its values, and its codes once somebody needs them."""

    name: str
    series: "Series[Any]"
    codes: Codes | None
    is_factor: bool

    @staticmethod
    def of(name: str, series: "Series[Any]", *, factor: bool) -> "TableColumn":
        """Return a column of a table; text is a factor, numbers are one where `factor` says so."""
        import pandas as pd

        numeric = (
            not factor and pd.api.types.is_numeric_dtype(series.dtype) and not pd.api.types.is_bool_dtype(series.dtype)
        )
        return TableColumn(
            name=name, series=series, codes=None if numeric else column_codes(series), is_factor=not numeric
        )

    @property
    def missing(self) -> NDArray[np.bool_]:
        """(rows,): whether there is no value."""
        return self.codes.codes < 0 if self.codes is not None else np.asarray(self.series.isna(), dtype=bool)

    def kept(self, keep: NDArray[np.bool_]) -> "TableColumn":
        """Return the rows of `keep`, (rows,), only."""
        return TableColumn(
            name=self.name,
            series=self.series[keep],
            codes=None if self.codes is None else self.codes.kept(keep),
            is_factor=self.is_factor,
        )

    def coded(self) -> Codes:
        """Return the codes of its values, those of a numeric column too."""
        return self.codes if self.codes is not None else column_codes(self.series)

    def numbers(self) -> NDArray[np.float64]:
        """Return its values, (rows,)."""
        return np.asarray(self.series, dtype=np.float64)

    def taken(self, places: NDArray[np.intp]) -> Any:
        """Return the values at these rows, a factor as a Categorical of text with all its levels."""
        import pandas as pd

        if self.codes is None:
            return pd.Series(np.asarray(self.series.iloc[places]))
        # The type stubs know only one of the integer types a platform may have.
        make: Any = pd.Categorical.from_codes
        return pd.Series(make(self.codes.codes[places], categories=list(self.codes.levels)))


def complete_rows(columns: Mapping[str, TableColumn], rows: int) -> tuple[NDArray[np.bool_], dict[str, int]]:
    """Return which rows have all values, and how many each column drops.

    The first is (rows,).

    Parameters
    ----------
    columns : each of so many `rows`
    """
    keep = np.ones(rows, dtype=bool)
    dropped = {}
    for name, column in columns.items():
        missing = column.missing & keep
        if count := int(np.count_nonzero(missing)):
            dropped[name] = count
            keep &= ~missing
    return keep, dropped


def cells_of(columns: Sequence[TableColumn], n: int) -> NDArray[np.intp] | None:
    """Return the distinct row of each row, where all combinations of levels are half as many as rows or fewer.

    Parameters
    ----------
    columns : each of n rows; the result is (n,), None where there are more combinations
    """
    coded, room = [], n // 2
    for column in columns:
        coded.append(column.coded())
        room //= max(coded[-1].count, 1)
        if not room:
            return None
    return distinct_rows(coded)[0] if coded else None
