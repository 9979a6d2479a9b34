"""SQLite's part of the store: one file in WAL mode with synchronous=FULL."""

import sqlite3
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from os import O_CREAT, O_EXCL, O_RDWR, close, open
from pathlib import Path

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DBAPIError
from sqlalchemy.pool import QueuePool

from blindtest.errors import BlindtestError, Fault, Missing
from blindtest.session.migrations.tables import APPEND_ONLY
from blindtest.session.store.answers import OneByOne
from blindtest.session.store.checkpoints import WRITERS_PAGES, Checkpoints
from blindtest.session.store.database import Write
from blindtest.session.store.hold import PANEL, Hold

__all__ = ["SqliteDatabase", "engine_for", "file_of"]

_MAGIC = b"SQLite format 3\x00"
"""What every file of SQLite 3 begins with (sqlite.org/fileformat2.html, 1.3.1)."""
_LOG_PAGES = 1_000
"""SQLite's own (sqlite.org/pragma.html, wal_autocheckpoint)."""
_NO_DATABASE, _ANOTHER_FILE = "this file is not a database", "name another file, or take the backup"


class SqliteDatabase:
    """A file; see `database.Database`."""

    def __init__(self, path: Path, busy_timeout_s: float) -> None:
        self.path = path
        self._busy_timeout_s = busy_timeout_s
        self._holds: list[Hold] = []
        self._checkpoints = Checkpoints(self.reading)
        self.answers = OneByOne()

    @property
    def place(self) -> str:
        """Return the file's name."""
        return str(self.path)

    def there(self) -> bool:
        """Return whether there is such a file."""
        return self.path.exists()

    def look(self) -> str:
        """Return that it is a file, and whether there is one; refuse what could never be one."""
        try:
            with self.path.open("rb") as file:
                begins = file.read(len(_MAGIC))
        except FileNotFoundError as error:
            if not self.path.parent.is_dir():
                raise _not_made(self.place, error) from error
        except OSError as error:
            raise _not_made(self.place, error) from error
        else:
            # An empty file is a database to SQLite, and what `prepare` makes.
            if begins and begins != _MAGIC:
                raise BlindtestError(Fault(problem=_NO_DATABASE, file=self.place, remedy=_ANOTHER_FILE))
        return f"{self.place}: SQLite {sqlite3.sqlite_version}, {'there' if self.there() else 'not made yet'}"

    def prepare(self) -> None:
        """Make the file readable to its owner only, as it holds nonces; SQLite gives its log the same rights."""
        try:
            close(open(self.path, O_CREAT | O_EXCL | O_RDWR, 0o600))
        except FileExistsError:
            return
        except OSError as error:
            raise _not_made(self.place, error) from error

    def writing(self) -> Engine:
        """Return the writer's engine: its transactions take the file's one right to write when they begin."""
        engine = engine_for(self.path, "BEGIN IMMEDIATE", self._busy_timeout_s, log_pages=WRITERS_PAGES)
        event.listen(engine, "commit", lambda connection: self._checkpoints.committing())
        return engine

    def reading(self) -> Engine:
        """Return the engine for those who read."""
        return engine_for(self.path, "BEGIN", self._busy_timeout_s)

    @contextmanager
    def told(self) -> Iterator[None]:
        """Say in words what SQLite refused."""
        try:
            yield
        except (DBAPIError, sqlite3.Error) as error:
            # VACUUM, the checkpoint and the statements of an answer go to the driver directly.
            refused = error.orig if isinstance(error, DBAPIError) else error
            said = str(refused)
            if getattr(refused, "sqlite_errorname", "") in _NO_ROOM:
                said = "disk is full"
            for part, kind, problem, remedy in _SQLITE_SAYS:
                if part in said:
                    raise kind(Fault(problem=problem, file=self.place, remedy=remedy)) from error
            raise BlindtestError(Fault(problem=f"the database refused: {said}", file=self.place)) from error

    def hold(self, write: Write, sitting: int) -> None:
        """Keep a sitting by a lock on a file beside the database."""
        if sitting != PANEL:
            Hold(self.path, PANEL).release()
        self._holds.append(Hold(self.path, sitting))

    def refuse_held(self, write: Write, sitting: int) -> None:
        """Refuse a sitting that another program keeps."""
        Hold(self.path, sitting).release()

    def still_held(self, connection: Connection, sitting: int) -> None:
        """Do nothing: a lock on a file ends with the program only."""

    def release(self, connection: Connection) -> None:
        """Let go of the locks, and of the file."""
        self._checkpoints.close()
        while self._holds:
            self._holds.pop().release()

    def clean(self, connection: Connection) -> None:
        """Rewrite the file and empty the log beside it, so that nothing deleted is left in either."""
        driver = connection.connection.driver_connection
        assert isinstance(driver, sqlite3.Connection)
        with self._checkpoints.still():
            driver.execute("VACUUM")
            busy, _, _ = driver.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        if busy:
            raise BlindtestError(
                Fault(
                    problem="the rows are erased, but another program has the database open, so traces may be left "
                    f"in {self.path.name}-wal",
                    file=self.place,
                    remedy="close it; the rest is done when the database is opened next",
                )
            )

    def faults(self, connection: Connection) -> list[str]:
        """Return what is wrong with pages, keys and triggers."""
        run = connection.exec_driver_sql
        there = {row[0]: row[1] for row in run("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")}
        return [
            *(str(line) for (line,) in run("PRAGMA integrity_check") if line != "ok"),
            *(f"{row[0]}: a row points at nothing in {row[2]}" for row in run("PRAGMA foreign_key_check")),
            *(
                f"the trigger {name} is missing or changed: rows could have been altered"
                for name, sql in APPEND_ONLY.items()
                if there.get(name) != sql
            ),
        ]


