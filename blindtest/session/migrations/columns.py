"""Types of columns that mean the same in SQLite and in PostgreSQL."""

from typing import Any

from sqlalchemy import Text
from sqlalchemy.types import TypeEngine

__all__ = ["TEXT", "unsampled"]

TEXT: TypeEngine[str] = Text().with_variant(Text(collation="C"), "postgresql")
"""Text that sorts by its code points everywhere: times are texts here, and a database's own order may be another."""


def unsampled(op: Any, table: str, *columns: str) -> None:
    """Keep PostgreSQL from copying values of these columns into its statistics, where no erasure would reach them.

    Each is named as it stands in SQL. SQLite gathers nothing unless it is asked to.
    """
    if op.get_bind().dialect.name == "postgresql":
        for column in columns:
            op.execute(f'ALTER TABLE {table} ALTER COLUMN "{column}" SET STATISTICS 0')
