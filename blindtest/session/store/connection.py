"""The writer's connection, as the writer needs it."""

import sqlite3
from pathlib import Path

from sqlalchemy import Connection
from sqlalchemy.exc import DBAPIError

from blindtest.session.migrations.opening import told

__all__ = ["WriterConnection"]


class WriterConnection:
    """What `writer.Session` asks for, on SQLite."""

    def __init__(self, connection: Connection, path: Path) -> None:
        self.connection = connection
        self._path = path

    @property
    def driver(self) -> sqlite3.Connection:
        """Return the driver's own connection."""
        found = self.connection.connection.driver_connection
        assert isinstance(found, sqlite3.Connection)
        return found

    def begin(self) -> None:
        """Begin a transaction that may write."""
        with told(self._path):
            self.connection.begin()

    def commit(self) -> None:
        """Make durable what was written since `begin`."""
        with told(self._path):
            self.connection.commit()

    def rollback(self) -> None:
        """Undo what was written since `begin`."""
        # SQLite may have rolled back by itself (disk full): then there is nothing to undo.
        try:
            self.connection.rollback()
        except DBAPIError:
            self.connection.invalidate()
            self.connection.rollback()

    def save(self) -> None:
        """Set a savepoint."""
        self.connection.exec_driver_sql("SAVEPOINT one")

    def release(self) -> None:
        """Keep what was written since the savepoint."""
        self.connection.exec_driver_sql("RELEASE one")

    def undo(self) -> None:
        """Undo what was written since the savepoint."""
        self.connection.exec_driver_sql("ROLLBACK TO one")
        self.connection.exec_driver_sql("RELEASE one")

    def close(self) -> None:
        """Let go of the database."""
        self.connection.close()
