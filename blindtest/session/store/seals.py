"""Seals and their nonces, which stand apart and are opened once."""

from datetime import datetime
from typing import Any

from sqlalchemy import Connection, insert, select, update

from blindtest.design import Sealed, canonical, commitment
from blindtest.errors import BlindtestError, Fault
from blindtest.session import migrations as schema
from blindtest.session.event import time_text
from blindtest.session.register import SealEntry, SealKind
from blindtest.session.store.keys import Keys
from blindtest.session.store.stored import table_of, time_of

__all__ = [
    "insert_seal",
    "is_known",
    "is_locked",
    "mark_all_opened",
    "mark_opened",
    "own",
    "public_of",
    "record_of",
    "seal_entries",
    "sealed_with_public",
]


def own(sealed: Sealed, place: str = "") -> None:
    """Check that record and nonce give the commitment: what was stored is proved when read."""
    if commitment(sealed.record, sealed.nonce) != sealed.commitment:
        problem = f"the seal {sealed.commitment[:16]}... is not that of its record and nonce"
        raise BlindtestError(Fault(problem=problem, file=place))


def is_known(connection: Connection, commitment: str) -> bool:
    """Return whether a seal is stored."""
    known = select(schema.seals.c.commitment).where(schema.seals.c.commitment == commitment)
    return connection.execute(known).first() is not None


def insert_seal(
    connection: Connection, sealed: Sealed, kind: SealKind, created: datetime, public: str, keys: Keys
) -> None:
    """Store a seal, its nonce apart; encrypted, where a key is held for it."""
    connection.execute(
        insert(schema.seals).values(
            commitment=sealed.commitment,
            kind=kind,
            record=canonical(sealed.record).decode(),
            created=time_text(created),
        )
    )
    nonce = keys.nonce_stored(sealed.commitment, sealed.nonce)
    connection.execute(insert(schema.nonces).values(commitment=sealed.commitment, nonce=nonce, public=public))


def mark_opened(connection: Connection, commitment: str, at: datetime, place: str) -> None:
    """Mark a nonce as opened, unless it is; see `Store.open_seal`."""
    table = schema.sittings
    under = (table.c.commitment == commitment) | (table.c.study_seal == commitment)
    still = connection.scalars(select(table.c.number).where(under, table.c.state == "open")).all()
    if still:
        raise BlindtestError(
            Fault(
                problem=f"the seal can't be opened while sitting {still[0]} is open",
                file=place,
                remedy="finish or abandon it first",
            )
        )
    connection.execute(
        update(schema.nonces)
        .where(schema.nonces.c.commitment == commitment, schema.nonces.c.opened.is_(None))
        .values(opened=time_text(at))
    )


def mark_all_opened(connection: Connection, at: datetime, *, study: bool, keys: Keys) -> None:
    """Mark all nonces as opened that may be; see `Store.open_seals`."""
    table, nonces = schema.sittings, schema.nonces
    still = connection.execute(select(table.c.commitment, table.c.study_seal).where(table.c.state == "open")).all()
    needed = {commitment for row in still for commitment in row}
    kinds = ("sitting", "study") if study else ("sitting",)
    query = (
        select(nonces.c.commitment, nonces.c.nonce)
        .join(schema.seals, schema.seals.c.commitment == nonces.c.commitment)
        .where(nonces.c.opened.is_(None), schema.seals.c.kind.in_(kinds))
    )
    for row in connection.execute(query).all():
        if row.commitment not in needed and keys.opens(connection, row.commitment, bytes(row.nonce)):
            connection.execute(update(nonces).where(nonces.c.commitment == row.commitment).values(opened=time_text(at)))


def seal_entries(connection: Connection, commitment: str | None = None) -> tuple[SealEntry, ...]:
    """Return all seals, or the one of a commitment, without nonces."""
    query = (
        select(schema.seals, schema.nonces.c.opened)
        .join(schema.nonces, schema.nonces.c.commitment == schema.seals.c.commitment)
        .order_by(schema.seals.c.created, schema.seals.c.commitment)
    )
    if commitment is not None:
        query = query.where(schema.seals.c.commitment == commitment)
    return tuple(
        SealEntry(
            commitment=row.commitment,
            kind=row.kind,
            record=table_of(row.record),
            created=datetime.fromisoformat(row.created),
            opened=time_of(row.opened),
        )
        for row in connection.execute(query)
    )


def is_locked(connection: Connection, commitment: str, keys: Keys) -> bool:
    """Return whether a plan lies under a helper's passphrase, and its key is not at hand."""
    stored = connection.scalar(select(schema.nonces.c.nonce).where(schema.nonces.c.commitment == commitment))
    return stored is not None and not keys.opens(connection, commitment, bytes(stored))


def record_of(connection: Connection, commitment: str, place: str) -> dict[str, Any]:
    """Return the record of a seal, which tells no draw; also of a plan that is locked."""
    text = connection.scalar(select(schema.seals.c.record).where(schema.seals.c.commitment == commitment))
    if text is None:
        raise BlindtestError(Fault(problem="no such seal", file=place, got=commitment))
    return table_of(text)


def public_of(connection: Connection, commitment: str, place: str) -> str:
    """Return the public text that enters the draws of a plan."""
    text = connection.scalar(select(schema.nonces.c.public).where(schema.nonces.c.commitment == commitment))
    if text is None:
        raise BlindtestError(Fault(problem="no such seal", file=place, got=commitment))
    return str(text)


def sealed_with_public(connection: Connection, commitment: str, place: str, keys: Keys) -> tuple[Sealed, str]:
    """Return a seal with its nonce, and the public text that enters its draws."""
    query = (
        select(schema.seals.c.record, schema.nonces.c.nonce, schema.nonces.c.public)
        .join(schema.nonces, schema.nonces.c.commitment == schema.seals.c.commitment)
        .where(schema.seals.c.commitment == commitment)
    )
    row = connection.execute(query).first()
    if row is None:
        raise BlindtestError(Fault(problem="no such seal", file=place, got=commitment))
    nonce = keys.nonce_read(connection, commitment, bytes(row.nonce))
    sealed = Sealed(record=table_of(row.record), nonce=nonce, commitment=commitment)
    own(sealed, place)
    return sealed, str(row.public)
