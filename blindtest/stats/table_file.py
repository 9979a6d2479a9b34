"""Files of rows as they come: delimited text, and Parquet where pyarrow is installed."""

from pathlib import Path
from typing import Any

import numpy as np

from blindtest.errors import BlindtestError, Fault, Missing
from blindtest.stats.delimited import Delimited, column_of, read_delimited

__all__ = ["read_table_file"]

PARQUET = (".parquet", ".pq")


def read_table_file(path: str | Path) -> Delimited:
    """Read a file of rows: Parquet by its suffix, anything else as delimited text.

    Raises
    ------
    BlindtestError
        The file can't be read, or holds no table; a Parquet file where pyarrow is not installed.
    """
    return _read_parquet(Path(path)) if Path(path).suffix.lower() in PARQUET else read_delimited(path)


def _read_parquet(path: Path) -> Delimited:
    """Return a Parquet file's rows as cells of text, so that one reader judges them all; rows count from 1."""
    try:
        from pyarrow import ArrowException, parquet
    except ImportError:
        raise Missing(
            Fault(
                problem="reading Parquet takes the package pyarrow, which is not installed",
                file=str(path),
                remedy="pip install 'blindtest[parquet]', or export the table as CSV",
            )
        ) from None
    if not path.is_file():
        raise BlindtestError(Fault(problem="there is no such file", file=str(path)))
    try:
        table = parquet.read_table(path)
    except (ArrowException, OSError) as error:
        reason = str(error).partition("\n")[0]
        raise BlindtestError(Fault(problem=f"this is no Parquet file: {reason}", file=str(path))) from None
    if not table.num_rows:
        raise BlindtestError(Fault(problem="the file has columns and no rows", file=str(path)))
    names = [str(name).strip() for name in table.column_names]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise BlindtestError(
            *(Fault(problem="a column stands there twice", file=str(path), key=name) for name in twice)
        )
    return Delimited(
        name=str(path),
        header=tuple(names),
        columns=tuple(column_of([_text(value) for value in column.to_pylist()]) for column in table.columns),
        lines=np.arange(1, table.num_rows + 1),
        delimiter="",
        encoding="Parquet",
    )


def _text(value: Any) -> str:
    if value is None or value != value:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        # A whole number that was kept as a float because others were missing is a label like any other.
        return str(int(value))
    return str(value.isoformat() if hasattr(value, "isoformat") else value)
