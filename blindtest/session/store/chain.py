"""The chain of answers: links appended, never changed; rows and salts beside them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from typing import Any

from sqlalchemy import Connection, Insert, Select, Table, bindparam, insert, select, true
from sqlalchemy.sql.compiler import SQLCompiler

from blindtest.design import Link, canonical, link_hash
from blindtest.errors import BlindtestError, Fault
from blindtest.session import migrations as schema
from blindtest.session.register import Acknowledged
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


class _Made:
    """A statement of the way that every answer goes, compiled once and run on the driver.

    An answer is a few statements; through SQLAlchemy's execution they cost as much as the write to the disk.
    """

    def __init__(self, statement: Select[Any] | Insert) -> None:
        self._statement = statement
        self._compiled: dict[str, tuple[str, tuple[str, ...] | None, Mapping[str, Any]]] = {}

    def run(self, connection: Connection, values: Mapping[str, Any]) -> Any:
        """Return the driver's cursor after the statement ran with `values`."""
        name = connection.dialect.name
        if name not in self._compiled:
            made = self._statement.compile(dialect=connection.dialect)
            assert isinstance(made, SQLCompiler)
            # SQLite's driver takes values by position, PostgreSQL's by name.
            order = None if made.positiontup is None else tuple(made.positiontup)
            self._compiled[name] = (str(made), order, dict(made.params))
        text, order, given = self._compiled[name]
        cursor = connection.connection.cursor()
        if order is None:
            cursor.execute(text, {**given, **values})
        else:
            cursor.execute(text, tuple(values[name] if name in values else given[name] for name in order))
        return cursor


_TIP = (
    select(schema.chain.c.position, schema.chain.c.hash)
    .where(schema.chain.c.sitting == bindparam("sitting"))
    .order_by(schema.chain.c.position.desc())
    .limit(1)
    .subquery("tip")
)
_OF_TRIAL = (schema.chain.c.sitting == schema.sittings.c.number) & (schema.chain.c.trial == bindparam("trial"))
_STORED = _Made(
    select(
        schema.sittings.c.state,
        schema.sittings.c.commitment,
        _TIP.c.position.label("tip_position"),
        _TIP.c.hash.label("tip_hash"),
        schema.chain.c.attempt,
        schema.chain.c.slot,
        schema.chain.c.position,
        schema.chain.c.hash,
        schema.content.c.row,
    )
    .select_from(
        schema.sittings.join(_TIP, true(), isouter=True)
        .join(schema.chain, _OF_TRIAL, isouter=True)
        .join(schema.content, isouter=True)
    )
    .where(schema.sittings.c.number == bindparam("sitting"))
    .order_by(schema.chain.c.position)
)
"""The sitting, the end of its chain, and what is stored of the trial: one way to the server instead of two."""


def _values(table: Table) -> dict[str, Any]:
    return {column.name: bindparam(f"new_{column.name}", type_=column.type) for column in table.columns}


_ADD_LINK = insert(schema.chain).values(_values(schema.chain))
_ADD_CONTENT = insert(schema.content).values(_values(schema.content))
_ADD: dict[str, tuple[_Made, ...]] = {
    "sqlite": (_Made(_ADD_LINK), _Made(_ADD_CONTENT)),
    # There each statement is a way to the server and back.
    "postgresql": (_Made(_ADD_CONTENT.add_cte(_ADD_LINK.cte("link"))),),
}


def append(connection: Connection, sitting: int, rows: Sequence[PreparedRow], place: str, keys: Keys) -> Acknowledged:
    """Append the rows of one answer; see `Store.append`."""
    found = _STORED.run(connection, {"sitting": sitting, "trial": rows[0].trial}).fetchall()
    if not found:
        raise BlindtestError(Fault(problem="no such sitting in the register", file=place, got=sitting))
    state, start, position, tip = found[0][:4]
    position, tip = position or 0, tip or start
    key = keys.held(start)
    stored = [tuple(row[4:]) for row in found if row[4] is not None]
    if key is not None:
        stored = [(*known, _text(key, text)) for *known, text in stored]
    if stored:
        more = _more(rows, stored)
        if not more:
            return _again(sitting, rows, stored, place)
        rows = more
    if state != "open":
        raise BlindtestError(
            Fault(
                problem=f"sitting {sitting} is {state}: no answer can be added",
                file=place,
                remedy="the answers before are kept; start a new sitting",
            )
        )
    for row in rows:
        position += 1
        tip = link_hash(tip, row.row_hash)
        salt, text = (row.salt, row.text) if key is None else keys.row_stored(key, row.salt, row.text)
        link = {"new_sitting": sitting, "new_position": position, "new_trial": row.trial, "new_attempt": row.attempt}
        hashes = {"new_slot": row.slot, "new_row_hash": row.row_hash, "new_hash": tip}
        for made in _ADD[connection.dialect.name]:
            made.run(connection, {**link, **hashes, "new_salt": salt, "new_row": text})
    return Acknowledged(sitting=sitting, position=position, head=tip)


def _text(key: bytes, stored: str | None) -> str | None:
    opened = None if stored is None else Keys.row_read(key, b"", stored)
    return None if opened is None else opened[1]


def _more(rows: Sequence[PreparedRow], stored: Sequence[Any]) -> list[PreparedRow]:
    """Return the rows that come to those stored, which all are among `rows` as they were: what was measured since."""
    before = {(attempt, slot): text for attempt, slot, _, _, text in stored}
    now = {(row.attempt, row.slot): row.text for row in rows}
    if not before.items() <= now.items():
        return []
    return [row for row in rows if (row.attempt, row.slot) not in before]


def _again(sitting: int, rows: Sequence[PreparedRow], stored: Sequence[Any], place: str) -> Acknowledged:
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
    *_, (_, _, position, hashed, _) = stored
    return Acknowledged(sitting=sitting, position=position, head=hashed)


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
