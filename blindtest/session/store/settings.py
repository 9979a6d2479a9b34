"""Settings that later runs read back, and rules that were set aside on purpose."""

import json
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, delete, insert, select

from blindtest.design import canonical
from blindtest.session import migrations as schema
from blindtest.session.event import time_text
from blindtest.session.register import Override

__all__ = ["add_override", "overrides", "remember", "remembered"]


def remember(connection: Connection, key: str, value: object) -> None:
    """Store a setting; None forgets it."""
    connection.execute(delete(schema.settings).where(schema.settings.c.key == key))
    if value is not None:
        connection.execute(insert(schema.settings).values(key=key, value=canonical(value).decode()))


def remembered(connection: Connection, key: str, default: Any) -> Any:
    """Return a setting."""
    text = connection.scalar(select(schema.settings.c.value).where(schema.settings.c.key == key))
    return default if text is None else json.loads(text)


def add_override(connection: Connection, what: str, *, reason: str, at: datetime) -> None:
    """Put on record that a rule was set aside."""
    connection.execute(insert(schema.overrides).values(at=time_text(at), what=what, reason=reason))


def overrides(connection: Connection) -> tuple[Override, ...]:
    """Return the rules that were set aside, in order."""
    query = select(schema.overrides).order_by(schema.overrides.c.id)
    return tuple(
        Override(at=datetime.fromisoformat(row.at), what=row.what, reason=row.reason)
        for row in connection.execute(query)
    )
