"""What JSON can hold of a table."""

from math import isfinite
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["json_rows"]


def json_rows(frame: "DataFrame", *, index: str = "") -> list[dict[str, Any]]:
    """Return a table as a list of rows; numbers that are infinite or do not exist become None.

    `index` names the column that holds the row's label, where that says something.
    """
    names = [str(column) for column in frame.columns]
    columns = [[_plain(value) for value in frame.iloc[:, place].tolist()] for place in range(len(names))]
    rows = [dict(zip(names, cells, strict=True)) for cells in zip(*columns, strict=True)]
    if not index:
        return rows
    return [{index: str(label), **row} for label, row in zip(frame.index, rows, strict=True)]


def _plain(value: Any) -> Any:
    if value is None or isinstance(value, (str, bool, int)):
        return value
    if isinstance(value, float):
        return value if isfinite(value) else None
    return str(value)
