"""The store: opening and closing, one writer thread, and all that is written, read and erased, by name.

What each of these does with a connection stands in the modules beside this one.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self, TypeVar

from sqlalchemy import Connection

from blindtest.design import Link, Sealed, canonical, row_hash
from blindtest.errors import BlindtestError, Fault, Missing
from blindtest.session.migrations.opening import migrate
from blindtest.session.panelist import Panelist
from blindtest.session.register import (
    WITHHELD,
    Acknowledged,
    ImpressionEntry,
    Override,
    SealEntry,
    SealKind,
    SittingEntry,
)
from blindtest.session.store import chain, impressions, seals, settings, sittings
from blindtest.session.store.connection import WriterConnection
from blindtest.session.store.database import ByUrl
from blindtest.session.store.erasure import CLEANING_DUE, erase
from blindtest.session.store.hold import PANEL
from blindtest.session.store.inspection import problems
from blindtest.session.store.keys import Keys
from blindtest.session.store.panel import PanelRegister
from blindtest.session.store.places import database_at
from blindtest.session.writer import Writer

__all__ = ["Store"]

T = TypeVar("T")


class Store:
    """An open database; a context manager.

    Parameters
    ----------
    place : Path, str or ByUrl
        File of the database; or its URL, sqlite:///... or postgresql://..., which may come with a schema
    entropy : `entropy(n)` gives n bytes for salts; the caller passes os.urandom
    create : make the file or the schema if there is none; else that is a fault
    busy_timeout_s : how long to wait for another program that writes

    Raises
    ------
    Missing
        No such file, no right to write, disk full, in use for too long, server not reached.
    BlindtestError
        Not a database of ours, damaged, or made by a newer version.
    """

    wholeness = "the database is whole, its chain tables are append-only"

    def __init__(
        self,
        place: Path | str | ByUrl,
        *,
        entropy: Callable[[int], bytes],
        create: bool = True,
        busy_timeout_s: float = 5.0,
    ) -> None:
        self._database = database_at(place, busy_timeout_s)
        self._entropy = entropy
        self._keys = Keys(entropy)
        if not create and not self._database.there():
            raise Missing(
                Fault(
                    problem="there is no such database: nothing has been recorded yet",
                    file=self.place,
                    remedy="run blindtest listen, or go to the study's folder",
                )
            )
        self._database.prepare()
        self._writing = self._database.writing()
        self._reading = self._database.reading()
        try:
            with self._database.told():
                with self._writing.begin() as connection:
                    migrate(connection, self.place)
                self._session = WriterConnection(self._writing, self._database)
        except BaseException:
            self._dispose()
            raise
        self._writer = Writer(self._session, name=f"writer of {self.place}")
        self.panel = PanelRegister(self._write_panel, self._read)
        """Links, listeners, consents and replies of a readers' panel."""
        if self.remembered(CLEANING_DUE):
            self._clean()

    @property
    def place(self) -> str:
        """Return what faults call the database: its file's name, or words; never a URL."""
        return self._database.place

    @property
    def path(self) -> Path:
        """Return `place` where a path is asked for, to be named in faults; for PostgreSQL nothing lies there."""
        return Path(self.place)

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

    def hold(self, sitting: int) -> None:
        """Keep a sitting for this program until the store is closed: whoever serves it does so first.

        Raises
        ------
        BlindtestError
            Another program has it open, or serves the panel, and so all sittings.
        """
        self._database.hold(self._write, sitting)

    def hold_panel(self) -> None:
        """Keep the panel for this program until the store is closed.

        Raises
        ------
        BlindtestError
            Another program serves it.
        """
        self._database.hold(self._write, PANEL)

    def refuse_held(self, sitting: int) -> None:
        """Refuse a sitting that another program has open: who serves a panel looks before taking one up."""
        self._database.refuse_held(self._write, sitting)

    def _dispose(self) -> None:
        self._writing.dispose()
        self._reading.dispose()

    # Writing: everything goes through the one writer thread.

    def _later(self, job: Callable[[Connection], T]) -> Future[T]:
        def run() -> T:
            # Answers before it in the same batch: what is read here is to see them.
            self._session.settle()
            with self._database.told():
                return job(self._session.connection)

        return self._writer.hand_in(run)

    def _held(self, sitting: int, job: Callable[[Connection], T]) -> Callable[[Connection], T]:
        """Return the job, which does nothing where the sitting was held here and was lost to another program."""

        def run(connection: Connection) -> T:
            self._database.still_held(connection, sitting)
            return job(connection)

        return run

    def _write(self, job: Callable[[Connection], T]) -> T:
        return self._later(job).result()

    def _write_panel(self, job: Callable[[Connection], T]) -> T:
        return self._write(self._held(PANEL, job))

    def add_seal(self, sealed: Sealed, *, kind: SealKind, created: datetime, public: str = "") -> None:
        """Store a seal, its nonce apart. The same seal again changes nothing.

        public : text issued elsewhere that enters the plan's draws
        """
        seals.own(sealed)

        def job(connection: Connection) -> None:
            if not seals.is_known(connection, sealed.commitment):
                seals.insert_seal(connection, sealed, kind, created, public, self._keys)

        self._write(job)

    def open_seal(self, commitment: str, *, at: datetime) -> Sealed:
        """Mark a seal's nonce as opened and return the seal whole. The heads of its chains go out before.

        Raises
        ------
        BlindtestError
            A sitting of this plan, or under this study seal, is still open.
        """
        sealed = self.sealed(commitment)
        self._write(lambda connection: seals.mark_opened(connection, commitment, at, self.place))
        return sealed

    def open_seals(self, *, at: datetime, study: bool) -> None:
        """Mark the nonces of all plans whose sittings are over as opened; `study`: those of study seals too.

        Left out is what an open sitting needs, and what lies under a helper's passphrase.
        """
        self._write(lambda connection: seals.mark_all_opened(connection, at, study=study, keys=self._keys))

    def add_sitting(
        self,
        sealed: Sealed,
        *,
        study_seal: str,
        listener: str,
        created: datetime,
        deadline: datetime,
        public: str = "",
        key: bytes | None = None,
    ) -> int:
        """Register a sitting with its sealed plan and return its number, the one in the plan's record.

        Raises
        ------
        BlindtestError
            Meanwhile another sitting took the number: ask `next_number` again and draw another plan. Or this listener
            has a sitting that is open.
        """
        seals.own(sealed)
        if key is not None:
            self._keys.hold(sealed.commitment, key)
        return self._write(
            lambda connection: sittings.add_sitting(
                connection,
                sealed,
                study_seal=study_seal,
                listener=listener,
                created=created,
                deadline=deadline,
                public=public,
                place=self.place,
                keys=self._keys,
            )
        )

    def unlock(self, commitment: str, key: bytes) -> None:
        """Keep the key of a plan that lies under a helper's passphrase, for as long as this is open.

        Raises
        ------
        BlindtestError
            It does not open this plan.
        """
        self._keys.hold(commitment, key)
        self.sealed(commitment)

    def publish_key(self, commitment: str) -> None:
        """Store the key at hand of a plan whose sitting is over, so that everybody can read it."""
        self._write(lambda connection: self._keys.publish(connection, commitment))

    def locked(self, commitment: str) -> bool:
        """Return whether a plan lies under a helper's passphrase, and nothing at hand opens it."""
        with self._read() as connection:
            return seals.is_locked(connection, commitment, self._keys)

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
        prepared = [chain.PreparedRow.of(row, self._entropy(32)) for row in rows]
        append = self._held(
            sitting,
            lambda connection: chain.append(
                connection, self._database.answers, sitting, prepared, self.place, self._keys
            ),
        )

        def run() -> Acknowledged:
            with self._database.told():
                return append(self._session.connection)

        return self._writer.hand_in(run, about=(sitting, prepared[0].trial))

    def set_state(
        self, sitting: int, state: Literal["finished", "abandoned"], *, at: datetime, reason: str = ""
    ) -> None:
        """End a sitting. Setting the state it has changes nothing; it ends once."""
        self._write(
            lambda connection: sittings.end_sitting(
                connection, sitting, state, at=at, reason=reason, place=self.place, keys=self._keys
            )
        )

    def abandon_overdue(self, now: datetime) -> tuple[int, ...]:
        """End every open sitting whose deadline has passed, as abandoned, and return their numbers."""
        return self._write(lambda connection: sittings.abandon_overdue(connection, now))

    def add_event(self, sitting: int, held: Mapping[str, Any]) -> None:
        """Store an event of a sitting, as `event_to_dict` makes it."""
        self._write(self._held(sitting, lambda connection: sittings.add_event(connection, sitting, held)))

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
        self._write(
            lambda connection: impressions.add_impression(connection, hashed=hashed, text=text, salt=salt, by=by, at=at)
        )
        return hashed

    def add_override(self, what: str, *, reason: str, at: datetime) -> None:
        """Put on record that a rule was set aside."""
        self._write(lambda connection: settings.add_override(connection, what, reason=reason, at=at))

    def remember(self, key: str, value: object) -> None:
        """Store a setting (port, secrets): anything JSON can hold; None forgets it."""
        self._write(lambda connection: settings.remember(connection, key, value))

    def amend(self, key: str, change: Callable[[Any], object]) -> None:
        """Store what `change` makes of a setting (None where there is none), with nobody writing in between."""

        def job(connection: Connection) -> None:
            before = settings.remembered(connection, key, None)
            after = change(before)
            if after != before:
                settings.remember(connection, key, after)

        self._write(job)

    def forget(self, pseudonym: str, *, at: datetime, clean: bool = True) -> tuple[int, ...]:
        """Erase a person's rows, salts, events, impressions and pseudonym for good; return the numbers of the sittings.

        The chain and the hashes of the impressions stay and can be checked: they are salted, and without salt and row
        they say nothing. An open sitting ends as abandoned. Afterwards the file, or the tables, are rewritten, so
        that no byte of what was erased is left there; with `clean` off that waits until the database is opened next,
        or `clean` is called: while many listen, nobody should wait for it.

        Raises
        ------
        BlindtestError
            Nothing here is of that person; or another program has the database open and keeps a copy alive.
        """
        if pseudonym == WITHHELD:
            raise BlindtestError(Fault(problem="this stands for listeners forgotten already", got=pseudonym))
        numbers = self._write(lambda connection: erase(connection, pseudonym, at, self.place))
        if clean:
            self._clean()
        return numbers

    def clean(self) -> None:
        """Rewrite the file now where a `forget` has left that for later."""
        if self.remembered(CLEANING_DUE):
            self._clean()

    def _clean(self) -> None:
        """Rewrite what rows were erased from, so that nothing deleted is left there."""
        self._reading.dispose()

        def run() -> None:
            with self._database.told():
                self._database.clean(self._session.connection)

        self._writer.hand_in(run, alone=True).result()
        self.remember(CLEANING_DUE, None)

    # Reading.

    @contextmanager
    def _read(self) -> Iterator[Connection]:
        with self._database.told(), self._reading.connect() as connection:
            yield connection

    def seals(self) -> tuple[SealEntry, ...]:
        """Return all seals in the order of their making, without nonces."""
        with self._read() as connection:
            return seals.seal_entries(connection)

    def sealed_at(self, commitment: str) -> datetime:
        """Return when a seal was made."""
        with self._read() as connection:
            (entry,) = seals.seal_entries(connection, commitment)
        return entry.created

    def sealed(self, commitment: str) -> Sealed:
        """Return a seal with its nonce: for the server that runs the sitting, and for opening it."""
        with self._read() as connection:
            return seals.sealed_with_public(connection, commitment, self.place, self._keys)[0]

    def record(self, commitment: str) -> dict[str, Any]:
        """Return the record of a seal, which tells no draw; also of a plan that is locked."""
        with self._read() as connection:
            return seals.record_of(connection, commitment, self.place)

    def public(self, commitment: str) -> str:
        """Return the public text that enters the draws of a plan."""
        with self._read() as connection:
            return seals.public_of(connection, commitment, self.place)

    def next_number(self) -> int:
        """Return the number the next sitting will have, from 1."""
        with self._read() as connection:
            return sittings.next_number(connection)

    def sittings(self) -> tuple[SittingEntry, ...]:
        """Return the register: every sitting that was ever sealed here, in order."""
        with self._read() as connection:
            return sittings.entries(connection)

    def sittings_of(self, listener: str) -> tuple[SittingEntry, ...]:
        """Return the sittings of one listener, in order."""
        with self._read() as connection:
            return sittings.entries(connection, listener=listener)

    def first_listeners(self, study_seal: str) -> tuple[str, ...]:
        """Return whose first sitting each planned first sitting under a seal was, in order; '' of those forgotten."""
        with self._read() as connection:
            return sittings.first_listeners(connection, study_seal)

    def sitting(self, number: int) -> SittingEntry:
        """Return one sitting of the register."""
        with self._read() as connection:
            return sittings.entry_of(connection, number, self.place)

    def register(self) -> tuple[dict[str, Any], ...]:
        """Return the register as it is published and verified: no pseudonym, no nonce."""
        return tuple(sittings.published(entry) for entry in self.sittings())

    def rows(self, sitting: int | None = None) -> tuple[dict[str, Any], ...]:
        """Return the rows of a sitting, or of all, in the order of recording; erased ones are not among them."""
        with self._read() as connection:
            return chain.rows_of_sitting(connection, sitting, self._keys)

    def chain(self, sitting: int) -> tuple[Link, ...]:
        """Return the chain of a sitting, ready for `design.verify_chain`; erased rows are None."""
        with self._read() as connection:
            return chain.links_of(connection, sitting, self._keys)

    def events(self, sitting: int) -> tuple[dict[str, Any], ...]:
        """Return the events stored of a sitting, in order."""
        with self._read() as connection:
            return sittings.events_of(connection, sitting)

    def impressions(self) -> tuple[ImpressionEntry, ...]:
        """Return the impressions on record, in order; what was erased is None."""
        with self._read() as connection:
            return impressions.impression_entries(connection)

    def panelists(self) -> tuple[Panelist, ...]:
        """Return the listeners of a readers' panel in the order of their coming."""
        return self.panel.replies()

    def withdrawn(self) -> int:
        """Return how many listeners of a readers' panel had everything erased."""
        return self.panel.withdrawn()

    def overrides(self) -> tuple[Override, ...]:
        """Return the rules that were set aside, in order."""
        with self._read() as connection:
            return settings.overrides(connection)

    def remembered(self, key: str, default: Any = None) -> Any:
        """Return a setting stored by `remember`."""
        with self._read() as connection:
            return settings.remembered(connection, key, default)

    def faults(self) -> tuple[Fault, ...]:
        """Return what is wrong: pages, keys, triggers, seals, chains, impressions, rows missing unasked."""
        with self._read() as connection:
            words = [*self._database.faults(connection), *problems(connection, self.place, self._keys)]
        return tuple(Fault(problem=one, file=self.place) for one in words)
