"""What is wrong with a schema of PostgreSQL: rows that can't be read, keys that point at nothing, triggers.

What SQLite's integrity_check does for a file is done by reading every row of every table whole: the server checks each
page's sum as it reads (where the cluster was made with checksums) and each value as it puts it into words.
"""

from sqlalchemy import (
    CheckConstraint,
    Connection,
    ForeignKeyConstraint,
    PrimaryKeyConstraint,
    Table,
    UniqueConstraint,
    and_,
    select,
    text,
)
from sqlalchemy.exc import DBAPIError

from blindtest.session.migrations.tables import TRIGGERS, metadata
from blindtest.session.migrations.triggers import Forbidden, postgres_triggers

__all__ = ["faults_of_schema"]

_ROW, _BEFORE = 1, 2
_EVENTS = {"DELETE": 8, "UPDATE": 16, "TRUNCATE": 32}
"""Bits of pg_trigger.tgtype (PostgreSQL's source, src/include/catalog/pg_trigger.h)."""

_KINDS = {PrimaryKeyConstraint: "p", UniqueConstraint: "u", ForeignKeyConstraint: "f", CheckConstraint: "c"}
"""pg_constraint.contype."""

_TRIGGERS = text("""
    SELECT t.tgname, c.relname, t.tgtype, t.tgenabled, t.tgqual IS NULL AND t.tgattr = ''::int2vector AS whole,
           p.proname, p.prosrc, coalesce(array_to_string(p.proconfig, ' '), '') AS config, current_schema() AS schema
    FROM pg_trigger t
    JOIN pg_class c ON c.oid = t.tgrelid
    JOIN pg_proc p ON p.oid = t.tgfoid
    WHERE c.relnamespace = current_schema()::regnamespace AND NOT t.tgisinternal
""")
_KEYS = text("""
    SELECT c.relname, k.contype, k.convalidated
    FROM pg_constraint k JOIN pg_class c ON c.oid = k.conrelid
    WHERE c.relnamespace = current_schema()::regnamespace AND k.contype IN ('p', 'u', 'f', 'c')
""")


def faults_of_schema(connection: Connection) -> list[str]:
    """Return what is wrong, in words."""
    found = _of_triggers(connection) + _of_keys(connection)
    for table in metadata.sorted_tables:
        try:
            with connection.begin_nested():
                connection.scalar(text(f"SELECT coalesce(sum(length(t::text)), 0) FROM {table.name} t"))
        except DBAPIError as error:
            code = getattr(error.orig, "sqlstate", "")
            if error.connection_invalidated or not str(code).startswith(("XX", "22", "58")):
                raise
            found.append(f"{table.name}: rows can't be read (SQLSTATE {code})")
            continue
        found += _pointing_at_nothing(connection, table)
    return found


def _of_triggers(connection: Connection) -> list[str]:
    there = {row.tgname: row for row in connection.execute(_TRIGGERS)}
    return [
        f"the trigger {one.name} is missing or changed: rows could have been altered"
        for one in postgres_triggers(TRIGGERS)
        if not _as_made(there.get(one.name), one)
    ]


def _as_made(row: object, one: Forbidden) -> bool:
    if row is None:
        return False
    kind = _EVENTS[one.event] | _BEFORE | (0 if one.event == "TRUNCATE" else _ROW)
    found = tuple(getattr(row, name) for name in ("relname", "tgtype", "proname", "prosrc", "whole"))
    path = f"search_path={row.schema}, pg_temp"  # type: ignore[attr-defined]
    config = str(row.config).replace('"', "")  # type: ignore[attr-defined]
    enabled = row.tgenabled  # type: ignore[attr-defined]
    return found == (one.table, kind, one.name, one.body, True) and enabled in ("O", "A") and config == path


def _of_keys(connection: Connection) -> list[str]:
    there: dict[tuple[str, str], int] = {}
    for row in connection.execute(_KEYS):
        if row.convalidated:
            of_table = (row.relname, row.contype)
            there[of_table] = there.get(of_table, 0) + 1
    found = []
    for table in metadata.sorted_tables:
        wanted: dict[str, int] = {}
        for constraint in table.constraints:
            kind = _KINDS[type(constraint)]
            wanted[kind] = wanted.get(kind, 0) + 1
        found += [
            f"{table.name}: a constraint is missing: rows could be double or point at nothing"
            for kind, count in wanted.items()
            if there.get((table.name, kind), 0) < count
        ]
    return found


def _pointing_at_nothing(connection: Connection, table: Table) -> list[str]:
    found = []
    for key in table.foreign_key_constraints:
        # A table may point at itself.
        other = key.referred_table.alias("other")
        on = [element.parent == other.c[element.column.name] for element in key.elements]
        first = key.elements[0]
        lost = (
            select(first.parent)
            .select_from(table.outerjoin(other, and_(*on)))
            .where(other.c[first.column.name].is_(None), first.parent.is_not(None))
            .limit(1)
        )
        if connection.execute(lost).first() is not None:
            found.append(f"{table.name}: a row points at nothing in {key.referred_table.name}")
    return found
