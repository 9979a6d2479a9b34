"""The sitting's sound on a sound device: one PortAudio stream from the first sound to the last.

All slots of a trial lie in memory before it starts, and the callback only switches between them (switcher.py). Opening
a stream per sound would have a stall at each start, and that can be a cue. (Where clips differ in rate, the stream is
opened anew between two trials; which trial has which clip does not hang on what is true.) What the device reports as
underruns is counted; the sitting flags the trial and offers it again.

The stream is opened at the stimuli's rate, never at another, and the rate PortAudio then reports is checked. Whether a
mixer behind it resamples cannot be known from here: a device whose own default rate differs is named in a warning.
Samples leave as float32, which holds 24 bits exactly.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from time import monotonic, sleep
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault, Missing, did_you_mean
from blindtest.session.player import Sound, dithered, portaudio_fault
from blindtest.session.routing import on_outputs
from blindtest.session.switcher import FADE_S, Switcher
from blindtest.words import worded

__all__ = ["DeviceFacts", "DevicePlayer", "output_devices"]

_Frames = NDArray[np.float32]
FIRST_S = 3.0
"""The first sound after the stream was opened comes in this slowly: time to turn the volume down."""
SILENCE_S = 2.0
"""How long to wait for the callback to fade out, before the device counts as lost."""
LATENCY_S = 0.05
"""Asked of PortAudio: the same for all stimuli of a stream, so it tells nothing; shorter ones underrun more easily."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceFacts:
    """What is known of the stream that plays a sitting; goes on record with it."""

    device: str
    host: str
    """The system's interface: ALSA, Core Audio, WASAPI ..."""
    rate: int
    """Hz; of the stream, and of the stimuli."""
    channels: int
    latency_s: float
    """As PortAudio has it; not the acoustic latency."""
    warnings: tuple[str, ...]
    own_rate: int | None = None
    """Hz, at which the device runs by its own default."""
    mixed: bool | None = None
    """Whether other programs' sounds come out of it too; None where that can't be known from here."""

    @property
    def sentence(self) -> str:
        """The stream in plain words."""
        return worded(
            "{device} ({host}) at {rate} Hz, {channels} channels, {latency} ms of latency by its own account",
            device=self.device,
            host=self.host,
            rate=self.rate,
            channels=self.channels,
            latency=round(1000 * self.latency_s),
        )


def output_devices() -> tuple[str, ...]:
    """Return the names of the devices that can play.

    Raises
    ------
    Missing
        There is no PortAudio, or no device.
    """
    fault = portaudio_fault()
    if fault is not None:
        raise Missing(fault)
    import sounddevice

    return tuple(device["name"] for device in sounddevice.query_devices() if device["max_output_channels"] > 0)


def output_device(name: str, channels: int) -> Mapping[str, Any]:
    import sounddevice

    names = output_devices()
    found: Mapping[str, Any]
    if name:
        exact = [one for one in sounddevice.query_devices() if one["name"] == name and one["max_output_channels"] > 0]
        part = [one for one in names if name.casefold() in one.casefold()]
        if not exact and len(part) == 1:
            return output_device(part[0], channels)
        if not exact:
            raise BlindtestError(
                Fault(
                    problem="no such sound device" if not part else "several sound devices have this in their name",
                    key="--device",
                    got=name,
                    allowed=", ".join(part or names),
                    remedy=did_you_mean(name, names),
                )
            )
        found = exact[0]
    else:
        found = sounddevice.query_devices(kind="output")
    if found["max_output_channels"] < channels:
        raise BlindtestError(
            Fault(
                problem=f"this sound device has {found['max_output_channels']} output channels, the sitting needs "
                f"{channels}",
                key="--device",
                got=found["name"],
                remedy="name another device; without --device the system's default is taken",
            )
        )
    return found


