"""What PostgreSQL refused, in words. The driver's own words of a failed connection are never passed on.

They may hold user, host, and, where a URL was taken apart otherwise than meant, a part of a password. What a statement
was refused for is the server's first line alone, which names a constraint or repeats a trigger's words.

Codes: PostgreSQL 15 documentation, appendix A.
"""

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import PendingRollbackError, ResourceClosedError, StatementError
from sqlalchemy.exc import TimeoutError as PoolTimeout

from blindtest.errors import BlindtestError, Fault, Missing

__all__ = ["said", "unreachable"]

_AWAY = (
    Missing,
    "the database can't be reached",
    "is the server running, and does the URL name it?",
)
_BY_CODE: tuple[tuple[str, tuple[type[BlindtestError], str, str]], ...] = (
    ("08", _AWAY),
    ("57P", _AWAY),
    ("28", (Missing, "the server does not let this user in", "look at user and password, and at pg_hba.conf")),
    ("3D", (Missing, "the server has no such database", "make it: createdb NAME")),
    ("53100", (Missing, "no room is left on the server's disk; this was not recorded", "make room, then try again")),
    ("53300", (Missing, "the server has no connection left", "close other programs, or raise max_connections")),
    ("53", (Missing, "the server is short of memory or the like; this was not recorded", "look at its log")),
    ("55P03", (Missing, "another program keeps the database busy", "close it, then try again")),
    ("57014", (Missing, "the server cut this short; this was not recorded", "look at its statement_timeout")),
    ("25006", (Missing, "the database can't be written to", "name the primary server, not a standby")),
    ("42501", (Missing, "this user may not do that in the database", "let the schema belong to this user")),
    ("58", (Missing, "the server's disk reports an error; this was not recorded", "look at the disk and its log")),
    ("XX001", (BlindtestError, "the database is damaged", "keep a copy of it and take the backup")),
    ("XX002", (BlindtestError, "an index of the database is damaged", "keep a copy, then REINDEX")),
)
_BY_WORDS = (
    ("password authentication failed", "28P01"),
    ("no password supplied", "28P01"),
    ("pg_hba.conf", "28000"),
    ('" does not exist', "3D000"),
    ("too many clients", "53300"),
    ("connection slots", "53300"),
)
"""A failed connection comes without a code: what libpq says of it, in English."""


@contextmanager
def said(place: str) -> Iterator[None]:
    """Say in words what the server refused.

    place : what faults call the database
    """
    import psycopg

    try:
        yield
    except (PendingRollbackError, ResourceClosedError, PoolTimeout) as error:
        # SQLAlchemy's: the connection was lost earlier in the same transaction, or no reader came free.
        raise _fault("08", place) from error
    except StatementError as error:
        # What was said of a connection that could not be made comes wrapped.
        if isinstance(error.orig, BlindtestError):
            raise error.orig from None
        raise _of(error.orig, place) from error
    except psycopg.Error as error:
        raise _of(error, place) from error


def unreachable(error: Exception, place: str) -> BlindtestError:
    """Return what is said of a connection that could not be made."""
    words = str(error)
    code = next((code for part, code in _BY_WORDS if part in words), "08")
    if 'role "' in words and code == "3D000":
        code = "28000"
    return _fault(code, place)


def _of(error: BaseException | None, place: str) -> BlindtestError:
    import psycopg

    code = getattr(error, "sqlstate", None)
    if code is None:
        lost = isinstance(error, psycopg.OperationalError | psycopg.InterfaceError)
        return _fault("08" if lost else "", place)
    first = getattr(getattr(error, "diag", None), "message_primary", None)
    return _fault(code, place, first or "")


def _fault(code: str, place: str, words: str = "") -> BlindtestError:
    for beginning, (kind, problem, remedy) in _BY_CODE:
        if code.startswith(beginning):
            return kind(Fault(problem=problem, file=place, remedy=remedy))
    return BlindtestError(Fault(problem=f"the database refused: {words or 'a value that it can not hold'}", file=place))
