"""A record where nobody may write: a medium to read only, a snapshot, a folder of somebody else's.

The store writes where it opens: its log beside the file, a newer form, what a deadline ended. So it is given a copy.
"""

import os
import sqlite3
from contextlib import closing
from pathlib import Path

from blindtest.errors import Fault, Missing

__all__ = ["copy_to_read", "is_read_only"]


def is_read_only(file: Path) -> bool:
    """Return whether the database `file` is there, and it or its folder can't be written to."""
    as_we_are = {"effective_ids": True} if os.access in os.supports_effective_ids else {}
    return file.is_file() and not all(os.access(place, os.W_OK, **as_we_are) for place in (file, file.parent))


def copy_to_read(file: Path, copy: Path) -> None:
    """Write what stands in the database `file`, with what its log holds, into the new file `copy`.

    Raises
    ------
    Missing
        It can't be read where it is: no right to, damaged, or its log needs a place to write.
    """
    copy.touch(mode=0o600)  # it holds nonces and salts, as the original does
    log = file.with_name(file.name + "-wal")
    # Without a log nobody has it open, and SQLite needn't lock what it can't write to (sqlite.org/wal.html, 5).
    how = "mode=ro" if log.exists() and log.stat().st_size else "immutable=1"
    try:
        with (
            closing(sqlite3.connect(f"{file.absolute().as_uri()}?{how}", uri=True)) as here,
            closing(sqlite3.connect(copy)) as there,
        ):
            here.backup(there)
    except (sqlite3.Error, OSError) as error:
        raise Missing(
            Fault(
                problem=f"the database can't be written to, nor read as it lies there: {error}",
                file=str(file),
                remedy="copy the study's folder to where you may write",
            )
        ) from error
