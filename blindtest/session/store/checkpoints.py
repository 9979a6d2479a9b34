"""What SQLite's log holds is brought into the database beside the writer, so that no answer waits for it.

SQLite itself does that within the commit after which the log has grown past so many pages: two more waits for the disk,
and a page here and there. Under 500 listeners the longest answer took 19 ms so and 14 ms without.
"""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from queue import SimpleQueue
from threading import Lock, Thread

from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError

__all__ = ["WRITERS_PAGES", "Checkpoints"]

_COMMITS = 100
"""So many are brought over at a time: of answers, about 700 pages."""
WRITERS_PAGES = 4_000
"""Pages after which the writer does it all the same, 16 MB: this here may be kept from it by those who read."""


class Checkpoints:
    """A thread that is there once there was something to do, until `close`.

    Parameters
    ----------
    engine : returns one whose connections are for nothing else
    """

    def __init__(self, engine: Callable[[], Engine]) -> None:
        self._engine = engine
        self._commits = 0
        self._due: SimpleQueue[bool] = SimpleQueue()
        self._thread: Thread | None = None
        self._still = Lock()

    def committing(self) -> None:
        """Count a commit; called by the writer's thread only."""
        self._commits += 1
        if self._commits % _COMMITS:
            return
        if self._thread is None:
            self._thread = Thread(target=self._run, name="checkpoints", daemon=True)
            self._thread.start()
        self._due.put(True)

    @contextmanager
    def still(self) -> Iterator[None]:
        """Keep it from beginning until the block is left: two at once are refused."""
        with self._still:
            yield

    def close(self) -> None:
        """Let go of the file."""
        if self._thread is not None:
            self._due.put(False)
            self._thread.join()
            self._thread = None

    def _run(self) -> None:
        engine = self._engine()
        try:
            while self._due.get():
                # Left out where it can't be done: what is in the log is as durable, and the writer is told of the disk.
                with suppress(DBAPIError, sqlite3.Error), self._still, engine.connect() as connection:
                    driver = connection.connection.driver_connection
                    assert isinstance(driver, sqlite3.Connection)
                    driver.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()
        finally:
            engine.dispose()
