"""Players: what turns a token into sound; and the samples served under a token, with fresh dither.

Every slot of every trial is served under a token of its own with independent dither on top of the stored 24-bit
samples, so that no two slots are equal byte for byte, not even when the same stimulus sounds in both. All are
equally long. A player is given all sounds of a trial before the trial starts.

Dither: triangular, 2 LSB wide, at 24 bits (Lipshitz, Wannamaker & Vanderkooy 1992, JAES 40, from memory). Added to a
whole number and rounded, it becomes -1 or +1 LSB with probability 1/8 each, else 0: the tails of the triangle beyond
+-1/2 LSB.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blindtest.audio import wav_bytes
from blindtest.errors import BlindtestError, Fault

__all__ = [
    "BrowserPlayer", "MadeWhenAsked", "Player", "Sound", "dithered", "portaudio_fault", "served_sound", "served_wav",
]  # fmt: skip

_GREATEST = 2**23 - 1
_LEAST = -(2**23)


def dithered(samples: ArrayLike, dither: bytes) -> NDArray[np.int32]:
    """Return 24-bit samples with the rounded triangular dither that `dither` gives.

    Parameters
    ----------
    samples : (n, channels) array_like of int, -2**23 ... 2**23 - 1
    dither : one byte per sample, uniform; of each the low three bits are used: 0 gives -1 LSB, 1 gives +1 LSB

    Returns
    -------
    (n, channels) int32; a sample that would pass full scale stays at it, so that none wraps
    """
    whole = np.asarray(samples)
    if whole.ndim != 2 or not np.issubdtype(whole.dtype, np.integer):
        raise ValueError(f"samples must be whole numbers (n, channels), got {whole.dtype} {whole.shape}")
    if whole.size and (whole.min() < _LEAST or whole.max() > _GREATEST):
        raise ValueError(f"samples must fit 24 bits, got {whole.min()} ... {whole.max()}")
    if len(dither) != whole.size:
        raise ValueError(f"dither needs one byte per sample: {whole.size}, got {len(dither)}")
    bits = (np.frombuffer(dither, dtype=np.uint8) & 7).reshape(whole.shape)
    noise = (bits == 1).astype(np.int32) - (bits == 0).astype(np.int32)
    served: NDArray[np.int32] = np.clip(whole.astype(np.int32) + noise, _LEAST, _GREATEST)
    return served


def served_wav(samples: ArrayLike, dither: bytes, rate: int) -> bytes:
    """Return a 24-bit WAV file of `samples` with dither on top; equal length for equal shapes. See `dithered`."""
    return wav_bytes(dithered(samples, dither), rate)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sound:
    """What sounds under a token."""

    token: str
    samples: Callable[[], NDArray[np.int32]]
    """Reads the stored 24-bit samples, (n, channels)."""
    rate: int
    """Hz."""
    dither: Callable[[int], bytes]
    """Gives so many bytes of the slot's own noise."""
    outputs: tuple[int, ...] = ()
    """Of the sound device, from 1: where its real unit hangs; () leaves channels where they are."""


class Player(Protocol):
    """What a player does. It learns tokens and samples, never what they stand for."""

    def prepare(self, sounds: Iterable[Sound]) -> None:
        """Make these sounds, and only these, ready to be heard; those already prepared are kept as they are."""


class BrowserPlayer:
    """Hands out WAV files by token: the page decodes them and sounds.

    Files are made when prepared, not when asked for, so that the time to answer a request depends on nothing but its
    length.
    """

    makes_ahead = True
    """Whether anything is made when sounds are prepared."""

    def __init__(self) -> None:
        self._files: dict[str, bytes] = {}

    def prepare(self, sounds: Iterable[Sound]) -> None:
        """Make the files of these sounds, and forget all others."""
        self._files = {sound.token: self._files.get(sound.token) or served_sound(sound) for sound in sounds}

    def wav(self, token: str) -> bytes:
        """Return the file served under `token`.

        Raises
        ------
        BlindtestError
            Nothing is served under it: it belongs to a trial that is over, or to none.
        """
        try:
            return self._files[token]
        except KeyError:
            raise BlindtestError(
                Fault(problem="no sound is served under this name now", remedy="reload the page")
            ) from None


class MadeWhenAsked(BrowserPlayer):
    """Makes a file when it is asked for, and keeps none: for many sittings in one program.

    What is made is the same work for all sounds of equal length, whatever they hold: each is read anew, also one that
    was read a moment ago. So the time to answer tells no more than the length does.
    """

    makes_ahead = False

    def __init__(self) -> None:
        super().__init__()
        self._sounds: dict[str, Sound] = {}

    def prepare(self, sounds: Iterable[Sound]) -> None:
        """Let these sounds, and only these, be asked for."""
        self._sounds = {sound.token: sound for sound in sounds}

    def wav(self, token: str) -> bytes:
        """Return the file served under `token`; see `BrowserPlayer.wav`."""
        found = self._sounds.get(token)
        return super().wav(token) if found is None else served_sound(found)


def served_sound(sound: Sound) -> bytes:
    """Return the WAV file of a sound, with its own dither."""
    samples = sound.samples()
    return served_wav(samples, sound.dither(int(np.asarray(samples).size)), sound.rate)


def portaudio_fault() -> Fault | None:
    """Return what keeps a sound device from being used here, and how to put it right; None if nothing does."""
    try:
        import sounddevice
    except OSError as error:
        return Fault(
            problem=f"PortAudio can't be loaded ({error})",
            remedy="install it (Debian, Ubuntu: apt-get install libportaudio2; Fedora: dnf install portaudio; "
            "macOS: brew install portaudio); playing in the browser needs none of it",
        )
    except ImportError as error:
        return Fault(
            problem=f"the Python package sounddevice can't be imported ({error})",
            remedy="pip install sounddevice; playing in the browser needs none of it",
        )
    if not [device for device in sounddevice.query_devices() if device["max_output_channels"] > 0]:
        return Fault(
            problem="PortAudio finds no device that can play",
            remedy="connect or switch on a sound device; playing in the browser needs none of it",
        )
    return None
