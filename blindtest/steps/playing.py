"""What plays a sitting: the sound device of this machine where there is one, else the browser."""

from collections.abc import Callable, Mapping
from types import TracebackType
from typing import Literal, Self

from blindtest.errors import BlindtestError, Fault, Missing
from blindtest.session import DevicePlayer, Route, Sitting
from blindtest.steps.prepared_sitting import Forms

__all__ = ["Play", "PlayerFound", "open_player"]

Play = Literal["auto", "device", "browser"]


class PlayerFound:
    """Finds what plays a sitting before its plan is sealed; gives a device back that nobody took. A context manager.

    A sitting that was sealed and then could not begin, for want of a device, would stand in the register for nothing.

    Parameters
    ----------
    play, device, say : see `open_player`
    """

    def __init__(self, *, play: Play = "auto", device: str = "", say: Callable[[str], object]) -> None:
        self._play: Play = play
        self._device = device
        self._say = say
        self._found: DevicePlayer | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        found = self.taken()
        if found is not None:
            found.close()

    def find(self, sitting: Sitting, forms: Forms, routes: Mapping[str, Route]) -> None:
        """Open the player of a sitting; see `open_player` for what it raises."""
        self._found = open_player(sitting, forms, routes, play=self._play, device=self._device, say=self._say)

    def taken(self) -> DevicePlayer | None:
        """Return what was found, None where the browser plays; who takes it closes it."""
        found, self._found = self._found, None
        return found


def open_player(
    sitting: Sitting,
    forms: Forms,
    routes: Mapping[str, Route] | None = None,
    *,
    play: Play = "auto",
    device: str = "",
    say: Callable[[str], object],
) -> DevicePlayer | None:
    """Return a player on the sound device, or None where the browser plays.

    Parameters
    ----------
    forms : of all stimuli that may sound in the sitting
    routes : condition to the outputs of its real unit; with outputs only a sound device will do
    play : "auto" takes the sound device where there is one that plays the stimuli as they are, and says what it did
    device : name of the device, or a part of it that no other has
    say : prints a line for the organiser

    Raises
    ------
    BlindtestError
        "device" was asked for, or a device was named, and it can't be used.
    """
    routes = routes or {}
    outputs = {output for route in routes.values() for output in route.outputs}
    if outputs and play == "browser":
        raise BlindtestError(
            Fault(
                problem="a browser can't reach outputs of their own for each unit: this study needs the sound device",
                key="--play",
                got=play,
                remedy="leave --play out, and name the interface with --device",
            )
        )
    wanted = play == "device" or bool(device) or bool(outputs)
    if not sitting.has_level or (play == "browser" and not device):
        return None
    try:
        player = _opened(forms, device, routes)
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


def _opened(forms: Forms, device: str, routes: Mapping[str, Route]) -> DevicePlayer:
    channels = {channels for _, channels in forms}
    if len(channels) > 1:
        raise BlindtestError(
            Fault(
                problem="a stream has the same channels for a whole sitting, and the clips of this one differ",
                got=", ".join(f"{count} channels" for count in sorted(channels)),
                remedy="make all clips stereo, or let the browser play (--play browser)",
            )
        )
    own = channels.pop()
    for name, route in routes.items():
        if route.outputs and own not in (1, len(route.outputs)):
            raise BlindtestError(
                Fault(
                    problem=f"the clips have {own} channels, condition {name!r} has {len(route.outputs)} outputs",
                    key="condition.hardware.outputs",
                    got=list(route.outputs),
                    remedy="name one output for each channel of the clips",
                )
            )
    needed = max((output for route in routes.values() for output in route.outputs), default=own)
    return DevicePlayer(rates=sorted({rate for rate, _ in forms}), channels=needed, device=device)
