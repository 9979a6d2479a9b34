"""What plays a sitting: the sound device of this machine where there is one, else the browser."""

from collections.abc import Callable
from typing import Literal

from blindtest.errors import BlindtestError, Fault, Missing
from blindtest.session import DevicePlayer
from blindtest.steps.listening import PreparedSitting

__all__ = ["Play", "open_player"]

Play = Literal["auto", "device", "browser"]


def open_player(
    prepared: PreparedSitting, *, play: Play = "auto", device: str = "", say: Callable[[str], object]
) -> DevicePlayer | None:
    """Return a player on the sound device, or None where the browser plays.

    Parameters
    ----------
    play : "auto" takes the sound device where there is one that plays the stimuli as they are, and says what it did
    device : name of the device, or a part of it that no other has
    say : prints a line for the organiser

    Raises
    ------
    BlindtestError
        "device" was asked for, or a device was named, and it can't be used.
    """
    wanted = play == "device" or bool(device)
    if not prepared.sitting.has_level or (play == "browser" and not device):
        return None
    try:
        player = _opened(prepared, device)
    except BlindtestError as error:
        if wanted:
            raise
        if not isinstance(error, Missing):
            say(f"The browser plays: {error.faults[0].problem}.")
        return None
    say(f"Playing on {player.facts.sentence}.")
    for warning in player.facts.warnings:
        say(f"  Know that {warning}.")
    return player


def _opened(prepared: PreparedSitting, device: str) -> DevicePlayer:
    forms = prepared.forms()
    channels = {channels for _, channels in forms}
    if len(channels) > 1:
        raise BlindtestError(
            Fault(
                problem="a stream has the same channels for a whole sitting, and the clips of this one differ",
                got=", ".join(f"{count} channels" for count in sorted(channels)),
                remedy="make all clips stereo, or let the browser play (--play browser)",
            )
        )
    return DevicePlayer(rates=sorted({rate for rate, _ in forms}), channels=channels.pop(), device=device)
