"""The database of a study: impressions, seals, the register of sittings, the chain of answers, events, settings.

The only module that opens it. SQLite in WAL mode with synchronous=FULL; one writer thread per process, which
acknowledges an answer after the commit that made it durable. The chain holds salted hashes and is append-only by
triggers; rows and salts stand apart, and only `forget` deletes them, after which the chain can still be checked.

Nothing here asks for time or entropy: both are passed in.
"""

import json
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self, TypeVar

from sqlalchemy import Connection, Insert, Select, bindparam, delete, func, insert, select, update
from sqlalchemy.exc import DBAPIError
from sqlalchemy.sql.compiler import SQLCompiler

from blindtest.design import Link, Sealed, canonical, commitment, link_hash, row_hash, verify_chain
from blindtest.errors import BlindtestError, Fault, Missing, did_you_mean
from blindtest.session import migrations as schema
from blindtest.session.event import time_text
from blindtest.session.migrations.opening import engine_for, file_of, make_private, migrate, told
from blindtest.session.register import (
    WITHHELD,
    Acknowledged,
    ImpressionEntry,
    Override,
    SealEntry,
    SealKind,
    SittingEntry,
)
from blindtest.session.writer import Writer

__all__ = ["WITHHELD", "Acknowledged", "ImpressionEntry", "Override", "SealEntry", "SittingEntry", "Store"]

T = TypeVar("T")
_CLEANING_DUE = "cleaning_due"


