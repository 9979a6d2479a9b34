"""The chain of answers: links appended, never changed; rows and salts beside them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import Any

from sqlalchemy import Connection, select

from blindtest.design import Link, canonical, link_hash
from blindtest.errors import BlindtestError, Fault
from blindtest.session import migrations as schema
from blindtest.session.register import Acknowledged
from blindtest.session.store.answers import Answers, LinkRow, StoredRow
from blindtest.session.store.keys import Keys, locked_fault
from blindtest.session.store.stored import table_of

__all__ = ["PreparedRow", "append", "links_of", "rows_of_sitting"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PreparedRow:
    """A row with all that can be worked out before the writer's turn."""

    trial: int
    attempt: int
    slot: str
    salt: bytes
    text: str
    row_hash: str

    @classmethod
    def of(cls, row: Mapping[str, Any], salt: bytes) -> "PreparedRow":
        """Return a row ready to be stored."""
        text = canonical(row)
        return cls(
            trial=row["trial"],
            attempt=row["attempt"],
            slot=row["slot"],
            salt=salt,
            text=text.decode(),
            # As `design.row_hash` has it, without bringing the row into its one form a second time.
            row_hash=sha256(salt + text).hexdigest(),
        )


def append(
    connection: Connection,
    answers: Answers,
    sitting: int,
    rows: Sequence[PreparedRow],
    place: str,
    keys: Keys,
) -> Acknowledged:
    """Append the rows of one answer; see `Store.append`."""
    found = answers.read(connection, (sitting, rows[0].trial))
    if found is None:
        raise BlindtestError(Fault(problem="no such sitting in the register", file=place, got=sitting))
    position, tip = found.position, found.tip
    key = keys.held(found.start)
    stored = found.stored
    if key is not None:
        stored = tuple(row._replace(text=_text(key, row.text)) for row in stored)
    if stored:
        more = _more(rows, stored)
        if not more:
            return _again(sitting, rows, stored, place)
        rows = more
    if found.state != "open":
        raise BlindtestError(
            Fault(
                problem=f"sitting {sitting} is {found.state}: no answer can be added",
                file=place,
                remedy="the answers before are kept; start a new sitting",
            )
        )
    for row in rows:
        position += 1
        tip = link_hash(tip, row.row_hash)
        salt, text = (row.salt, row.text) if key is None else keys.row_stored(key, row.salt, row.text)
        answers.add(
            connection,
            LinkRow(sitting, position, row.trial, row.attempt, row.slot, row.row_hash, tip, salt, text),
        )
    return Acknowledged(sitting=sitting, position=position, head=tip)


def _text(key: bytes, stored: str | None) -> str | None:
    opened = None if stored is None else Keys.row_read(key, b"", stored)
    return None if opened is None else opened[1]


def _more(rows: Sequence[PreparedRow], stored: Sequence[StoredRow]) -> list[PreparedRow]:
    """Return the rows that come to those stored, which all are among `rows` as they were: what was measured since."""
    before = {(attempt, slot): text for attempt, slot, _, _, text in stored}
    now = {(row.attempt, row.slot): row.text for row in rows}
    if not before.items() <= now.items():
        return []
    return [row for row in rows if (row.attempt, row.slot) not in before]


def _again(sitting: int, rows: Sequence[PreparedRow], stored: Sequence[StoredRow], place: str) -> Acknowledged:
    """Acknowledge rows that are stored already, or refuse others for the same trial."""
    before = {(attempt, slot): text for attempt, slot, _, _, text in stored}
    if before != {(row.attempt, row.slot): row.text for row in rows}:
        raise BlindtestError(
            Fault(
                problem=f"trial {rows[0].trial + 1} of sitting {sitting} is recorded already with another answer, or "
                "at another time; what was confirmed is never changed",
                file=place,
                remedy="reload the page; nothing was recorded twice",
            )
        )
    return Acknowledged(sitting=sitting, position=stored[-1].position, head=stored[-1].hash)


def rows_of_sitting(connection: Connection, sitting: int | None, keys: Keys) -> tuple[dict[str, Any], ...]:
    """Return the rows of a sitting, or of all; see `Store.rows`."""
    held = schema.content.c
    query = select(held.sitting, held.salt, held.row).order_by(held.sitting, held.position)
    if sitting is not None:
        query = query.where(held.sitting == sitting)
    found, own = [], {}
    for number, salt, text in connection.execute(query).all():
        if number not in own:
            own[number] = keys.of_sitting(connection, number)
        opened = Keys.row_read(own[number], bytes(salt), text)
        if opened is None:
            raise BlindtestError(locked_fault())
        found.append(table_of(opened[1]))
    return tuple(found)


def links_of(connection: Connection, sitting: int, keys: Keys) -> tuple[Link, ...]:
    """Return the chain of a sitting; see `Store.chain`. Rows that are locked are None as if they were erased."""
    key = keys.of_sitting(connection, sitting)
    query = (
        select(schema.chain, schema.content.c.salt, schema.content.c.row)
        .join_from(schema.chain, schema.content, isouter=True)
        .where(schema.chain.c.sitting == sitting)
        .order_by(schema.chain.c.position)
    )
    links = []
    for row in connection.execute(query).all():
        opened = None if row.row is None else Keys.row_read(key, bytes(row.salt), row.row)
        salt, text = opened or (None, None)
        links.append(
            Link(
                position=row.position,
                row_hash=row.row_hash,
                hash=row.hash,
                salt=salt,
                row=None if text is None else table_of(text),
            )
        )
    return tuple(links)
