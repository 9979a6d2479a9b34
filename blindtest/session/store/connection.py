"""The writer's connection, as the writer needs it."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import DBAPIError

from blindtest.session.store.answers import About
from blindtest.session.store.database import Database

__all__ = ["WriterConnection"]


class WriterConnection:
    """What `writer.Session` asks for."""

    def __init__(self, engine: Engine, database: Database) -> None:
        self.connection: Connection = engine.connect()
        self._database = database

    @property
    def driver(self) -> Any:
        """Return the driver's own connection."""
        return self.connection.connection.driver_connection

    def begin(self, about: Sequence[About]) -> None:
        """Begin a transaction that may write; where the server was away meanwhile, on a new connection."""
        with self._database.told():
            try:
                self.connection.begin()
            except DBAPIError as lost:
                if not lost.connection_invalidated:
                    raise
                self.connection.rollback()
                self.connection.begin()
            self._database.answers.begin(self.connection, about)

    def settle(self) -> None:
        """Write what answers have added so far."""
        with self._database.told():
            self._database.answers.settle(self.connection)

    def commit(self) -> None:
        """Make durable what was written since `begin`."""
        with self._database.told():
            self.connection.commit()

    def rollback(self) -> None:
        """Undo what was written since `begin`."""
        # The database may have rolled back by itself (disk full), or be gone: then there is nothing to undo.
        try:
            self.connection.rollback()
        except DBAPIError:
            self.connection.invalidate()
            self.connection.rollback()

    def save(self) -> None:
        """Set a savepoint."""
        self._run("SAVEPOINT one")

    def release(self) -> None:
        """Keep what was written since the savepoint."""
        self._run("RELEASE one")

    def undo(self) -> None:
        """Undo what was written since the savepoint."""
        self._run("ROLLBACK TO one")
        self._run("RELEASE one")

    def close(self) -> None:
        """Let go of the database."""
        try:
            self._database.release(self.connection)
        finally:
            self.connection.close()

    def _run(self, statement: str) -> None:
        with self._database.told():
            self.connection.exec_driver_sql(statement)