class Store:
    """An open database; a context manager.

    Parameters
    ----------
    place : Path or str
        File of the database, or its URL, sqlite:///...
    entropy : `entropy(n)` gives n bytes for salts; the caller passes os.urandom
    create : make the file if there is none; else that is a fault
    busy_timeout_s : how long to wait for another program that writes

    Raises
    ------
    Missing
        No such file, no right to write, disk full, in use for too long.
    BlindtestError
        Not a database of ours, damaged, or made by a newer version.
    """

    def __init__(
        self, place: Path | str, *, entropy: Callable[[int], bytes], create: bool = True, busy_timeout_s: float = 5.0
    ) -> None:
        self.path = file_of(place)
        self._entropy = entropy
        if not create and not self.path.exists():
            raise Missing(
                Fault(
                    problem="there is no such database: nothing has been recorded yet",
                    file=str(self.path),
                    remedy="run blindtest listen, or go to the study's folder",
                )
            )
        self._writing = engine_for(self.path, "BEGIN IMMEDIATE", busy_timeout_s)
        self._reading = engine_for(self.path, "BEGIN", busy_timeout_s)
        try:
            with told(self.path):
                make_private(self.path)
                with self._writing.begin() as connection:
                    migrate(connection, self.path)
                self._session = _Session(self._writing.connect(), self.path)
        except BaseException:
            self._dispose()
            raise
        self._writer = Writer(self._session, name=f"writer of {self.path.name}")
        if self.remembered(_CLEANING_DUE):
            self._clean()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Finish what is waiting to be written and let go of the database."""
        self._writer.close()
        self._dispose()

    def _dispose(self) -> None:
        self._writing.dispose()
        self._reading.dispose()

    # Writing: everything goes through the one writer thread.

    def _later(self, job: Callable[[Connection], T]) -> Future[T]:
        def run() -> T:
            with told(self.path):
                return job(self._session.connection)

        return self._writer.hand_in(run)

    def _write(self, job: Callable[[Connection], T]) -> T:
        return self._later(job).result()

    def add_seal(self, sealed: Sealed, *, kind: SealKind, created: datetime, public: str = "") -> None:
        """Store a seal, its nonce apart. The same seal again changes nothing.

        public : text issued elsewhere that enters the plan's draws
        """
        _own(sealed)

        def job(connection: Connection) -> None:
            known = select(schema.seals.c.commitment).where(schema.seals.c.commitment == sealed.commitment)
            if connection.execute(known).first() is None:
                _insert_seal(connection, sealed, kind, created, public)

        self._write(job)

    def open_seal(self, commitment: str, *, at: datetime) -> Sealed:
        """Mark a seal's nonce as opened and return the seal whole. The heads of its chains go out before.

        Raises
        ------
        BlindtestError
            A sitting of this plan, or under this study seal, is still open.
        """

        def job(connection: Connection) -> None:
            table = schema.sittings
            under = (table.c.commitment == commitment) | (table.c.study_seal == commitment)
            still = connection.scalars(select(table.c.number).where(under, table.c.state == "open")).all()
            if still:
                raise BlindtestError(
                    Fault(
                        problem=f"the seal can't be opened while sitting {still[0]} is open",
                        file=str(self.path),
                        remedy="finish or abandon it first",
                    )
                )
            connection.execute(
                update(schema.nonces)
                .where(schema.nonces.c.commitment == commitment, schema.nonces.c.opened.is_(None))
                .values(opened=time_text(at))
            )

        sealed = self.sealed(commitment)
        self._write(job)
        return sealed

    def add_sitting(
        self,
        sealed: Sealed,
        *,
        study_seal: str,
        listener: str,
        created: datetime,
        deadline: datetime,
        public: str = "",
    ) -> int:
        """Register a sitting with its sealed plan and return its number, the one in the plan's record.

        Raises
        ------
        BlindtestError
            Meanwhile another sitting took the number: ask `next_number` again and draw another plan.
        """
        _own(sealed)
        number = int(sealed.record["sitting"])

        def job(connection: Connection) -> int:
            if number != _next_number(connection):
                raise BlindtestError(
                    Fault(
                        problem=f"sitting {number} is not the next one in the register",
                        file=str(self.path),
                        got=number,
                        allowed=str(_next_number(connection)),
                        remedy="start the sitting again",
                    )
                )
            _insert_seal(connection, sealed, "sitting", created, public)
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

        return self._write(job)

    def append(self, sitting: int, rows: Sequence[Mapping[str, Any]]) -> Acknowledged:
        """Append the rows of one answer to the chain of a sitting; return when they are durable. All of them or none.

        Rows are known by (sitting, trial, attempt, slot). The same rows again are harmless; other values are refused.

        Raises
        ------
        BlindtestError
            The trial was already answered otherwise, or the sitting is over.
        Missing
            Disk full, no right to write, database in use.
        """
        return self.append_later(sitting, rows).result()

    def append_later(self, sitting: int, rows: Sequence[Mapping[str, Any]]) -> Future[Acknowledged]:
        """Do what `append` does without waiting: the Future is done when the rows are durable."""
        answers = {(row["sitting"], row["trial"], row["attempt"]) for row in rows}
        if len(answers) != 1 or {place[0] for place in answers} != {sitting}:
            raise ValueError(f"rows of one answer of sitting {sitting} expected, got those of {sorted(answers)}")
        prepared = [_Prepared.of(row, self._entropy(32)) for row in rows]
        return self._later(lambda connection: _append(connection, sitting, prepared, self.path))

    def set_state(
        self, sitting: int, state: Literal["finished", "abandoned"], *, at: datetime, reason: str = ""
    ) -> None:
        """End a sitting. Setting the state it has changes nothing; it ends once."""

        def job(connection: Connection) -> None:
            entry = self._entry(connection, sitting)
            if entry.state == state:
                return
            if entry.state != "open":
                raise BlindtestError(
                    Fault(problem=f"sitting {sitting} is {entry.state} already", file=str(self.path), got=state)
                )
            connection.execute(
                update(schema.sittings)
                .where(schema.sittings.c.number == sitting)
                .values(state=state, ended=time_text(at), reason=reason)
            )

        self._write(job)

    def abandon_overdue(self, now: datetime) -> tuple[int, ...]:
        """End every open sitting whose deadline has passed, as abandoned, and return their numbers."""

        def job(connection: Connection) -> tuple[int, ...]:
            table = schema.sittings
            overdue = (table.c.state == "open") & (table.c.deadline < time_text(now))
            numbers = tuple(connection.scalars(select(table.c.number).where(overdue).order_by(table.c.number)))
            connection.execute(
                update(table).where(overdue).values(state="abandoned", ended=table.c.deadline, reason="deadline passed")
            )
            return numbers

        return self._write(job)

    def add_event(self, sitting: int, held: Mapping[str, Any]) -> None:
        """Store an event of a sitting, as `event_to_dict` makes it."""
        text = canonical(held).decode()
        self._write(lambda connection: connection.execute(insert(schema.events).values(sitting=sitting, event=text)))

    def add_impression(self, row: Mapping[str, Any], *, by: str, at: datetime) -> str:
        """Put an impression on record for good and return its hash.

        Parameters
        ----------
        row : what was said, about which unit, knowing what: anything JSON can hold; hashed together with a salt
        by : pseudonym of who had it, at whose request `forget` erases row and salt
        at : when it was put on record
        """
        if by == WITHHELD:
            raise BlindtestError(Fault(problem="this stands for those who were forgotten", key="by", got=by))
        salt = self._entropy(32)
        hashed, text = row_hash(salt, row), canonical(row).decode()

        def job(connection: Connection) -> str:
            last = connection.scalar(select(func.coalesce(func.max(schema.impressions.c.position), 0)))
            position = int(last or 0) + 1
            connection.execute(insert(schema.impressions).values(position=position, hash=hashed, created=time_text(at)))
            connection.execute(insert(schema.impression_content).values(position=position, by=by, salt=salt, row=text))
            return hashed

        return self._write(job)

    def add_override(self, what: str, *, reason: str, at: datetime) -> None:
        """Put on record that a rule was set aside."""
        values = {"at": time_text(at), "what": what, "reason": reason}
        self._write(lambda connection: connection.execute(insert(schema.overrides).values(values)))

    def remember(self, key: str, value: object) -> None:
        """Store a setting (port, secrets): anything JSON can hold; None forgets it."""

        def job(connection: Connection) -> None:
            connection.execute(delete(schema.settings).where(schema.settings.c.key == key))
            if value is not None:
                connection.execute(insert(schema.settings).values(key=key, value=canonical(value).decode()))

        self._write(job)

    def forget(self, pseudonym: str, *, at: datetime) -> tuple[int, ...]:
        """Erase a person's rows, salts, events, impressions and pseudonym for good; return the numbers of the sittings.

        The chain and the hashes of the impressions stay and can be checked: they are salted, and without salt and row
        they say nothing. An open sitting ends as abandoned. Afterwards the file is rewritten, so that no byte of what
        was erased is left in it.

        Raises
        ------
        BlindtestError
            Nothing here is of that person; or another program has the database open and keeps a copy alive.
        """
        if pseudonym == WITHHELD:
            raise BlindtestError(Fault(problem="this stands for listeners forgotten already", got=pseudonym))
        numbers = self._write(lambda connection: _erase(connection, pseudonym, at, self.path))
        self._clean()
        return numbers

    def _clean(self) -> None:
        """Rewrite the file and empty the log beside it, so that nothing deleted is left in either."""
        self._reading.dispose()

        def run() -> None:
            with told(self.path):
                driver = self._session.driver
                driver.execute("VACUUM")
                busy, _, _ = driver.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
            if busy:
                raise BlindtestError(
                    Fault(
                        problem="the rows are erased, but another program has the database open, so traces may be left "
                        f"in {self.path.name}-wal",
                        file=str(self.path),
                        remedy="close it; the rest is done when the database is opened next",
                    )
                )

        self._writer.hand_in(run, alone=True).result()
        self.remember(_CLEANING_DUE, None)

    # Reading.

    @contextmanager
    def _read(self) -> Iterator[Connection]:
        with told(self.path), self._reading.connect() as connection:
            yield connection

    def seals(self) -> tuple[SealEntry, ...]:
        """Return all seals in the order of their making, without nonces."""
        query = (
            select(schema.seals, schema.nonces.c.opened)
            .join(schema.nonces, schema.nonces.c.commitment == schema.seals.c.commitment)
            .order_by(schema.seals.c.created, schema.seals.c.commitment)
        )
        with self._read() as connection:
            return tuple(
                SealEntry(
                    commitment=row.commitment,
                    kind=row.kind,
                    record=_read_back(row.record),
                    created=datetime.fromisoformat(row.created),
                    opened=_time(row.opened),
                )
                for row in connection.execute(query)
            )

    def sealed(self, commitment: str) -> Sealed:
        """Return a seal with its nonce: for the server that runs the sitting, and for opening it."""
        return self._sealed(commitment)[0]

    def public(self, commitment: str) -> str:
        """Return the public text that enters the draws of a plan."""
        return self._sealed(commitment)[1]

    def _sealed(self, commitment: str) -> tuple[Sealed, str]:
        query = (
            select(schema.seals.c.record, schema.nonces.c.nonce, schema.nonces.c.public)
            .join(schema.nonces, schema.nonces.c.commitment == schema.seals.c.commitment)
            .where(schema.seals.c.commitment == commitment)
        )
        with self._read() as connection:
            row = connection.execute(query).first()
        if row is None:
            raise BlindtestError(Fault(problem="no such seal", file=str(self.path), got=commitment))
        sealed = Sealed(record=_read_back(row.record), nonce=bytes(row.nonce), commitment=commitment)
        _own(sealed, self.path)
        return sealed, str(row.public)

    def next_number(self) -> int:
        """Return the number the next sitting will have, from 1."""
        with self._read() as connection:
            return _next_number(connection)

    def sittings(self) -> tuple[SittingEntry, ...]:
        """Return the register: every sitting that was ever sealed here, in order."""
        with self._read() as connection:
            return _entries(connection)

    def sitting(self, number: int) -> SittingEntry:
        """Return one sitting of the register."""
        with self._read() as connection:
            return self._entry(connection, number)

    def _entry(self, connection: Connection, number: int) -> SittingEntry:
        found = _entries(connection, number)
        if not found:
            raise BlindtestError(Fault(problem="no such sitting in the register", file=str(self.path), got=number))
        return found[0]

    def register(self) -> tuple[dict[str, Any], ...]:
        """Return the register as it is published and verified: no pseudonym, no nonce."""
        return tuple(
            {
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
            for entry in self.sittings()
        )

    def rows(self, sitting: int | None = None) -> tuple[dict[str, Any], ...]:
        """Return the rows of a sitting, or of all, in the order of recording; erased ones are not among them."""
        query = select(schema.content.c.row).order_by(schema.content.c.sitting, schema.content.c.position)
        if sitting is not None:
            query = query.where(schema.content.c.sitting == sitting)
        with self._read() as connection:
            return tuple(_read_back(text) for text in connection.scalars(query))

    def chain(self, sitting: int) -> tuple[Link, ...]:
        """Return the chain of a sitting, ready for `design.verify_chain`; erased rows are None."""
        query = (
            select(schema.chain, schema.content.c.salt, schema.content.c.row)
            .join_from(schema.chain, schema.content, isouter=True)
            .where(schema.chain.c.sitting == sitting)
            .order_by(schema.chain.c.position)
        )
        with self._read() as connection:
            return tuple(
                Link(
                    position=row.position,
                    row_hash=row.row_hash,
                    hash=row.hash,
                    salt=None if row.salt is None else bytes(row.salt),
                    row=None if row.row is None else _read_back(row.row),
                )
                for row in connection.execute(query)
            )

    def events(self, sitting: int) -> tuple[dict[str, Any], ...]:
        """Return the events stored of a sitting, in order."""
        query = select(schema.events.c.event).where(schema.events.c.sitting == sitting).order_by(schema.events.c.id)
        with self._read() as connection:
            return tuple(json.loads(text) for text in connection.scalars(query))

    def impressions(self) -> tuple[ImpressionEntry, ...]:
        """Return the impressions on record, in order; what was erased is None."""
        with self._read() as connection:
            return tuple(
                ImpressionEntry(
                    hash=row.hash,
                    created=datetime.fromisoformat(row.created),
                    row=None if row.row is None else _read_back(row.row),
                    forgotten=_time(row.forgotten),
                )
                for row in _impressions(connection)
            )

    def overrides(self) -> tuple[Override, ...]:
        """Return the rules that were set aside, in order."""
        query = select(schema.overrides).order_by(schema.overrides.c.id)
        with self._read() as connection:
            return tuple(
                Override(at=datetime.fromisoformat(row.at), what=row.what, reason=row.reason)
                for row in connection.execute(query)
            )

    def remembered(self, key: str, default: Any = None) -> Any:
        """Return a setting stored by `remember`."""
        query = select(schema.settings.c.value).where(schema.settings.c.key == key)
        with self._read() as connection:
            text = connection.scalar(query)
        return default if text is None else json.loads(text)

    def faults(self) -> tuple[Fault, ...]:
        """Return what is wrong: pages, keys, triggers, seals, chains, impressions, rows missing unasked."""
        found: list[str] = []
        with self._read() as connection:
            run = connection.exec_driver_sql
            found += [str(line) for (line,) in run("PRAGMA integrity_check") if line != "ok"]
            found += [f"{row[0]}: a row points at nothing in {row[2]}" for row in run("PRAGMA foreign_key_check")]
            triggers = run("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
            there = {row[0]: row[1] for row in triggers}
            entries = _entries(connection)
            found += _faults_of_impressions(connection)
        found += [
            f"the trigger {name} is missing or changed: rows could have been altered"
            for name, sql in schema.APPEND_ONLY.items()
            if there.get(name) != sql
        ]
        for seal in self.seals():
            try:
                self.sealed(seal.commitment)
            except BlindtestError as error:
                found += [fault.problem for fault in error.faults]
        for entry in entries:
            check = verify_chain(entry.commitment, self.chain(entry.number))
            found += [f"sitting {entry.number}: {words}" for words in check.faults]
            if check.withheld and entry.forgotten is None:
                found.append(f"sitting {entry.number}: {check.withheld} rows are missing, and nobody asked for it")
        return tuple(Fault(problem=words, file=str(self.path)) for words in found)


class _Session:
    """The writer's connection."""

    def __init__(self, connection: Connection, path: Path) -> None:
        self.connection = connection
        self._path = path

    @property
    def driver(self) -> sqlite3.Connection:
        found = self.connection.connection.driver_connection
        assert isinstance(found, sqlite3.Connection)
        return found

    def begin(self) -> None:
        with told(self._path):
            self.connection.begin()

    def commit(self) -> None:
        with told(self._path):
            self.connection.commit()

    def rollback(self) -> None:
        # SQLite may have rolled back by itself (disk full): then there is nothing to undo.
        try:
            self.connection.rollback()
        except DBAPIError:
            self.connection.invalidate()
            self.connection.rollback()

    def save(self) -> None:
        self.connection.exec_driver_sql("SAVEPOINT one")

    def release(self) -> None:
        self.connection.exec_driver_sql("RELEASE one")

    def undo(self) -> None:
        self.connection.exec_driver_sql("ROLLBACK TO one")
        self.connection.exec_driver_sql("RELEASE one")

    def close(self) -> None:
        self.connection.close()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Prepared:
    """A row with all that can be worked out before the writer's turn."""

    trial: int
    attempt: int
    slot: str
    salt: bytes
    text: str
    row_hash: str

    @classmethod
    def of(cls, row: Mapping[str, Any], salt: bytes) -> "_Prepared":
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

    An answer is four statements; through SQLAlchemy's execution they cost as much as the write to the disk.
    """

    def __init__(self, statement: Select[Any] | Insert) -> None:
        self._statement = statement
        self._compiled: dict[str, tuple[str, tuple[str, ...], Mapping[str, Any]]] = {}

    def run(self, connection: Connection, values: Mapping[str, Any]) -> Any:
        """Return the driver's cursor after the statement ran with `values`."""
        name = connection.dialect.name
        if name not in self._compiled:
            made = self._statement.compile(dialect=connection.dialect)
            assert isinstance(made, SQLCompiler)
            self._compiled[name] = (str(made), tuple(made.positiontup or ()), dict(made.params))
        text, names, given = self._compiled[name]
        cursor = connection.connection.cursor()
        cursor.execute(text, tuple(values[name] if name in values else given[name] for name in names))
        return cursor


