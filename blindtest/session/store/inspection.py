"""What is wrong with a database: pages, keys, triggers, seals, chains, impressions, rows missing unasked."""

from pathlib import Path

from sqlalchemy import Connection

from blindtest.design import verify_chain
from blindtest.errors import BlindtestError
from blindtest.session import migrations as schema
from blindtest.session.store.chain import links_of
from blindtest.session.store.impressions import faults_of_impressions
from blindtest.session.store.keys import Keys
from blindtest.session.store.seals import is_locked, seal_entries, sealed_with_public
from blindtest.session.store.sittings import entries

__all__ = ["problems"]


def problems(connection: Connection, path: Path, keys: Keys) -> list[str]:
    """Return what is wrong, in words."""
    return [
        *_of_pages(connection),
        *faults_of_impressions(connection),
        *_of_triggers(connection),
        *_of_seals(connection, path, keys),
        *_of_chains(connection, keys),
    ]


def _of_pages(connection: Connection) -> list[str]:
    run = connection.exec_driver_sql
    damaged = [str(line) for (line,) in run("PRAGMA integrity_check") if line != "ok"]
    return [
        *damaged,
        *(f"{row[0]}: a row points at nothing in {row[2]}" for row in run("PRAGMA foreign_key_check")),
    ]


def _of_triggers(connection: Connection) -> list[str]:
    triggers = connection.exec_driver_sql("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
    there = {row[0]: row[1] for row in triggers}
    return [
        f"the trigger {name} is missing or changed: rows could have been altered"
        for name, sql in schema.APPEND_ONLY.items()
        if there.get(name) != sql
    ]


def _of_seals(connection: Connection, path: Path, keys: Keys) -> list[str]:
    found: list[str] = []
    for seal in seal_entries(connection):
        if is_locked(connection, seal.commitment, keys):
            continue
        try:
            sealed_with_public(connection, seal.commitment, path, keys)
        except BlindtestError as error:
            found += [fault.problem for fault in error.faults]
    return found


def _of_chains(connection: Connection, keys: Keys) -> list[str]:
    found: list[str] = []
    for entry in entries(connection):
        check = verify_chain(entry.commitment, links_of(connection, entry.number, keys))
        found += [f"sitting {entry.number}: {words}" for words in check.faults]
        if check.withheld and entry.forgotten is None and not is_locked(connection, entry.commitment, keys):
            found.append(f"sitting {entry.number}: {check.withheld} rows are missing, and nobody asked for it")
    return found
