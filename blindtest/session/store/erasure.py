"""Erasure at a person's request: the only way in which rows go."""

from datetime import datetime

from sqlalchemy import Connection, delete, select, update

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.session import migrations as schema
from blindtest.session.event import time_text
from blindtest.session.register import WITHHELD
from blindtest.session.store.panel import erase_panelist, panelists
from blindtest.session.store.settings import remember
from blindtest.session.store.sittings import events_of

__all__ = ["CLEANING_DUE", "erase"]

CLEANING_DUE = "cleaning_due"
"""Key of the setting that says that what rows were erased from has still to be rewritten."""


def erase(connection: Connection, pseudonym: str, at: datetime, place: str) -> tuple[int, ...]:
    """Delete what `Store.forget` erases, and note that what they stood in has to be rewritten."""
    sittings, said = schema.sittings, schema.impression_content
    theirs = sittings.c.listener == pseudonym
    numbers = tuple(connection.scalars(select(sittings.c.number).where(theirs).order_by(sittings.c.number)))
    spoken = tuple(connection.scalars(select(said.c.position).where(said.c.by == pseudonym)))
    in_panel = erase_panelist(connection, pseudonym, at)
    if not numbers and not spoken and not in_panel:
        known = {*connection.scalars(select(sittings.c.listener)), *connection.scalars(select(said.c.by))}
        known = (known | panelists(connection)) - {WITHHELD}
        raise BlindtestError(
            Fault(
                problem="no such listener in the register",
                file=place,
                got=pseudonym,
                remedy=did_you_mean(pseudonym, known),
            )
        )
    connection.execute(
        update(sittings)
        .where(theirs, sittings.c.state == "open")
        .values(state="abandoned", ended=time_text(at), reason="withdrawn by the listener")
    )
    # Why somebody stopped, they may have said in words of their own; why the tool or its user ended a sitting stays.
    own = [number for number in numbers if any(one["event"] == "abandoned" for one in events_of(connection, number))]
    connection.execute(update(sittings).where(sittings.c.number.in_(own)).values(reason=""))
    connection.execute(update(sittings).where(theirs).values(listener=WITHHELD, forgotten=time_text(at)))
    for number in numbers:
        remember(connection, f"playback/{number}", None)
    for erased in (schema.content, schema.events):
        connection.execute(delete(erased).where(erased.c.sitting.in_(numbers)))
    told = schema.impressions
    connection.execute(update(told).where(told.c.position.in_(spoken)).values(forgotten=time_text(at)))
    connection.execute(delete(said).where(said.c.position.in_(spoken)))
    remember(connection, CLEANING_DUE, True)
    return numbers
