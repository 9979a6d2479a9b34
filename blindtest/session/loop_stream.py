"""Playing and recording at once, through one PortAudio stream: output patched to input.

What is recorded under a block is written beside what was played in it, so that the delay between the two is that of the
chain, the same from the first sound to the last. As in `device_player`, the stream is opened at the stimuli's rate,
never at another, and nothing in the callback waits.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from time import monotonic, sleep
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault, Missing, did_you_mean
from blindtest.session.device_player import LATENCY_S, output_device
from blindtest.session.switcher import FADE_S, fade_in

__all__ = ["LoopFacts", "LoopStream"]

_Frames = NDArray[np.float32]
PATIENCE_S = 10.0
"""How much longer than its sound a stream may take before the device counts as lost; some start late."""
_LOOK_S = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopFacts:
    """What is known of the stream that played and recorded."""

    output: str
    input: str
    host: str
    rate: int
    """Hz"""
    channels: int
    latency_s: tuple[float, float]
    """In and out, as PortAudio has them."""

    @property
    def sentence(self) -> str:
        """The stream in plain words."""
        return f"out by {self.output}, in by {self.input} ({self.host}) at {self.rate} Hz, {self.channels} channels"


def _input_device(name: str, output: Mapping[str, Any], channels: int) -> Mapping[str, Any]:
    """Return the device to record from: the one named, else the output's own input, else the system's default."""
    import sounddevice

    found: Mapping[str, Any]
    able = [one for one in sounddevice.query_devices() if one["max_input_channels"] > 0]
    if not able:
        raise Missing(
            Fault(
                problem="PortAudio finds no device that can record",
                remedy="connect an interface with an input, and patch the output to it",
            )
        )
    names = [one["name"] for one in able]
    if name:
        exact = [one for one in able if one["name"] == name]
        part = exact or [one for one in able if name.casefold() in one["name"].casefold()]
        if len({one["name"] for one in part}) != 1:
            raise BlindtestError(
                Fault(
                    problem="several sound devices have this in their name" if part else "no such sound device",
                    key="--input",
                    got=name,
                    allowed=", ".join([one["name"] for one in part] or names),
                    remedy=did_you_mean(name, names),
                )
            )
        found = part[0]
    elif output["max_input_channels"] >= channels:
        found = output
    else:
        found = sounddevice.query_devices(kind="input")
    if found["max_input_channels"] < channels:
        raise BlindtestError(
            Fault(
                problem=f"this sound device has {found['max_input_channels']} input channels, the stimuli have "
                f"{channels}",
                key="--input",
                got=found["name"],
                remedy="name another device to record from, and patch each output channel to an input of its own",
            )
        )
    return found


class _Run:
    """A sound on its way: what is played, what is recorded, how far it is. Only the callback moves on."""

    def __init__(self, playing: _Frames, recorded: _Frames) -> None:
        self.playing = playing
        self.recorded = recorded
        self.at = 0
        self.began = 0

    @property
    def over(self) -> bool:
        return self.at >= len(self.recorded)


class LoopStream:
    """One stream that plays and records; from a single thread.

    Parameters
    ----------
    rate : Hz
    channels : of what is played, and of what is recorded
    output, into : names of devices, or parts of names; '' takes the system's default, and for the input first the
        output's own
    found : input and output device, as PortAudio has them, where they are known
    opened : makes a stream of (input index, output index, rate, channels, callback); PortAudio's unless a test says
        otherwise

    Raises
    ------
    Missing
        There is no PortAudio, no device that can play, or none that can record.
    BlindtestError
        No such device, or they can't be opened together at this rate.
    """

    def __init__(
        self,
        *,
        rate: int,
        channels: int,
        output: str = "",
        into: str = "",
        opened: Callable[..., Any] | None = None,
        found: tuple[Mapping[str, Any], Mapping[str, Any]] | None = None,
    ) -> None:
        out = found[1] if found else output_device(output, channels)
        source = found[0] if found else _input_device(into, out, channels)
        self.underruns = 0
        """Blocks of which the device said that they came too late, or that something was lost."""
        self.frames = 0
        """Frames played so far."""
        nothing = np.zeros((0, channels), dtype=np.float32)
        self._run = _Run(nothing, nothing)
        self._stream = (opened or _stream)(source["index"], out["index"], rate, channels, self._callback)
        got = round(self._stream.samplerate)
        if got != rate:
            self._stream.close()
            raise BlindtestError(
                Fault(
                    problem=f"the sound device runs at {got} Hz, the stimuli are at {rate} Hz",
                    key="--device",
                    got=out["name"],
                    remedy="set the device to the stimuli's rate; they are never resampled on the way",
                )
            )
        self.facts = LoopFacts(
            output=str(out["name"]),
            input=str(source["name"]),
            host=_host(out),
            rate=rate,
            channels=channels,
            latency_s=tuple(self._stream.latency),
        )
        self._stream.start()

    def _callback(self, recorded: Any, out: Any, frames: int, time: Any, status: Any) -> None:
        if status.output_underflow or status.input_overflow or status.input_underflow:
            self.underruns += 1
        run = self._run
        out[:] = 0
        if not run.over:
            if run.at == 0:
                run.began = self.frames
            sound = run.playing[run.at : run.at + frames]
            out[: len(sound)] = sound
            taken = min(frames, len(run.recorded) - run.at)
            run.recorded[run.at : run.at + taken] = recorded[:taken]
            run.at += taken
        self.frames += frames

    def looped(self, sound: NDArray[np.floating], tail: int) -> tuple[_Frames, _Frames, int]:
        """Play a sound and return it as it was played, what was recorded meanwhile, and the frame where it began.

        Parameters
        ----------
        sound : (n, channels), full scale 1; its ends are faded over 5 ms
        tail : frames that are recorded on after it: as many as the chain delays at least

        Returns
        -------
        (n, channels) float32, (n + tail, channels) float32, int

        Raises
        ------
        BlindtestError
            The device does not go on.
        """
        played = np.array(sound, dtype=np.float32)
        fade = fade_in(min(max(1, round(FADE_S * self.facts.rate)), max(1, len(played) // 2)))
        if len(played):
            played[: len(fade)] *= fade
            played[-len(fade) :] *= fade[::-1]
        run = _Run(played, np.zeros((len(played) + tail, self.facts.channels), dtype=np.float32))
        self._run = run
        late = monotonic() + len(run.recorded) / self.facts.rate + PATIENCE_S
        while not run.over:
            if monotonic() > late or not self._stream.active:
                raise BlindtestError(
                    Fault(
                        problem="the sound device does not go on playing and recording",
                        got=self.facts.output,
                        remedy="connect it again, close other programs that use it, and run the same command again",
                    )
                )
            sleep(_LOOK_S)
        return played, run.recorded, run.began

    def close(self) -> None:
        """Give the device back, in silence."""
        self._run.at = len(self._run.recorded)
        self._stream.stop()
        self._stream.close()


def _host(found: Mapping[str, Any]) -> str:
    import sounddevice

    return str(sounddevice.query_hostapis(found["hostapi"])["name"])


def _stream(into: int, out: int, rate: int, channels: int, callback: Callable[..., None]) -> Any:
    import sounddevice

    try:
        return sounddevice.Stream(
            samplerate=rate, device=(into, out), channels=channels, dtype="float32", latency=2 * LATENCY_S,
            callback=callback,
        )  # fmt: skip
    except sounddevice.PortAudioError as error:
        raise BlindtestError(
            Fault(
                problem=f"output and input can't be opened together at {rate} Hz: {error}",
                key="--device",
                got=f"{sounddevice.query_devices(out)['name']}, {sounddevice.query_devices(into)['name']}",
                remedy="take output and input of one interface (--device, --input); close other programs that use it",
            )
        ) from error
