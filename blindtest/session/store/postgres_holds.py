"""Who serves a sitting, on PostgreSQL: advisory locks of the writer's connection, so that two machines see each other.

The server lets go of them when that connection ends. Where it ended because the server was stopped, they are taken
again with the new connection, before anything is written; a sitting that another program took meanwhile is lost to this
one, which then writes nothing for it any more.

A connection that broke on the way may live on at the server for a while and hold its locks against its own successor:
it is told to end, known by its number and the moment it began.
"""

from hashlib import sha256
from typing import Any

from sqlalchemy import Connection

from blindtest.errors import BlindtestError, Fault
from blindtest.session.store.hold import PANEL, held_elsewhere

__all__ = ["PostgresHolds"]

_ENDS_OLD = (
    "SELECT pg_terminate_backend(pid, 5000) FROM pg_stat_activity WHERE pid = %s AND backend_start::text = %s "
    "AND pid <> pg_backend_pid()"
)
_TRIES, _BETWEEN_TRIES_S = 20, 0.05
_NAMES_ITSELF = "SELECT pid, backend_start::text FROM pg_stat_activity WHERE pid = pg_backend_pid()"


class PostgresHolds:
    """The sittings that this program serves; called by the writer's thread only.

    Parameters
    ----------
    place : what faults call the database
    schema : of the study
    """

    def __init__(self, place: str, schema: str) -> None:
        self._place = place
        self._schema = schema
        self._held: set[int] = set()
        self._lost: set[int] = set()
        self._backend: tuple[int, str] | None = None

    def take(self, connection: Connection, sitting: int) -> None:
        """Hold a sitting.

        Raises
        ------
        BlindtestError
            Another program holds it, or this one does already.
        """
        if sitting != PANEL:
            self.refuse_held(connection, PANEL)
        if sitting in self._held or not self._locked_soon(_driver(connection), sitting):
            raise held_elsewhere(self._place, sitting)
        self._held.add(sitting)

    def refuse_held(self, connection: Connection, sitting: int) -> None:
        """Refuse a sitting that another program holds, or this one.

        Raises
        ------
        BlindtestError
            It is held.
        """
        driver = _driver(connection)
        if sitting in self._held or not self._locked_soon(driver, sitting):
            raise held_elsewhere(self._place, sitting)
        driver.execute("SELECT pg_advisory_unlock(%s)", (self._key(sitting),))

    def take_again(self, driver: Any) -> None:
        """Hold on a new connection what was held on the one before."""
        if self._held and self._backend is not None:
            driver.execute(_ENDS_OLD, self._backend)
        self._lost = {sitting for sitting in sorted(self._held) if not self._locked(driver, sitting)}
        self._backend = driver.execute(_NAMES_ITSELF).fetchone()

    def check(self, connection: Connection, sitting: int) -> None:
        """Refuse to write for a sitting that was lost, unless it has come free again.

        Raises
        ------
        BlindtestError
            Another program serves it now.
        """
        for one in sorted({sitting, PANEL} & self._lost):
            if not self._locked(_driver(connection), one):
                raise BlindtestError(
                    Fault(
                        problem=f"{'the panel' if one == PANEL else f'sitting {one}'} went to another program while "
                        "the database was away",
                        file=self._place,
                        remedy="go on in the page that it opened; nothing was recorded here",
                    )
                )
            self._lost.discard(one)

    def release(self, connection: Connection) -> None:
        """Let go of all. Where the server is away, it has let go by itself."""
        if connection.invalidated or connection.closed:
            return
        import psycopg

        driver = _driver(connection)
        try:
            if self._held:
                driver.execute("SELECT pg_advisory_unlock_all()")
        except psycopg.Error:
            pass
        if driver.closed:
            # Else the pool would try to use it once more, and say so.
            connection.invalidate()

    def _locked_soon(self, driver: Any, sitting: int) -> bool:
        """Lock a sitting; the server takes a moment to see that a program was killed, whose locks it still holds."""
        for _ in range(_TRIES):
            if self._locked(driver, sitting):
                return True
            driver.execute("SELECT pg_sleep(%s)", (_BETWEEN_TRIES_S,))
        return self._locked(driver, sitting)

    def _locked(self, driver: Any, sitting: int) -> bool:
        (taken,) = driver.execute("SELECT pg_try_advisory_lock(%s)", (self._key(sitting),)).fetchone()
        return bool(taken)

    def _key(self, sitting: int) -> int:
        name = f"blindtest/sitting/{self._schema}/{sitting}"
        return int.from_bytes(sha256(name.encode()).digest()[:8], signed=True)


def _driver(connection: Connection) -> Any:
    return connection.connection.driver_connection
