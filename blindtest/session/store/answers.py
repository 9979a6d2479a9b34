"""Answers on their way into the chain: what is read of a sitting before, and the rows that are added.

How many ways to the database that takes is a matter of the database: see `Answers`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol

from sqlalchemy import Connection, Insert, Select, Table, bindparam, insert, select, true
from sqlalchemy.sql.compiler import SQLCompiler

from blindtest.session import migrations as schema
from blindtest.session.writer import About

__all__ = ["About", "Answers", "Chained", "LinkRow", "OneByOne", "StoredRow"]


class StoredRow(NamedTuple):
    """A row of a trial as it is stored; `text` is None where it was erased."""

    attempt: int
    slot: str
    position: int
    hash: str
    text: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Chained:
    """A sitting and its chain as they stand before an answer."""

    state: str
    start: str
    """Its plan's commitment."""
    position: int
    tip: str
    stored: tuple[StoredRow, ...]
    """Of the answer's trial."""


class LinkRow(NamedTuple):
    """A link of the chain and its content."""

    sitting: int
    position: int
    trial: int
    attempt: int
    slot: str
    row_hash: str
    hash: str
    salt: bytes
    text: str


class Answers(Protocol):
    """Reads and adds for answers, within the writer's transaction; called by the writer's thread only."""

    def begin(self, connection: Connection, about: Sequence[About]) -> None:
        """Forget what was read before; these are the answers to come, as far as that is known."""

    def read(self, connection: Connection, about: About) -> Chained | None:
        """Return how a sitting stands; None where it isn't in the register."""

    def add(self, connection: Connection, row: LinkRow) -> None:
        """Add a row, at the latest when `settle` is called."""

    def settle(self, connection: Connection) -> None:
        """Write what was added and forget what was read: something else is going to read or write."""


class OneByOne:
    """Each answer reads and writes for itself: right where a way to the database costs nothing."""

    def begin(self, connection: Connection, about: Sequence[About]) -> None:
        """Do nothing."""

    def settle(self, connection: Connection) -> None:
        """Do nothing: all is written."""

    def read(self, connection: Connection, about: About) -> Chained | None:
        """Return how a sitting stands."""
        found = _STORED.run(connection, {"sitting": about[0], "trial": about[1]}).fetchall()
        if not found:
            return None
        state, start, position, tip = found[0][:4]
        stored = tuple(StoredRow(*row[4:]) for row in found if row[4] is not None)
        return Chained(state=state, start=start, position=position or 0, tip=tip or start, stored=stored)

    def add(self, connection: Connection, row: LinkRow) -> None:
        """Write a row."""
        values = row._asdict()
        values["row"] = values.pop("text")
        for made in (_ADD_LINK, _ADD_CONTENT):
            made.run(connection, {f"new_{name}": value for name, value in values.items()})


class _Made:
    """A statement of the way that every answer goes, compiled once and run on the driver.

    An answer is three statements; through SQLAlchemy's execution they cost as much as the write to the disk.
    """

    def __init__(self, statement: Select[Any] | Insert) -> None:
        self._statement = statement
        self._compiled: tuple[str, tuple[str, ...], Mapping[str, Any]] | None = None

    def run(self, connection: Connection, values: Mapping[str, Any]) -> Any:
        """Return the driver's cursor after the statement ran with `values`."""
        if self._compiled is None:
            made = self._statement.compile(dialect=connection.dialect)
            assert isinstance(made, SQLCompiler)
            self._compiled = (str(made), tuple(made.positiontup or ()), dict(made.params))
        text, names, given = self._compiled
        cursor = connection.connection.cursor()
        cursor.execute(text, tuple(values[name] if name in values else given[name] for name in names))
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
"""The sitting, the end of its chain, and what is stored of the trial."""


def _values(table: Table) -> dict[str, Any]:
    return {column.name: bindparam(f"new_{column.name}", type_=column.type) for column in table.columns}


_ADD_LINK = _Made(insert(schema.chain).values(_values(schema.chain)))
_ADD_CONTENT = _Made(insert(schema.content).values(_values(schema.content)))
