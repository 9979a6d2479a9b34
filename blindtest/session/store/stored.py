"""Values as they stand in the database, and back: tables as canonical JSON, times as text."""

import json
from datetime import datetime
from typing import Any

__all__ = ["table_of", "time_of"]


def table_of(text: str) -> dict[str, Any]:
    """Return a stored table. One that was made unreadable becomes another than was sealed, so that hashes find it."""
    try:
        table = json.loads(text)
    except ValueError:
        table = None
    return table if isinstance(table, dict) else {"unreadable": str(text)}


def time_of(text: str | None) -> datetime | None:
    """Return a stored time."""
    return None if text is None else datetime.fromisoformat(text)
