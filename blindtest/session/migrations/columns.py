"""Types of columns that mean the same in SQLite and in PostgreSQL."""

from sqlalchemy import Text
from sqlalchemy.types import TypeEngine

__all__ = ["TEXT"]

TEXT: TypeEngine[str] = Text().with_variant(Text(collation="C"), "postgresql")
"""Text that sorts by its code points everywhere: times are texts here, and a database's own order may be another."""