def file_of(url: str) -> Path:
    """Return the file that a URL names."""
    try:
        found = make_url(url).database
    except (ArgumentError, ValueError):
        found = None
    if not found or found == ":memory:":
        raise BlindtestError(
            Fault(problem="this names no file", got=url.split("://")[0] + "://...", allowed="sqlite:///FILE")
        )
    return Path(found)


def engine_for(path: Path, begin: str, busy_timeout_s: float, *, log_pages: int = _LOG_PAGES) -> Engine:
    """Return an engine whose connections are set up for durability, each setting read back.

    begin : how its transactions begin: "BEGIN" to read, "BEGIN IMMEDIATE" to write
    log_pages : of how many pages in the log a commit brings them into the database
    """
    engine = create_engine(
        f"sqlite:///{path}",
        poolclass=QueuePool,
        connect_args={"isolation_level": None, "check_same_thread": False, "timeout": busy_timeout_s},
    )

    @event.listens_for(engine, "connect")
    def _set_up(driver: sqlite3.Connection, record: object) -> None:
        wanted: dict[str, object] = {
            "busy_timeout": round(busy_timeout_s * 1000),
            "journal_mode": "wal",
            "synchronous": 2,
            "foreign_keys": 1,
            "secure_delete": 1,
            "temp_store": 2,
            "wal_autocheckpoint": log_pages,
        }
        if sys.platform == "darwin":
            # There fsync alone leaves data in the drive's cache.
            wanted |= {"fullfsync": 1, "checkpoint_fullfsync": 1}
        for name, value in wanted.items():
            driver.execute(f"PRAGMA {name} = {value}").fetchall()
            (found,) = driver.execute(f"PRAGMA {name}").fetchone()
            if found != value:
                raise Missing(
                    Fault(
                        problem=f"SQLite did not take {name}",
                        file=str(path),
                        got=found,
                        allowed=str(value),
                        remedy="put the study on a local disk that you may write to",
                    )
                )

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        # On the driver: through SQLAlchemy's execution it took more than twice as long, with every commit.
        driver = connection.connection.driver_connection
        assert isinstance(driver, sqlite3.Connection)
        driver.execute(begin)

    return engine


def _not_made(place: str, error: OSError) -> Missing:
    return Missing(
        Fault(
            problem=f"the database can't be made: {error.strerror or error}",
            file=place,
            remedy="is the folder there, and may you write in it?",
        )
    )


_NO_ROOM = ("SQLITE_IOERR_SHMSIZE",)
"""Errors of the disk that mean a full one: the log's index, made by whoever opens the file first, has no place
(sqlite.org/rescode.html, 4874)."""
_SQLITE_SAYS: tuple[tuple[str, type[BlindtestError], str, str], ...] = (
    ("disk is full", Missing, "no room is left on the disk; this was not recorded", "make room, then try again"),
    ("readonly", Missing, "the database can't be written to", "may you write to the file and to its folder?"),
    ("unable to open", Missing, "the database can't be opened", "is the folder there, and may you write in it?"),
    ("locked", Missing, "another program keeps the database busy", "close it, then try again"),
    ("disk I/O", Missing, "the disk reports an error; this was not recorded", "look at the disk, then try again"),
    ("not a database", BlindtestError, _NO_DATABASE, _ANOTHER_FILE),
    ("malformed", BlindtestError, "the database is damaged", "keep this copy and take the backup"),
)
