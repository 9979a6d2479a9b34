"""What is wrong with a record: seals, chains, impressions, rows missing unasked. Pages and triggers: see `database`."""

from sqlalchemy import Connection

from blindtest.design import verify_chain
from blindtest.errors import BlindtestError
from blindtest.nouns import number_of
from blindtest.session.store.chain import links_of
from blindtest.session.store.impressions import faults_of_impressions
from blindtest.session.store.keys import Keys
from blindtest.session.store.seals import is_locked, seal_entries, sealed_with_public
from blindtest.session.store.sittings import entries

__all__ = ["problems"]


def problems(connection: Connection, place: str, keys: Keys) -> list[str]:
    """Return what is wrong, in words."""
    return [
        *faults_of_impressions(connection),
        *_of_seals(connection, place, keys),
        *_of_chains(connection, keys),
    ]


def _of_seals(connection: Connection, place: str, keys: Keys) -> list[str]:
    found: list[str] = []
    for seal in seal_entries(connection):
        if is_locked(connection, seal.commitment, keys):
            continue
        try:
            sealed_with_public(connection, seal.commitment, place, keys)
        except BlindtestError as error:
            found += [fault.problem for fault in error.faults]
    return found


def _of_chains(connection: Connection, keys: Keys) -> list[str]:
    found: list[str] = []
    for entry in entries(connection):
        check = verify_chain(entry.commitment, links_of(connection, entry.number, keys))
        found += [f"sitting {entry.number}: {words}" for words in check.faults]
        if check.withheld and entry.forgotten is None and not is_locked(connection, entry.commitment, keys):
            found.append(
                f"sitting {entry.number}: {number_of(check.withheld, 'row is', 'rows are')} "
                "missing, and nobody asked for it"
            )
    return found
