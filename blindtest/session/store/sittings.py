"""The register: every sitting that was ever sealed, how it stands, and what happened in it."""

import json
from collections.abc import Mapping
from datetime import datetime
from functools import lru_cache
from typing import Any

from sqlalchemy import Connection, func, insert, select, update

from blindtest.design import Sealed, canonical
from blindtest.errors import BlindtestError, Fault
from blindtest.session import migrations as schema
from blindtest.session.event import time_text
from blindtest.session.register import SittingEntry, State, scheduled_in
from blindtest.session.store.keys import Keys
from blindtest.session.store.seals import insert_seal
from blindtest.session.store.stored import table_of, time_of

__all__ = [
    "abandon_overdue",
    "add_event",
    "add_sitting",
    "end_sitting",
    "entries",
    "entry_of",
    "events_of",
    "next_number",
    "published",
]


def next_number(connection: Connection) -> int:
    """Return the number the next sitting will have, from 1."""
    return int(connection.scalar(select(func.coalesce(func.max(schema.sittings.c.number), 0))) or 0) + 1


def add_sitting(
    connection: Connection,
    sealed: Sealed,
    *,
    study_seal: str,
    listener: str,
    created: datetime,
    deadline: datetime,
    public: str,
    place: str,
    keys: Keys,
) -> int:
    """Register a sitting with its sealed plan; see `Store.add_sitting`."""
    number, following = int(sealed.record["sitting"]), next_number(connection)
    if number != following:
        raise BlindtestError(
            Fault(
                problem=f"sitting {number} is not the next one in the register",
                file=place,
                got=number,
                allowed=str(following),
                remedy="start the sitting again",
            )
        )
    table = schema.sittings
    # Looked at before the plan was drawn too; but two programs may have looked at once.
    theirs = (table.c.listener == listener) & (table.c.state == "open")
    if (still := connection.scalar(select(table.c.number).where(theirs))) is not None:
        raise BlindtestError(
            Fault(
                problem=f"sitting {still} of {listener} is open",
                file=place,
                remedy="go on with it; nobody has two sittings at once",
            )
        )
    insert_seal(connection, sealed, "sitting", created, public, keys)
    connection.execute(
        insert(schema.sittings).values(
            number=number,
            study_seal=study_seal,
            commitment=sealed.commitment,
            listener=listener,
            state="open",
            created=time_text(created),
            deadline=time_text(deadline),
            reason="",
        )
    )
    return number


def end_sitting(
    connection: Connection, sitting: int, state: State, *, at: datetime, reason: str, place: str, keys: Keys
) -> None:
    """End a sitting; see `Store.set_state`."""
    entry = entry_of(connection, sitting, place)
    # In one transaction with the end: neither is there without the other.
    keys.publish(connection, entry.commitment)
    if entry.state == state:
        return
    if entry.state != "open":
        raise BlindtestError(Fault(problem=f"sitting {sitting} is {entry.state} already", file=place, got=state))
    connection.execute(
        update(schema.sittings)
        .where(schema.sittings.c.number == sitting)
        .values(state=state, ended=time_text(at), reason=reason)
    )


def abandon_overdue(connection: Connection, now: datetime) -> tuple[int, ...]:
    """End every open sitting whose deadline has passed; see `Store.abandon_overdue`."""
    table = schema.sittings
    overdue = (table.c.state == "open") & (table.c.deadline < time_text(now))
    numbers = tuple(connection.scalars(select(table.c.number).where(overdue).order_by(table.c.number)))
    connection.execute(
        update(table).where(overdue).values(state="abandoned", ended=table.c.deadline, reason="deadline passed")
    )
    return numbers


def entry_of(connection: Connection, number: int, place: str) -> SittingEntry:
    """Return one sitting of the register."""
    found = entries(connection, number)
    if not found:
        raise BlindtestError(Fault(problem="no such sitting in the register", file=place, got=number))
    return found[0]


def entries(connection: Connection, number: int | None = None, listener: str | None = None) -> tuple[SittingEntry, ...]:
    """Return the register, or one sitting of it, or those of one listener."""
    chain, table, own = schema.chain, schema.sittings, schema.chain.alias("own")
    # Looked up for each sitting by the chain's own order, and not counted through all chains first.
    last = select(func.max(own.c.position)).where(own.c.sitting == table.c.number).correlate(table).scalar_subquery()
    query = (
        select(table, chain.c.position.label("links"), chain.c.hash, schema.seals.c.record)
        .select_from(table)
        .outerjoin(chain, (chain.c.sitting == table.c.number) & (chain.c.position == last))
        .outerjoin(schema.seals, schema.seals.c.commitment == table.c.commitment)
        .order_by(table.c.number)
    )
    if number is not None:
        query = query.where(table.c.number == number)
    if listener is not None:
        query = query.where(table.c.listener == listener)
    return tuple(
        SittingEntry(
            **_scheduled(row.record or ""),
            number=row.number,
            study_seal=row.study_seal,
            commitment=row.commitment,
            listener=row.listener,
            state=row.state,
            created=datetime.fromisoformat(row.created),
            deadline=datetime.fromisoformat(row.deadline),
            ended=time_of(row.ended),
            reason=row.reason,
            links=row.links or 0,
            head=row.hash or row.commitment,
            forgotten=time_of(row.forgotten),
        )
        for row in connection.execute(query)
    )


def first_listeners(connection: Connection, study_seal: str) -> tuple[str, ...]:
    """Return whose first sitting each was; see `Store.first_listeners`."""
    table = schema.sittings
    query = (
        select(table.c.listener, schema.seals.c.record)
        .join(schema.seals, schema.seals.c.commitment == table.c.commitment)
        .where(table.c.study_seal == study_seal)
        .order_by(table.c.number)
    )
    planned = ((listener, _scheduled(record)) for listener, record in connection.execute(query))
    return tuple(listener for listener, held in planned if held.get("place", 0) == 0 and not held["beyond_plan"])


@lru_cache(maxsize=20_000)
def _scheduled(record: str) -> Mapping[str, Any]:
    """Parse a record once: it never changes, and the register is read often."""
    return scheduled_in(table_of(record))


def published(entry: SittingEntry) -> dict[str, Any]:
    """Return a sitting as it is published: no pseudonym, no nonce."""
    return {
        "sitting": entry.number,
        "study_seal": entry.study_seal,
        "commitment": entry.commitment,
        "state": entry.state,
        "created": time_text(entry.created),
        "deadline": time_text(entry.deadline),
        "ended": None if entry.ended is None else time_text(entry.ended),
        "reason": entry.reason,
        "links": entry.links,
        "head": entry.head,
        "withheld": entry.forgotten is not None,
    }


def add_event(connection: Connection, sitting: int, held: Mapping[str, Any]) -> None:
    """Store an event of a sitting."""
    connection.execute(insert(schema.events).values(sitting=sitting, event=canonical(held).decode()))


def events_of(connection: Connection, sitting: int) -> tuple[dict[str, Any], ...]:
    """Return the events stored of a sitting, in order."""
    query = select(schema.events.c.event).where(schema.events.c.sitting == sitting).order_by(schema.events.c.id)
    return tuple(json.loads(text) for text in connection.scalars(query))