class DevicePlayer:
    """Plays the slots of one trial after the other through one stream.

    Orders may come from any thread, one at a time.

    Parameters
    ----------
    rates : Hz, of all stimuli of the sitting; the first is opened at once
    channels : of all stimuli of the sitting; where sounds go to outputs of their own, as many as the stream shall have
    device : name, or a part of one that only one device has; '' takes the system's default
    opened : makes a stream of (device index, rate, channels, callback); PortAudio's unless a test says otherwise

    Raises
    ------
    Missing
        There is no PortAudio, or no device that can play.
    BlindtestError
        No such device, or it can't be opened at this rate.
    """

    makes_ahead = True
    """Whether anything is made when sounds are prepared."""

    def __init__(
        self, *, rates: Sequence[int], channels: int, device: str = "", opened: Callable[..., Any] | None = None
    ) -> None:
        self._device = output_device(device, channels)
        self._channels = channels
        self._opened = opened or _stream
        self.underruns = 0
        """Blocks of which the device said that they came too late, or that something before them did."""
        self.blocks = (0, 0)
        """Frames of the shortest and the longest block that the device has asked for."""
        self._kept: dict[str, tuple[int, _Frames]] = {}
        self._fresh = True
        self._gain_db = -80.0
        for rate in rates[:0:-1]:
            self._open(rate, channels)
            self._stream.close()
        self._open(rates[0], channels)
        self._stream.start()

    def _open(self, rate: int, channels: int) -> None:
        self.switcher = Switcher(rate, channels)
        self._stream = self._opened(self._device["index"], rate, channels, self._callback)
        self.facts = _facts_of(self._device, self._stream, rate, channels)
        if self.facts.rate == rate:
            return
        self._stream.close()
        raise BlindtestError(
            Fault(
                problem=f"the sound device plays at {self._stream.samplerate:g} Hz, the stimuli are at {rate} Hz",
                key="--device",
                got=self._device["name"],
                remedy="set the device to the stimuli's rate; they are never resampled on the way",
            )
        )

    def _callback(self, out: Any, frames: int, time: Any, status: Any) -> None:
        if status.output_underflow:
            self.underruns += 1
        if not self.blocks[0] or frames < self.blocks[0]:
            self.blocks = (frames, max(frames, self.blocks[1]))
        elif frames > self.blocks[1]:
            self.blocks = (self.blocks[0], frames)
        self.switcher.fill(out)

    def prepare(self, sounds: Iterable[Sound]) -> None:
        """Make these sounds, and only these, ready to be loaded."""
        self._kept = {
            sound.token: self._kept.get(sound.token) or (sound.rate, _frames(sound, self._channels)) for sound in sounds
        }

    def load(self, tokens: Mapping[str, str], first: str, *, once: bool = False) -> int:
        """Silence what sounds, take the slots of a trial in its place, and return their length in frames.

        tokens : slot to token; all prepared
        first : slot that sounds first
        once : stop at the end instead of coming round
        """
        unknown = [token for token in tokens.values() if token not in self._kept]
        if unknown or first not in tokens:
            raise BlindtestError(Fault(problem="no sound is ready under this name now", remedy="reload the page"))
        self.pause()
        rate, sound = self._kept[tokens[first]]
        if rate != self.switcher.rate:
            self._stream.close()
            self._open(rate, sound.shape[1])
            self._stream.start()
        self.switcher.load({slot: self._kept[token][1] for slot, token in tokens.items()}, first, once=once)
        self.set_gain(self._gain_db)
        return len(sound)

    def set_gain(self, gain_db: float) -> None:
        """Set the level in dB re the samples as stored; at 0 they leave as they are."""
        self._gain_db = gain_db
        self.switcher.set_gain(1.0 if gain_db >= 0 else 10 ** (gain_db / 20))

    def play(self) -> None:
        """Go on from where it stopped; the very first sound comes in slowly."""
        self.switcher.play(FIRST_S if self._fresh else 0.0)
        self._fresh = False

    def pause(self) -> None:
        """Fade out and stop; returns in silence.

        Raises
        ------
        BlindtestError
            The device does not go on: it was unplugged, or has stalled.
        """
        self.switcher.pause()
        late = monotonic() + SILENCE_S
        while not self.switcher.silent:
            if monotonic() > late or not self._stream.active:
                raise BlindtestError(
                    Fault(
                        problem="the sound device does not go on playing",
                        got=self.facts.device,
                        remedy="connect it again and run the same command again; answers are safe",
                    )
                )
            sleep(FADE_S)

    def close(self) -> None:
        """Fade out and give the device back."""
        try:
            self.pause()
        except BlindtestError:
            pass
        finally:
            self._stream.stop()
            self._stream.close()


def _frames(sound: Sound, channels: int) -> _Frames:
    samples = sound.samples()
    served = dithered(samples, sound.dither(int(np.asarray(samples).size)))
    return on_outputs(served.astype(np.float32) / np.float32(2**23), sound.outputs, channels)


def _stream(device: int, rate: int, channels: int, callback: Callable[..., None]) -> Any:
    import sounddevice

    try:
        return sounddevice.OutputStream(
            samplerate=rate, device=device, channels=channels, dtype="float32", latency=LATENCY_S, callback=callback
        )
    except sounddevice.PortAudioError as error:
        raise BlindtestError(
            Fault(
                problem=f"the sound device can't be opened at {rate} Hz: {error}",
                key="--device",
                got=sounddevice.query_devices(device)["name"],
                remedy="close other programs that use it, or name another device",
            )
        ) from error


_MIXING_HOSTS = (
    "MME",
    "Windows DirectSound",
    "Windows WASAPI",
    "Core Audio",
    "JACK Audio Connection Kit",
    "PulseAudio",
)
_OWN_HOSTS = ("ASIO", "Windows WDM-KS", "OSS")
_MIXING_NAMES = ("pulse", "pipewire", "default", "dmix", "jack", "sysdefault")


def mixed(host: str, device: str) -> bool | None:
    """Return whether a device mixes what several programs play, by the system's interface and its name.

    As PortAudio opens them when nothing else is asked for: WASAPI in shared mode, Core Audio, DirectSound, MME and
    sound servers mix; ASIO and kernel streaming don't; ALSA doesn't where the device is the hardware itself ("hw:").
    None: it can't be told. Common practice.
    """
    if host in _MIXING_HOSTS:
        return True
    if host in _OWN_HOSTS:
        return False
    if host == "ALSA":
        name = device.casefold()
        if "hw:" in name and "plughw:" not in name:
            return False
        if any(name.startswith(one) for one in _MIXING_NAMES):
            return True
    return None


def _facts_of(found: Mapping[str, Any], stream: Any, rate: int, channels: int) -> DeviceFacts:
    import sounddevice

    warnings = [
        worded("other programs may mix their sounds in, and the system may resample: close them, switch effects off")
    ]
    own = round(found["default_samplerate"])
    if own != rate:
        warnings.insert(
            0,
            worded(
                "the device's own rate is {own} Hz, the stimuli's {rate} Hz: the system may resample, alike for all",
                own=own,
                rate=rate,
            ),
        )
    return DeviceFacts(
        device=str(found["name"]),
        host=str(sounddevice.query_hostapis(found["hostapi"])["name"]),
        rate=round(stream.samplerate),
        channels=channels,
        latency_s=float(stream.latency),
        warnings=tuple(warnings),
        own_rate=own,
        mixed=mixed(str(sounddevice.query_hostapis(found["hostapi"])["name"]), str(found["name"])),
    )
