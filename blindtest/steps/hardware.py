"""Real units of a study, and what is on record of their switching, as a report tells them."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from blindtest.report import ConnectedUnit, HardwareFacts, unit_words
from blindtest.study import Study

if TYPE_CHECKING:
    from blindtest.session.record import Record

__all__ = ["hardware_chain", "hardware_facts"]


def hardware_facts(study: Study, store: "Record", sittings: Sequence[int]) -> HardwareFacts | None:
    """Return what the report says of real units; None where all was rendered.

    sittings : numbers in the register of those that the report is about
    """
    own = study.hardware
    if own is None:
        return None
    events = [event for number in sittings for event in store.events(number)]
    made = [event for event in events if event.get("event") == "connected"]
    trims = own.trims_db
    return HardwareFacts(
        route=own.route,
        switch=own.switch,
        units=tuple(
            ConnectedUnit(
                condition=name,
                unit=one.unit,
                connect=one.connect,
                outputs=one.outputs,
                volts=one.volts,
                trim_db=trims[name],
            )
            for name, one in own.connections.items()
        ),
        apart_db=own.apart_db,
        measured_with=own.measured_with,
        trimmed=own.trim,
        accept_unmatched=own.accept_unmatched,
        operator_knows=own.operator_knows,
        operator_place=own.operator_place,
        switch_s=own.switch_s if own.route == "operator" else None,
        connections=tuple(float(event["took_s"]) for event in made),
        late=sum(float(event["took_s"]) > own.switch_s for event in made),
        mistakes=sum(event.get("event") == "misconnected" for event in events),
    )


def hardware_chain(study: Study, condition: str) -> tuple[str, ...]:
    """Return what a condition's chain says of its real unit, a phrase; () where it has none."""
    if study.hardware is None:
        return ()
    own = study.hardware.connections[condition]
    return (unit_words(own.unit, own.connect, own.outputs),)
