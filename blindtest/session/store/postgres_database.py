"""PostgreSQL's part of the store: a schema of its own for each study, one program at a time that writes.

What SQLite gives by its file is asked of the server here. Writing: a transaction begins with an advisory lock of the
schema, so that a write sees all that was written before and numbers are given once; the lock is let go of after the
commit is on the disk. Durability: synchronous_commit is set and read back, and a server that runs without fsync is
refused. Reading: each transaction sees one state and can't write.

Sources: PostgreSQL 15 documentation, 13.3.5 Advisory Locks, 20.5 Write Ahead Log, 30.1 Reliability, 54.2 pg_class.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from hashlib import sha256
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.pool import QueuePool

from blindtest.errors import BlindtestError, Fault, Missing
from blindtest.session.store.database import ByUrl, Write
from blindtest.session.store.postgres_answers import AllAtOnce
from blindtest.session.store.postgres_faults import said, unreachable
from blindtest.session.store.postgres_holds import PostgresHolds
from blindtest.session.store.postgres_inspection import faults_of_schema
from blindtest.session.store.postgres_url import arguments_of

if TYPE_CHECKING:
    import psycopg

__all__ = ["ERASED_FROM", "PostgresDatabase"]

ERASED_FROM = (
    "content",
    "events",
    "impression_content",
    "panel_consents",
    "panel_links",
    "panel_listeners",
    "panel_replies",
    "settings",
    "sittings",
)
"""Tables whose rows `forget` deletes or changes; rewritten afterwards."""

_MARKED = "blindtest, study of folder "
_MOST_READERS = 8
_OLDEST = 130000


class PostgresDatabase:
    """A schema of a server's database; see `database.Database`."""

    def __init__(self, by_url: ByUrl, busy_timeout_s: float) -> None:
        if find_spec("psycopg") is None:
            raise Missing(
                Fault(
                    problem="what speaks with PostgreSQL is not installed here",
                    file=by_url.named,
                    remedy="install it: pip install 'blindtest[postgres]'",
                )
            )
        self._by_url = by_url
        self._busy_timeout_s = busy_timeout_s
        self._arguments = arguments_of(by_url)
        self._schema = by_url.schema
        self.answers = AllAtOnce()
        self._holds = PostgresHolds(self.place, self._schema)
        self._writes = _key(f"blindtest/write/{self._schema}")

    @property
    def place(self) -> str:
        """Return words: never the URL."""
        return f"{self._by_url.named}, schema {self._by_url.schema}"

    def there(self) -> bool:
        """Return whether the schema holds a record."""
        with self.told(), self._alone() as driver:
            return _found(driver, "SELECT to_regclass(%s) IS NOT NULL", f"{self._quoted}.alembic_version")

    def look(self) -> str:
        """Return which server was reached, and how the schema stands."""
        with self.told(), self._alone() as driver:
            version = driver.info.parameter_status("server_version") or ""
            reached = f"PostgreSQL {version.split()[0]} reached by {self._by_url.named}"
            if self._made(driver):
                return f"{reached}; schema {self._schema} is there"
            self._refuse_second(driver)
            if not _found(driver, "SELECT has_database_privilege(current_database(), %s)", "CREATE"):
                raise self._may_not_make()
            return f"{reached}; schema {self._schema} will be made"

    def prepare(self) -> None:
        """Make the schema, which others can't look into."""
        with self.told(), self._alone() as driver:
            if self._made(driver):
                return
            # Two programs that make the same one at once: IF NOT EXISTS does not keep the second from failing. The lock
            # ends with this connection.
            driver.execute("SELECT pg_advisory_lock(%s)", (self._writes,))
            if self._made(driver):
                return
            self._refuse_second(driver)
            if not _found(driver, "SELECT has_database_privilege(current_database(), %s)", "CREATE"):
                raise self._may_not_make()
            driver.execute(f"CREATE SCHEMA {self._quoted}".encode())
            if self._by_url.mark:
                driver.execute(f"COMMENT ON SCHEMA {self._quoted} IS '{_MARKED}{self._by_url.mark}'".encode())

    def _made(self, driver: "psycopg.Connection[Any]") -> bool:
        return _found(driver, "SELECT EXISTS (SELECT 1 FROM pg_namespace WHERE nspname = %s)", self._schema)

    def _refuse_second(self, driver: "psycopg.Connection[Any]") -> None:
        """Refuse to begin anew where this study has a record already, under a name that followed from an older title.

        Raises
        ------
        BlindtestError
            Another schema bears the study's mark.
        """
        if not self._by_url.mark:
            return
        query = b"SELECT nspname FROM pg_namespace WHERE obj_description(oid, 'pg_namespace') = %s ORDER BY nspname"
        found = driver.execute(query, (_MARKED + self._by_url.mark,)).fetchall()
        if found:
            there = found[-1][0]
            raise BlindtestError(
                Fault(
                    problem=f"this folder's record lies in the schema {there}, made when title or reviewer were others",
                    file=self.place,
                    remedy=f'to go on with it, write [storage] schema_name = "{there}"; to begin anew, another name',
                )
            )

    def _may_not_make(self) -> Missing:
        return Missing(
            Fault(
                problem="this user may not make a schema in the database",
                file=self.place,
                remedy=f"let its owner make it: CREATE SCHEMA {self._schema} AUTHORIZATION the user of the URL",
            )
        )

    def writing(self) -> Engine:
        """Return the writer's engine: its transactions begin with the schema's one right to write."""
        engine = self._engine(self._for_the_writer, 1)

        @event.listens_for(engine, "begin")
        def _begin(connection: Connection) -> None:
            # In one way to the server and back.
            connection.exec_driver_sql(f"BEGIN; SELECT pg_advisory_xact_lock({self._writes})")

        return engine

    def reading(self) -> Engine:
        """Return the engine for those who read."""
        engine = self._engine(self._connected, _MOST_READERS)

        @event.listens_for(engine, "begin")
        def _begin(connection: Connection) -> None:
            connection.exec_driver_sql("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY")

        return engine

    @contextmanager
    def told(self) -> Iterator[None]:
        """Say in words what the server refused, never what it was called by."""
        with said(self.place):
            yield

    def hold(self, write: Write, sitting: int) -> None:
        """Keep a sitting by an advisory lock of the writer's connection."""
        write(lambda connection: self._holds.take(connection, sitting))

    def refuse_held(self, write: Write, sitting: int) -> None:
        """Refuse a sitting that another program keeps."""
        write(lambda connection: self._holds.refuse_held(connection, sitting))

    def still_held(self, connection: Connection, sitting: int) -> None:
        """Refuse to write for a sitting that another program took over while the server was away."""
        self._holds.check(connection, sitting)

    def release(self, connection: Connection) -> None:
        """Let go of the locks, lest they last as long as the server takes to notice that the connection is closed."""
        self._holds.release(connection)

    def clean(self, connection: Connection) -> None:
        """Rewrite the tables that rows were erased from; plain VACUUM would leave their bytes in free space."""
        import psycopg

        driver = connection.connection.driver_connection
        assert driver is not None
        try:
            for table in ERASED_FROM:
                driver.execute(f"VACUUM (FULL, ANALYZE) {table}", prepare=False)
        except psycopg.errors.LockNotAvailable as error:
            raise BlindtestError(
                Fault(
                    problem="the rows are erased, but another program reads the tables, so traces may be left in them",
                    file=self.place,
                    remedy="close it; the rest is done when the database is opened next",
                )
            ) from error

    def faults(self, connection: Connection) -> list[str]:
        """Return what is wrong with pages, keys and triggers."""
        return faults_of_schema(connection)

    # Connections.

    @property
    def _quoted(self) -> str:
        return '"' + self._schema.replace('"', '""') + '"'

    def _engine(self, creator: Any, most: int) -> Engine:
        # Its URL says the dialect only: what an engine shows of itself holds no password.
        return create_engine(
            "postgresql+psycopg://",
            creator=creator,
            poolclass=QueuePool,
            pool_size=most,
            # A server that was stopped and started again leaves dead connections behind.
            pool_pre_ping=most > 1,
            use_native_hstore=False,
        )

    @contextmanager
    def _alone(self) -> Iterator["psycopg.Connection[Any]"]:
        driver = self._connected()
        try:
            yield driver
        finally:
            driver.close()

    def _connected(self) -> "psycopg.Connection[Any]":
        """Return a connection, set up for durability, each setting read back."""
        import psycopg

        try:
            driver = psycopg.connect(**self._arguments, autocommit=True)
        except psycopg.Error as error:
            raise unreachable(error, self.place) from error
        try:
            self._set_up(driver)
        except BaseException:
            driver.close()
            raise
        return driver

    def _for_the_writer(self) -> "psycopg.Connection[Any]":
        driver = self._connected()
        with self.told():
            self._holds.take_again(driver)
        return driver

    def _set_up(self, driver: "psycopg.Connection[Any]") -> None:
        wanted = {
            "synchronous_commit": "on",
            "search_path": f"{self._quoted}, pg_temp",
            "lock_timeout": f"{round(self._busy_timeout_s * 1000)}ms",
            "client_encoding": "UTF8",
            "row_security": "off",
            # A program that is gone without a word holds its sittings no longer than this.
            "tcp_keepalives_idle": "10",
            "tcp_keepalives_interval": "5",
            "tcp_keepalives_count": "3",
        }
        asked = ("synchronous_commit", "search_path", "fsync", "full_page_writes", "server_encoding")
        with self.told():
            query = ", ".join(["set_config(%s, %s, false)"] * len(wanted))
            driver.execute(f"SELECT {query}".encode(), [part for pair in wanted.items() for part in pair])
            query = ", ".join(["current_setting(%s)"] * len(asked))
            found = driver.execute(f"SELECT {query}".encode(), asked).fetchone()
        read = dict(zip(asked, found or (), strict=True))
        expected = {name: wanted.get(name, "on") for name in asked} | {"server_encoding": "UTF8"}
        for name, value in expected.items():
            if read[name] != value:
                raise Missing(
                    Fault(
                        problem=f"the server does not have {name} as a record needs it",
                        file=self.place,
                        got=read[name],
                        allowed=value,
                        remedy="take a database in UTF8" if name == "server_encoding" else "set it in the server",
                    )
                )
        if driver.info.server_version < _OLDEST:
            raise Missing(
                Fault(
                    problem="this PostgreSQL is too old",
                    file=self.place,
                    got=driver.info.server_version // 10000,
                    allowed=f"{_OLDEST // 10000} or later",
                )
            )


def _found(driver: "psycopg.Connection[Any]", query: str, value: str) -> bool:
    row = driver.execute(query.encode(), (value,)).fetchone()
    return row is not None and bool(row[0])


def _key(name: str) -> int:
    """Return the number of an advisory lock: a name's hash, as the bigint that PostgreSQL takes."""
    return int.from_bytes(sha256(name.encode()).digest()[:8], signed=True)