_HEAD = _Made(
    select(schema.sittings.c.state, schema.sittings.c.commitment, schema.chain.c.position, schema.chain.c.hash)
    .join_from(schema.sittings, schema.chain, isouter=True)
    .where(schema.sittings.c.number == bindparam("sitting"))
    .order_by(schema.chain.c.position.desc())
    .limit(1)
)
_STORED = _Made(
    select(
        schema.chain.c.attempt, schema.chain.c.slot, schema.chain.c.position, schema.chain.c.hash, schema.content.c.row
    )
    .join_from(schema.chain, schema.content, isouter=True)
    .where(schema.chain.c.sitting == bindparam("sitting"), schema.chain.c.trial == bindparam("trial"))
    .order_by(schema.chain.c.position)
)
_ADD_LINK = _Made(insert(schema.chain))
_ADD_CONTENT = _Made(insert(schema.content))


def _append(connection: Connection, sitting: int, rows: Sequence[_Prepared], path: Path) -> Acknowledged:
    head = _HEAD.run(connection, {"sitting": sitting}).fetchone()
    if head is None:
        raise BlindtestError(Fault(problem="no such sitting in the register", file=str(path), got=sitting))
    state, start, position, tip = head
    position, tip = position or 0, tip or start
    stored = _STORED.run(connection, {"sitting": sitting, "trial": rows[0].trial}).fetchall()
    if stored:
        return _again(sitting, rows, stored, path)
    if state != "open":
        raise BlindtestError(
            Fault(
                problem=f"sitting {sitting} is {state}: no answer can be added",
                file=str(path),
                remedy="the answers before are kept; start a new sitting",
            )
        )
    for row in rows:
        position += 1
        tip = link_hash(tip, row.row_hash)
        place = {"sitting": sitting, "position": position}
        key = {"trial": row.trial, "attempt": row.attempt, "slot": row.slot}
        _ADD_LINK.run(connection, {**place, **key, "row_hash": row.row_hash, "hash": tip})
        _ADD_CONTENT.run(connection, {**place, "salt": row.salt, "row": row.text})
    return Acknowledged(sitting=sitting, position=position, head=tip)


