"""Who serves a sitting: one program at a time.

Two servers of one sitting would each ask the same trials, and the second answer to a trial is refused only after it was
given. So whoever serves a sitting holds a lock on a file beside the database. The operating system lets go of it when
the process ends, by whatever way: a killed server leaves the file, never the lock.
"""

import os
from pathlib import Path

from blindtest.errors import BlindtestError, Fault, Missing

__all__ = ["PANEL", "Hold", "held_elsewhere"]

PANEL = 0
"""Stands in place of a sitting's number for all of them: a panel serves them together."""


def held_elsewhere(place: str, sitting: int) -> BlindtestError:
    """Return what is said where another program has a sitting open, or serves the panel; `place`: the database."""
    what = "the panel of this study is served by" if sitting == PANEL else f"sitting {sitting} is open in"
    return BlindtestError(
        Fault(
            problem=f"{what} another program",
            file=place,
            remedy="go on in the page that it opened, or stop it there first (Ctrl-C); answers are safe",
        )
    )


class Hold:
    """A sitting held by this process until `release`.

    Raises
    ------
    BlindtestError
        Another program holds it.
    Missing
        No file can be made beside the database.
    """

    def __init__(self, database: Path, sitting: int) -> None:
        self._path = database.with_name(f"{database.name}-sitting-{sitting}")
        # Whoever lets go removes the file: what was opened may be a file that is gone, and its lock keeps nobody out.
        while True:
            self._handle = self._opened()
            if not _locked(self._handle):
                os.close(self._handle)
                raise held_elsewhere(str(database), sitting)
            if self._is_current():
                return
            os.close(self._handle)

    def release(self) -> None:
        """Let others have it."""
        try:
            if os.name == "posix":
                self._path.unlink(missing_ok=True)
        finally:
            os.close(self._handle)

    def _opened(self) -> int:
        try:
            return os.open(self._path, os.O_CREAT | os.O_RDWR, 0o600)
        except OSError as error:
            raise Missing(
                Fault(
                    problem=f"no file can be made beside the database: {error.strerror or error}",
                    file=str(self._path),
                    remedy="may you write in this folder, and is room left on the disk?",
                )
            ) from error

    def _is_current(self) -> bool:
        try:
            there = os.stat(self._path)
        except FileNotFoundError:
            return False
        return os.path.samestat(there, os.fstat(self._handle))


def _locked(handle: int) -> bool:
    """Return whether the file behind `handle` could be locked; never waits."""
    try:
        if os.name == "posix":
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        else:
            _lock_first_byte(handle)
    except OSError:
        return False
    return True


def _lock_first_byte(handle: int) -> None:
    import importlib

    # Only on Windows: imported by name, so that types are checked alike everywhere.
    windows = importlib.import_module("msvcrt")
    windows.locking(handle, windows.LK_NBLCK, 1)
