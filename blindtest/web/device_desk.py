"""Orders from the page to the sound device: the page stays the desk, the sound leaves from this machine.

The page sends names of slots and their tokens, and when to play; it gets back lengths and places, which are the same
whatever sounds. The level is the sitting's: it can be turned only while the listener sets it.
"""

from collections.abc import Mapping
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from blindtest.errors import BlindtestError, Fault
from blindtest.session import DevicePlayer, Sitting
from blindtest.words import worded

__all__ = ["DeviceDesk", "PlayerOrder"]

SILENT_DB = -80.0
"""Before the listener has set a level nothing sounds by itself."""


class PlayerOrder(BaseModel):
    """What the page asks of the player."""

    model_config = ConfigDict(extra="forbid", strict=True)
    type: Literal["load", "play", "pause", "select", "loop", "restart", "gain", "where"]
    slots: dict[str, str] = Field(default={}, max_length=64)
    """Of 'load': slot to token."""
    slot: str = Field(default="", max_length=100)
    """Of 'load': what sounds first; of 'select'."""
    start_s: float = Field(default=0.0, ge=0, le=86_400)
    end_s: float = Field(default=0.0, ge=0, le=86_400)
    """Of 'loop'."""
    gain_db: float = Field(default=SILENT_DB, ge=-200, le=0)
    """Of 'gain'."""


class DeviceDesk:
    """Takes the page's orders for one sound device, and remembers which underruns were told already."""

    def __init__(self, player: DevicePlayer, *, most_gain_db: float = 0.0) -> None:
        self.player = player
        self.most_gain_db = most_gain_db
        self._told = 0

    def take(self, order: PlayerOrder, sitting: Sitting) -> Mapping[str, float]:
        """Obey an order and return what may be known of it.

        Raises
        ------
        BlindtestError
            The order fits nothing that is loaded, or the device does not go on.
        """
        player, switcher = self.player, self.player.switcher
        match order.type:
            case "load":
                player.set_gain(_level_of(sitting))
                once = sitting.first_slot(sitting.trial) is not None and sitting.step != "level"
                return {"frames": player.load(order.slots, order.slot, once=once), "rate": switcher.rate}
            case "play":
                player.play()
            case "pause":
                player.pause()
            case "select":
                if order.slot not in switcher.names:
                    raise BlindtestError(Fault(problem=worded("there is no such slot"), got=order.slot))
                if sitting.step == "onward" and order.slot != sitting.selected:
                    raise BlindtestError(
                        Fault(problem=worded("another slot was chosen to play the rest"), got=order.slot)
                    )
                switcher.select(order.slot)
            case "loop":
                try:
                    switcher.loop(round(order.start_s * switcher.rate), round(order.end_s * switcher.rate))
                except ValueError as error:
                    raise BlindtestError(Fault(problem=str(error))) from None
            case "restart":
                switcher.restart()
            case "gain":
                wanted = order.gain_db if sitting.step == "level" else _level_of(sitting)
                player.set_gain(min(wanted, self.most_gain_db))
        return {"position_s": switcher.position / switcher.rate}

    def stumbled(self) -> bool:
        """Return whether the device has reported underruns since this was asked last."""
        told, self._told = self._told, self.player.underruns
        return self._told > told


def _level_of(sitting: Sitting) -> float:
    return SILENT_DB if sitting.gain_db is None else sitting.gain_db