def _again(sitting: int, rows: Sequence[_Prepared], stored: Sequence[Any], path: Path) -> Acknowledged:
    """Acknowledge rows that are stored already, or refuse others for the same trial."""
    before = {(attempt, slot): text for attempt, slot, _, _, text in stored}
    if before != {(row.attempt, row.slot): row.text for row in rows}:
        raise BlindtestError(
            Fault(
                problem=f"trial {rows[0].trial + 1} of sitting {sitting} is recorded already with another answer, or "
                "at another time; what was confirmed is never changed",
                file=str(path),
                remedy="reload the page; nothing was recorded twice",
            )
        )
    *_, (_, _, position, hashed, _) = stored
    return Acknowledged(sitting=sitting, position=position, head=hashed)


def _insert_seal(connection: Connection, sealed: Sealed, kind: SealKind, created: datetime, public: str) -> None:
    connection.execute(
        insert(schema.seals).values(
            commitment=sealed.commitment,
            kind=kind,
            record=canonical(sealed.record).decode(),
            created=time_text(created),
        )
    )
    connection.execute(insert(schema.nonces).values(commitment=sealed.commitment, nonce=sealed.nonce, public=public))


def _read_back(text: str) -> dict[str, Any]:
    """Return a stored table. One that was made unreadable becomes another than was sealed, so that hashes find it."""
    try:
        table = json.loads(text)
    except ValueError:
        table = None
    return table if isinstance(table, dict) else {"unreadable": str(text)}


