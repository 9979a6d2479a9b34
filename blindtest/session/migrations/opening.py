"""Opening the database: the file and its rights, connections set up for durability, migrations, faults in words."""

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
from blindtest.session.migrations.tables import REVISION

__all__ = ["engine_for", "file_of", "make_private", "migrate", "told"]


def file_of(place: Path | str) -> Path:
    """Return the file that a path or a URL names."""
    if isinstance(place, Path):
        return place
    if "://" not in place:
        return Path(place)
    try:
        url = make_url(place)
    except ArgumentError:
        url = None
    if url is None or url.get_backend_name() != "sqlite" or not url.database or url.database == ":memory:":
        raise BlindtestError(
            Fault(
                problem="not yet: a database other than a SQLite file",
                # Never the URL itself: it may hold a password.
                got=place.split("://")[0] + "://...",
                allowed="sqlite:///FILE",
                remedy="leave [storage] out of the study file",
            )
        )
    return Path(url.database)


def make_private(path: Path) -> None:
    """Make the file readable to its owner only, as it holds nonces; SQLite gives its log the same rights."""
    try:
        close(open(path, O_CREAT | O_EXCL | O_RDWR, 0o600))
    except FileExistsError:
        return
    except OSError as error:
        raise Missing(
            Fault(
                problem=f"the database can't be made: {error.strerror or error}",
                file=str(path),
                remedy="is the folder there, and may you write in it?",
            )
        ) from error


def engine_for(path: Path, begin: str, busy_timeout_s: float) -> Engine:
    """Return an engine whose connections are set up for durability, each setting read back.

    begin : how its transactions begin: "BEGIN" to read, "BEGIN IMMEDIATE" to write
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
        connection.exec_driver_sql(begin)

    return engine


def migrate(connection: Connection, path: Path) -> None:
    """Bring the database to the schema of this code, inside the caller's transaction."""
    tables = set(connection.exec_driver_sql("SELECT name FROM sqlite_master WHERE type = 'table'").scalars())
    revision = None
    if "alembic_version" in tables:
        revision = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()
    elif tables:
        raise BlindtestError(
            Fault(problem="this is a database of something else", file=str(path), remedy="name another file")
        )
    if revision == REVISION:
        return

    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent))
    config.attributes["connection"] = connection
    known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
    if revision is not None and revision not in known:
        raise BlindtestError(
            Fault(
                problem="this database was made by a newer version of blindtest",
                file=str(path),
                got=revision,
                allowed=f"up to {REVISION}",
                remedy="install that version; nothing was changed",
            )
        )
    command.upgrade(config, "head")


_SQLITE_SAYS: tuple[tuple[str, type[BlindtestError], str, str], ...] = (
    ("disk is full", Missing, "no room is left on the disk; this was not recorded", "make room, then try again"),
    ("readonly", Missing, "the database can't be written to", "may you write to the file and to its folder?"),
    ("unable to open", Missing, "the database can't be opened", "is the folder there, and may you write in it?"),
    ("locked", Missing, "another program keeps the database busy", "close it, then try again"),
    ("disk I/O", Missing, "the disk reports an error; this was not recorded", "look at the disk, then try again"),
    ("not a database", BlindtestError, "this file is not a database", "name another file, or take the backup"),
    ("malformed", BlindtestError, "the database is damaged", "keep this copy and take the backup"),
)


@contextmanager
def told(path: Path) -> Iterator[None]:
    """Say in words what the database refused, and what to do."""
    try:
        yield
    except DBAPIError as error:
        said = str(error.orig)
        for part, kind, problem, remedy in _SQLITE_SAYS:
            if part in said:
                raise kind(Fault(problem=problem, file=str(path), remedy=remedy)) from error
        raise BlindtestError(Fault(problem=f"the database refused: {said}", file=str(path))) from error
    except sqlite3.Error as error:
        # VACUUM and the checkpoint go to the driver directly.
        with told(path):
            raise DBAPIError("", None, error) from error
