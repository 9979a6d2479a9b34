"""How long answers may be kept: the day that the study file names, remembered once it has passed.

Nothing is erased by itself: an erasure can't be undone, and a day may have been mistyped.
"""

from collections.abc import Sequence
from datetime import datetime, time, timedelta
from typing import TYPE_CHECKING

from blindtest.errors import BlindtestError
from blindtest.session.register import WITHHELD
from blindtest.steps.place import open_store
from blindtest.steps.storage import has_record
from blindtest.study import Study

if TYPE_CHECKING:
    from blindtest.session.record import Record
    from blindtest.session.register import SittingEntry

__all__ = [
    "closing_reminder",
    "keeping_ends",
    "keeping_reminder",
    "keeping_was",
    "panel_reminder",
    "panel_reminder_of",
    "reminder_of",
]


def closing_reminder(study: Study, at: datetime) -> str:
    """Return the line that says that the day on which a panel closes is over; '' where there is none, or it is not."""
    closes = None if study.panel is None else study.panel.closes
    if closes is None or at.astimezone().date() <= closes:
        return ""
    return f"The panel was to close on {closes}, which has passed: nobody can begin any more"


def keeping_reminder(study: Study, at: datetime) -> str:
    """Return the line that says that answers are kept for longer than was promised; '' where they are not.

    The database is only opened once the day has passed.
    """
    if study.panel is not None:
        return panel_reminder(study, at)
    if not keeping_was(study, at):
        return ""
    try:
        if not has_record(study):
            return ""
        with open_store(study, create=False) as store:
            return reminder_of(study, store.sittings(), at)
    except BlindtestError:
        # A folder to read only, say: what is in the database can't be known, and the day has passed.
        return _words(study)


def panel_reminder(study: Study, at: datetime) -> str:
    """Return what is said of a panel after that day: answers of listeners who came are due for erasure, and those that
    still come in could not be kept. '' before.
    """
    if study.panel is None or not keeping_was(study, at):
        return ""
    try:
        if has_record(study):
            with open_store(study, create=False) as store:
                return panel_reminder_of(study, store, at)
    except BlindtestError:
        return _words(study)
    return _late(study)


def panel_reminder_of(study: Study, store: "Record", at: datetime) -> str:
    """Return the same for a record that is at hand."""
    if study.panel is None or not keeping_was(study, at):
        return ""
    return _words(study) if store.panelists() or reminder_of(study, store.sittings(), at) else _late(study)


def _late(study: Study) -> str:
    return (
        f"Answers are to be kept until {study.listeners.keep_until}, which has passed: what came in now could not be "
        "kept, so nobody is let in; if it is to go on, set a later day (keep_until under [listeners], and in the "
        "consent text)"
    )


def reminder_of(study: Study, sittings: "Sequence[SittingEntry]", at: datetime) -> str:
    """Return the same for a register that is at hand."""
    return _words(study) if keeping_was(study, at) and any(one.listener != WITHHELD for one in sittings) else ""


def keeping_was(study: Study, at: datetime) -> bool:
    """Return whether the day is over until which answers may be kept, where this machine stands."""
    last = study.listeners.keep_until
    return last is not None and at.astimezone().date() > last


def keeping_ends(study: Study) -> datetime | None:
    """Return the end of that day, where this machine stands; None where the study names none.

    A panel's sitting that is open then ends with it: its listener agreed to nothing later.
    """
    last = study.listeners.keep_until
    if last is None:
        return None
    # Where clocks change at midnight there is none, or there are two; the day ends once the next one has begun.
    midnight = datetime.combine(last + timedelta(days=1), time())
    ends = sorted((midnight.replace(fold=fold).astimezone() for fold in (0, 1)), key=datetime.timestamp)
    return next((end for end in ends if keeping_was(study, end)), ends[-1])


def _words(study: Study) -> str:
    return (
        f"Answers were to be kept until {study.listeners.keep_until}, which has passed; erase each listener's with: "
        f"blindtest forget PSEUDONYM {study.folder}"
    )