def _own(sealed: Sealed, path: Path | None = None) -> None:
    """Check that record and nonce give the commitment: what was stored is proved when read."""
    if commitment(sealed.record, sealed.nonce) != sealed.commitment:
        problem = f"the seal {sealed.commitment[:16]}... is not that of its record and nonce"
        raise BlindtestError(Fault(problem=problem, file="" if path is None else str(path)))


def _next_number(connection: Connection) -> int:
    return int(connection.scalar(select(func.coalesce(func.max(schema.sittings.c.number), 0))) or 0) + 1


def _entries(connection: Connection, number: int | None = None) -> tuple[SittingEntry, ...]:
    last = (
        select(schema.chain.c.sitting, func.max(schema.chain.c.position).label("links"))
        .group_by(schema.chain.c.sitting)
        .subquery()
    )
    at_head = (schema.chain.c.sitting == schema.sittings.c.number) & (schema.chain.c.position == last.c.links)
    query = (
        select(schema.sittings, last.c.links, schema.chain.c.hash, schema.seals.c.record)
        .outerjoin(last, last.c.sitting == schema.sittings.c.number)
        .outerjoin(schema.chain, at_head)
        .outerjoin(schema.seals, schema.seals.c.commitment == schema.sittings.c.commitment)
        .order_by(schema.sittings.c.number)
    )
    if number is not None:
        query = query.where(schema.sittings.c.number == number)
    return tuple(
        SittingEntry(
            **_scheduled(row.record),
            number=row.number,
            study_seal=row.study_seal,
            commitment=row.commitment,
            listener=row.listener,
            state=row.state,
            created=datetime.fromisoformat(row.created),
            deadline=datetime.fromisoformat(row.deadline),
            ended=_time(row.ended),
            reason=row.reason,
            links=row.links or 0,
            head=row.hash or row.commitment,
            forgotten=_time(row.forgotten),
        )
        for row in connection.execute(query)
    )


