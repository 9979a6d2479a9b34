"""Impressions on record: their hashes for good, their words and who had them apart."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, func, insert, select

from blindtest.design import row_hash
from blindtest.session import migrations as schema
from blindtest.session.event import time_text
from blindtest.session.register import ImpressionEntry
from blindtest.session.store.stored import table_of, time_of

__all__ = ["add_impression", "faults_of_impressions", "impression_entries"]


def add_impression(connection: Connection, *, hashed: str, text: str, salt: bytes, by: str, at: datetime) -> None:
    """Store an impression as the last one; `text`: its row in canonical form."""
    last = connection.scalar(select(func.coalesce(func.max(schema.impressions.c.position), 0)))
    position = int(last or 0) + 1
    connection.execute(insert(schema.impressions).values(position=position, hash=hashed, created=time_text(at)))
    connection.execute(insert(schema.impression_content).values(position=position, by=by, salt=salt, row=text))


def impression_entries(connection: Connection) -> tuple[ImpressionEntry, ...]:
    """Return the impressions in order."""
    return tuple(
        ImpressionEntry(
            hash=row.hash,
            created=datetime.fromisoformat(row.created),
            row=None if row.row is None else table_of(row.row),
            forgotten=time_of(row.forgotten),
            salt=None if row.salt is None else bytes(row.salt),
        )
        for row in _stored(connection)
    )


def faults_of_impressions(connection: Connection) -> list[str]:
    """Return what is wrong with the impressions, in words."""
    found: list[str] = []
    for expected, entry in enumerate(_stored(connection), start=1):
        if entry.position != expected:
            return [*found, f"impression {expected} is missing: the next one stored is {entry.position}"]
        if entry.row is None:
            if entry.forgotten is None:
                found.append(f"impression {expected}: its words are missing, and nobody asked for it")
        elif row_hash(bytes(entry.salt), table_of(entry.row)) != entry.hash:
            found.append(f"impression {expected} is not the one that was recorded: its salted hash differs")
    return found


def _stored(connection: Connection) -> Sequence[Any]:
    said = schema.impression_content.c
    query = (
        select(schema.impressions, said.salt, said.row)
        .join_from(schema.impressions, schema.impression_content, isouter=True)
        .order_by(schema.impressions.c.position)
    )
    return connection.execute(query).all()
