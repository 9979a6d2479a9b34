"""A sitting in which somebody connects real units: the listener's page waits, the operator's page says what is to do.

A sound is selected only once its unit is connected and its time has come; here that is enforced, whatever a page does.
"""

from collections.abc import Callable, Mapping
from dataclasses import asdict
from datetime import datetime
from typing import Any

from blindtest.errors import BlindtestError, Fault
from blindtest.session import (
    LEVEL_SLOT,
    Connected,
    Event,
    Faulted,
    LevelSet,
    Misconnected,
    OutOfTurn,
    Selected,
    Sitting,
    Switching,
    offers,
)
from blindtest.web.app import Facts, NotStored
from blindtest.web.device_desk import PlayerOrder
from blindtest.web.operator_desk import OperatorDesk, in_hand
from blindtest.web.sitting_service import Record, SittingService
from blindtest.words import worded

__all__ = ["AssistedService"]

_NOT_YET = worded("this sound is not connected yet")


class AssistedService(SittingService):
    """Serves the listener's page and the operator's; methods block and may be called from any thread.

    Parameters
    ----------
    hands : connections, their time and the clock
    others : see `SittingService`
    """

    def __init__(
        self,
        sitting: Sitting,
        *,
        hands: OperatorDesk,
        record: Record,
        samples: Callable[[str, str], Any],
        rate: Callable[[str], int],
        facts: Facts | None = None,
        **others: Any,
    ) -> None:
        super().__init__(sitting, record=record, samples=samples, rate=rate, facts=facts, **others)
        self._hands = hands

    # The listener's side.

    def connection(self, token: str) -> Mapping[str, bool] | None:
        """Ask for what sounds under `token`; see `ListeningService`."""
        with self._lock:
            found = [one for one in offers(self._sitting) if one.token == token and in_hand(one, self._sitting)]
            return {"ready": self._hands.ask(found[0])} if found else None

    def handle(self, event: Event) -> Mapping[str, Any]:
        """Take an event; what can't have been heard yet is refused."""
        with self._lock:
            self._refuse_unconnected(event)
        return super().handle(event)

    def _refuse_unconnected(self, event: Event) -> None:
        sitting = self._sitting
        if isinstance(event, LevelSet):
            slot = LEVEL_SLOT
        elif isinstance(event, Selected) and (event.trial, event.attempt) == (sitting.trial, sitting.attempt):
            slot = event.slot
        else:
            return
        tokens = [one.token for one in offers(sitting) if one.slot == slot and in_hand(one, sitting)]
        if tokens and not self._hands.ready(tokens[0]):
            raise OutOfTurn(_NOT_YET, remedy=worded("select it and wait: it sounds by itself"))

    def order(self, order: PlayerOrder) -> Mapping[str, Any] | None:
        """Hand an order to the sound device; nothing sounds while a connection is made."""
        if order.type in ("play", "select", "restart"):
            with self._lock:
                if not self._hands.ready():
                    raise BlindtestError(Fault(problem=_NOT_YET))
        return super().order(order)

    # The operator's side.

    def task(self) -> Mapping[str, Any]:
        """Return what the operator is shown."""
        with self._lock:
            return asdict(self._hands.task(self._sitting))

    def connected(self, number: int) -> Mapping[str, Any]:
        """Take it that a connection was made; on record before it is shown. See `OperatorService`."""
        with self._lock:
            made = self._hands.connecting(number)
            if made is not None:
                offer = made.offer
                self._on_record(
                    Connected(
                        trial=offer.trial, attempt=offer.attempt, slot=offer.slot, took_s=made.took_s,
                        at=made.connected_at or self._hands.clock(),
                    )
                )  # fmt: skip
                self._hands.put(made)
            return asdict(self._hands.task(self._sitting))

    def mistaken(self, number: int) -> Mapping[str, Any]:
        """Take it that the last connection was wrong: its trial, unless answered, is flagged and offered again."""
        with self._lock:
            wrong = self._hands.wrong(number)
            at = self._hands.clock()
            offer = wrong.offer
            self._on_record(Misconnected(trial=offer.trial, attempt=offer.attempt, slot=offer.slot, at=at))
            self._again(wrong, at)
            self._hands.undo(number)
            return asdict(self._hands.task(self._sitting))

    def _again(self, wrong: Switching, at: datetime) -> None:
        sitting, offer = self._sitting, wrong.offer
        if sitting.step == "trial" and (offer.trial, offer.attempt) == (sitting.trial, sitting.attempt):
            self._take(Faulted(trial=offer.trial, attempt=offer.attempt, kind="misconnected", at=at))

    def _on_record(self, event: Event) -> None:
        try:
            self._record.happened(event)
        except Exception as error:
            raise NotStored(
                error.faults[0] if isinstance(error, BlindtestError) else Fault(problem=f"{error}")
            ) from error