def _scheduled(record: str | None) -> dict[str, str]:
    """Return phase and name of a sitting, as far as its plan's record has them."""
    scheduled = _read_back(record or "").get("scheduled")
    if not isinstance(scheduled, dict):
        return {}
    return {key: str(scheduled[key]) for key in ("phase", "name") if key in scheduled}


def _impressions(connection: Connection) -> Sequence[Any]:
    said = schema.impression_content.c
    query = (
        select(schema.impressions, said.salt, said.row)
        .join_from(schema.impressions, schema.impression_content, isouter=True)
        .order_by(schema.impressions.c.position)
    )
    return connection.execute(query).all()


def _faults_of_impressions(connection: Connection) -> list[str]:
    found: list[str] = []
    for expected, entry in enumerate(_impressions(connection), start=1):
        if entry.position != expected:
            return [*found, f"impression {expected} is missing: the next one stored is {entry.position}"]
        if entry.row is None:
            if entry.forgotten is None:
                found.append(f"impression {expected}: its words are missing, and nobody asked for it")
        elif row_hash(bytes(entry.salt), _read_back(entry.row)) != entry.hash:
            found.append(f"impression {expected} is not the one that was recorded: its salted hash differs")
    return found


def _erase(connection: Connection, pseudonym: str, at: datetime, path: Path) -> tuple[int, ...]:
    """Delete what `Store.forget` erases, and note that the file has to be rewritten."""
    sittings, said = schema.sittings, schema.impression_content
    theirs = sittings.c.listener == pseudonym
    numbers = tuple(connection.scalars(select(sittings.c.number).where(theirs).order_by(sittings.c.number)))
    spoken = tuple(connection.scalars(select(said.c.position).where(said.c.by == pseudonym)))
    if not numbers and not spoken:
        known = {*connection.scalars(select(sittings.c.listener)), *connection.scalars(select(said.c.by))} - {WITHHELD}
        raise BlindtestError(
            Fault(
                problem="no such listener in the register",
                file=str(path),
                got=pseudonym,
                remedy=did_you_mean(pseudonym, known),
            )
        )
    connection.execute(
        update(sittings)
        .where(theirs, sittings.c.state == "open")
        .values(state="abandoned", ended=time_text(at), reason="withdrawn by the listener")
    )
    connection.execute(update(sittings).where(theirs).values(listener=WITHHELD, forgotten=time_text(at)))
    for erased in (schema.content, schema.events):
        connection.execute(delete(erased).where(erased.c.sitting.in_(numbers)))
    told = schema.impressions
    connection.execute(update(told).where(told.c.position.in_(spoken)).values(forgotten=time_text(at)))
    connection.execute(delete(said).where(said.c.position.in_(spoken)))
    due = {"key": _CLEANING_DUE, "value": "true"}
    connection.execute(insert(schema.settings).prefix_with("OR REPLACE", dialect="sqlite").values(due))
    return numbers


def _time(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)
