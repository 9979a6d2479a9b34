"""What the store needs of the database that it stands in: SQLite's file, or a schema of PostgreSQL.

Where the two differ stands behind this contract; all else is one code through SQLAlchemy Core.
"""

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from typing import Any, Protocol

from sqlalchemy import Connection, Engine

from blindtest.session.store.answers import Answers

__all__ = ["ByUrl", "Database", "Write"]

Write = Callable[[Callable[[Connection], Any]], Any]
"""`write(job)` runs a job on the writer's connection, in a transaction, and returns what it returned."""

_STANDARD_SCHEMA = "blindtest"


@dataclass(frozen=True, slots=True, kw_only=True)
class ByUrl:
    """A database that a URL names."""

    url: str = field(repr=False)
    """It may hold a password: it is never shown."""
    schema: str = _STANDARD_SCHEMA
    """Of PostgreSQL: each study has its own, with its own register and chains."""
    named: str = "PostgreSQL"
    """What faults call it."""
    mark: str = ""
    """Whose record it is, as a word that says nothing. Where another schema bears it, a new one is not made: the
    record lies there. '' for a schema that was named on purpose.
    """


class Database(Protocol):
    """A database by its kind."""

    @property
    def place(self) -> str:
        """What faults call it; never a URL."""

    @property
    def answers(self) -> Answers:
        """How answers are read and added."""

    def there(self) -> bool:
        """Return whether something was recorded here."""

    def look(self) -> str:
        """Return what is found, in words; change nothing.

        Raises
        ------
        BlindtestError
            It can't be used.
        """

    def prepare(self) -> None:
        """Make what the tables will stand in, readable to its owner only."""

    def writing(self) -> Engine:
        """Return the engine for the writer: durable commits, one program at a time, each setting read back."""

    def reading(self) -> Engine:
        """Return the engine for those who read: each transaction sees one state."""

    def told(self) -> AbstractContextManager[None]:
        """Say in words what the database refused, and what to do."""

    def hold(self, write: Write, sitting: int) -> None:
        """Keep a sitting for this program; see `Store.hold`. Those of a panel are kept together, as `hold.PANEL`."""

    def refuse_held(self, write: Write, sitting: int) -> None:
        """Refuse a sitting that another program keeps."""

    def still_held(self, connection: Connection, sitting: int) -> None:
        """Refuse to write for a sitting that was held and that another program took over meanwhile."""

    def release(self, connection: Connection) -> None:
        """Let go of what is held, before the writer's connection closes."""

    def clean(self, connection: Connection) -> None:
        """Rewrite what rows were erased from, outside a transaction, so that nothing deleted is left there."""

    def faults(self, connection: Connection) -> list[str]:
        """Return what is wrong with pages, keys and triggers, in words."""
