"""Where a study's things lie, and the clock and entropy that steps ask for."""

import os
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from blindtest.errors import BlindtestError, Fault
from blindtest.steps.storage import database_of
from blindtest.study import Study

if TYPE_CHECKING:
    from blindtest.session.store import Store

__all__ = [
    "REPORT",
    "Clock",
    "Entropy",
    "Progress",
    "now",
    "open_store",
    "refuse_open_sittings",
    "report_folder",
    "stimuli_folder",
]

REPORT = "report"
"""Name of the folder that a study's report lies in."""
Progress = Callable[[int, int, str], None]
"""`progress(done, total, what)`."""
Clock = Callable[[], datetime]
Entropy = Callable[[int], bytes]


def now() -> datetime:
    """Return the present time in UTC."""
    return datetime.now(UTC)


def stimuli_folder(study: Study) -> Path:
    """Return where a study's stimuli lie."""
    return study.folder / "stimuli"


def report_folder(study: Study) -> Path:
    """Return where a study's report lies."""
    return study.folder / REPORT


def open_store(study: Study, *, create: bool = True, entropy: Entropy = os.urandom) -> "Store":
    """Open the study's database; see `blindtest.session.store.Store`."""
    from blindtest.session.store import Store

    return Store(database_of(study), entropy=entropy, create=create)


def refuse_open_sittings(study: Study, store: "Store", at: datetime, *, what: str, override: str = "") -> None:
    """Refuse a command while a sitting is open, unless there is a reason, which then goes on record.

    Raises
    ------
    BlindtestError
        A sitting is open: results or stimuli looked at in between could change how its listener goes on.
    """
    store.abandon_overdue(at)
    still = [entry.number for entry in store.sittings() if entry.state == "open"]
    if not still:
        return
    if override:
        store.add_override(f"{what} while sitting {', '.join(map(str, still))} was open", reason=override, at=at)
        return
    raise BlindtestError(
        Fault(
            problem=f"sitting {', '.join(map(str, still))} is open: no {what} before it has ended",
            file=store.place,
            remedy="finish it (blindtest listen), or end it for good (blindtest abandon)",
        )
    )
