"""Columns as whole numbers: each value's place among its sorted levels, and products of columns.

A hundred thousand ratings hold a few devices, modes and clips: everything that follows works on the codes and on the
distinct rows, so that the cost of text is paid once a column.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from pandas import Series

__all__ = ["Codes", "column_codes", "distinct_rows", "product_codes"]

Ints = NDArray[np.intp]

ROOM = 4
"""Products of levels up to so many times the rows are counted in a table; beyond it they are sorted."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Codes:
    """Rows' places among the levels of one column or of a product of columns."""

    codes: Ints
    """(n,); -1 where the value is missing."""
    count: int
    """Number of levels."""
    parts: tuple[tuple[Any, ...], ...]
    """Level values of each column."""
    places: tuple[Ints, ...]
    """For each column, (count,): the place of its value in `parts`."""

    @property
    def levels(self) -> tuple[str, ...]:
        """Names of the levels, those of a product joined by a colon: "L01:A"."""
        texts = [[str(value) for value in values] for values in self.parts]
        columns = [[names[i] for i in place.tolist()] for names, place in zip(texts, self.places, strict=True)]
        return (
            tuple(columns[0]) if len(columns) == 1 else tuple(":".join(names) for names in zip(*columns, strict=True))
        )

    def kept(self, keep: NDArray[np.bool_]) -> "Codes":
        """Return the codes of the rows to keep, levels that no longer occur left out.

        Parameters
        ----------
        keep : (rows,)
        """
        codes = self.codes[keep]
        present = np.bincount(codes, minlength=self.count) > 0
        new = np.cumsum(present) - 1
        return Codes(
            codes=np.asarray(new[codes]),
            count=int(present.sum()),
            parts=self.parts,
            places=tuple(place[present] for place in self.places),
        )


def column_codes(column: "Series[Any]") -> Codes:
    """Return a column's codes: levels sorted, or in a Categorical's own order; those that don't occur are left out.

    Parameters
    ----------
    column : (rows,) of a table; a missing value has the code -1
    """
    import pandas as pd

    if isinstance(column.dtype, pd.CategoricalDtype):
        raw = np.asarray(column.cat.codes, dtype=np.intp)
        present = np.bincount(raw + 1, minlength=len(column.cat.categories) + 1)[1:] > 0
        levels = tuple(value for value, used in zip(column.cat.categories, present, strict=True) if used)
        order = np.cumsum(present) - 1
    else:
        raw, uniques = pd.factorize(column, use_na_sentinel=True)
        values = np.asarray(uniques, dtype=object).tolist()
        try:
            ranked = sorted(range(len(values)), key=values.__getitem__)
        except TypeError:  # a mixed column: numbers before text
            ranked = sorted(range(len(values)), key=lambda i: _sort_key(values[i]))
        levels = tuple(values[i] for i in ranked)
        order = np.empty(len(values), dtype=np.intp)
        order[ranked] = np.arange(len(values))
    codes = np.append(order, -1)[raw] if np.any(raw < 0) else order[raw] if len(order) else raw
    return Codes(
        codes=np.asarray(codes, dtype=np.intp),
        count=len(levels),
        parts=(levels,),
        places=(np.arange(len(levels)),),
    )


def _sort_key(value: Any) -> tuple[int, Any]:
    return (1, value) if isinstance(value, str) else (0, value)


def product_codes(columns: Sequence[Codes]) -> Codes:
    """Return the codes of a product of columns without missing values: only combinations that occur are levels.

    Parameters
    ----------
    columns : each of the same number of rows
    """
    if len(columns) == 1:
        return columns[0]
    codes, first = distinct_rows(columns)
    return Codes(
        codes=codes,
        count=len(first),
        parts=tuple(part for column in columns for part in column.parts),
        places=tuple(place[column.codes[first]] for column in columns for place in column.places),
    )


def distinct_rows(columns: Sequence[Codes]) -> tuple[Ints, Ints]:
    """Return which distinct row each row is, (n,), and the first row that is like each of them.

    Distinct rows come in the order of their codes, first column slowest.
    """
    key, radix = columns[0].codes.astype(np.int64), max(columns[0].count, 1)
    for column in columns[1:]:
        if radix > 2**62 // max(column.count, 1):
            seen, key = np.unique(key, return_inverse=True)
            radix = len(seen)
        radix *= max(column.count, 1)
        key = key * column.count + column.codes
    n = len(key)
    if radix > ROOM * n + 4096:
        _, first, inverse = np.unique(key, return_index=True, return_inverse=True)
        return inverse.astype(np.intp), first
    row = np.full(radix, -1, dtype=np.intp)
    row[key[::-1]] = np.arange(n - 1, -1, -1)
    keys = np.flatnonzero(row >= 0)
    place = np.empty(radix, dtype=np.intp)
    place[keys] = np.arange(len(keys))
    return place[key], row[keys]
