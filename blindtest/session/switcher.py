"""The sound of a trial, frame by frame, as it is made inside an audio callback: nothing there waits or copies more.

All slots lie in memory, and one position runs through them. A switch is always the same: 5 ms raised-cosine out, then
5 ms in, whatever sounds before and after, also from a slot to itself (ITU-R BS.1534-3, 5.3: no cross-fade; a
cross-fade of X with its equal is silent and with its unlike combs: a cue). The seam of a loop, pausing and going
on use the same fades. Outside fades, at a gain of 1, samples leave as they are. The page's own player does the same.

Orders come from another thread. Each is one assignment to one attribute, which the callback reads once a block: Python
makes such an assignment whole or not at all, so that no lock is needed.
"""

from collections.abc import Mapping
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["FADE_S", "LOG_LENGTH", "Switcher"]

Frames = NDArray[np.float32]
FADE_S = 0.005
"""ITU-R BS.1534-3, 5.3."""
_GLIDE_S = 0.05
"""A change of level takes at most this long; levels change only while the listener sets one."""
LOG_LENGTH = 8192
"""Entries of the log that are kept."""
_LONGEST_BLOCK = 65_536


def fade_in(frames: int) -> Frames:
    """Return the gain (frames, 1) of each frame while a sound comes in; read backwards it goes out."""
    rise = 0.5 - 0.5 * np.cos(np.pi * (np.arange(frames) + 0.5) / frames)
    return rise.astype(np.float32)[:, np.newaxis]


class Switcher:
    """Slots, a position, and what is wanted next. Pure of any audio system.

    Parameters
    ----------
    rate : Hz
    channels : of the sounds and of what is filled
    """

    def __init__(self, rate: int, channels: int) -> None:
        self.rate = rate
        self.channels = channels
        self._in = fade_in(max(1, round(FADE_S * rate)))
        self._out = self._in[::-1]
        self._fade = len(self._in)
        self._glide = 1 / max(1, round(_GLIDE_S * rate))
        self._ramp = np.arange(1, _LONGEST_BLOCK + 1, dtype=np.float32)[:, np.newaxis] * np.float32(self._glide)
        self._envelope = np.empty((_LONGEST_BLOCK, 1), dtype=np.float32)
        self._names: tuple[str, ...] = ()
        self._sounds: tuple[Frames, ...] = ()
        self._once = False
        self._over = False
        self._slow: Frames = fade_in(1)[:0]
        self._slow_step = 0
        self._state: Literal["silent", "in", "on", "out"] = "silent"
        self._step = 0
        self._slot = 0
        self._start = 0
        self._end = 0
        self._gain = 0.0
        self.position = 0
        """The frame that comes next, shared by all slots."""
        self.written = 0
        """Frames filled so far."""
        self.log: NDArray[np.int64] = np.zeros((LOG_LENGTH, 3), dtype=np.int64)
        """Of each fade in: frames filled before it, number of the slot, position; the last `LOG_LENGTH`, in a ring."""
        self.logged = 0
        """Entries ever made."""
        # Orders: each attribute is assigned by other threads and read here.
        self._playing = False
        self._wanted_gain = 0.0
        self._wanted: tuple[int, int] = (0, 0)
        self._turned = 0
        self._loop: tuple[int, int, int] = (0, 0, 0)
        self._looped = 0
        self._restarts = 0
        self._restarted = 0

    # Orders, from any one thread.

    def load(self, sounds: Mapping[str, Frames], first: str, *, once: bool = False) -> None:
        """Take the slots of a trial in place of those there are; only while silent and not playing.

        sounds : slot to (n, channels) float32, all of one length
        once : stop at the end, with its fade, instead of coming round
        """
        if self._playing or self._state != "silent":
            raise RuntimeError("sounds are loaded only in silence")
        shapes = {sound.shape for sound in sounds.values()}
        if len(shapes) != 1 or next(iter(shapes))[1:] != (self.channels,) or first not in sounds:
            raise ValueError(f"slots of one trial must be alike, (n, {self.channels}): got {sorted(shapes)}")
        self._sounds = tuple(np.ascontiguousarray(sound, dtype=np.float32) for sound in sounds.values())
        self._names = tuple(sounds)
        self._slot = self._names.index(first)
        self._wanted, self._turned = (self._slot, 0), 0
        self.position = self._start = 0
        self._end = len(self._sounds[0])
        self._loop, self._looped = (0, self._end, 0), 0
        self._restarted = self._restarts
        self._once, self._over = once, False

    def play(self, slow_s: float = 0.0) -> None:
        """Go on from the position; at first over `slow_s`, so that there is time to turn the volume down."""
        if slow_s > 0:
            self._slow, self._slow_step = fade_in(max(1, round(slow_s * self.rate))), 0
        self._playing = True

    def pause(self) -> None:
        """Fade out and stop."""
        self._playing = False

    def select(self, slot: str) -> None:
        """Switch to a slot, or from it to itself."""
        self._wanted = (self._names.index(slot), self._wanted[1] + 1)

    def loop(self, start: int, end: int) -> None:
        """Go round between two frames from now on."""
        start, end = max(0, start), min(end, len(self._sounds[0]) if self._sounds else 0)
        if end - start < 2 * self._fade:
            raise ValueError("a loop must hold its fades")
        self._loop = (start, end, self._loop[2] + 1)

    def restart(self) -> None:
        """Begin at the start of the loop."""
        self._restarts += 1

    def set_gain(self, gain: float) -> None:
        """Set the level, 0 ... 1; 1 leaves samples as they are."""
        self._wanted_gain = min(1.0, max(0.0, gain))

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the slots that are loaded."""
        return self._names

    @property
    def silent(self) -> bool:
        """Whether nothing sounds and nothing is about to."""
        return self._state == "silent" and (self._over or not self._playing)

    @property
    def over(self) -> bool:
        """Whether sounds that do not come round have come to their end."""
        return self._over

    # Inside the callback.

    def fill(self, out: Frames) -> None:
        """Write the next frames into `out` (frames, channels), all of it."""
        frames, done = len(out), 0
        if self._state == "silent" and self._gain != self._wanted_gain:
            self._gain = self._wanted_gain
        while done < frames:
            if self._state == "silent":
                self._settle()
                if not self._playing or self._over or self._end <= self._start:
                    out[done:] = 0
                    break
                self._enter("in", self.written + done)
            elif self._state == "on" and (self._asked() or self.position >= self._end - self._fade):
                self._enter("out", 0)
            run = min(frames - done, self._left(), _LONGEST_BLOCK)
            self._write(out[done : done + run], run)
            done += run
            self.position += run
            if self._state != "on":
                self._step += run
                if self._step >= self._fade:
                    self._state = "on" if self._state == "in" else "silent"
        self.written += frames

    def _asked(self) -> bool:
        return (
            not self._playing
            or self._wanted[1] != self._turned
            or self._restarts != self._restarted
            or self._loop[2] != self._looped
        )

    def _settle(self) -> None:
        """Do in silence what was asked for since the last one."""
        self._slot, self._turned = self._wanted
        self._start, self._end, looped = self._loop
        if looped != self._looped:
            self._looped = looped
            if not self._start <= self.position < self._end:
                self.position = self._start
        # A fade in must be whole before the fade out of the loop's end begins.
        if self._restarts != self._restarted or self._end - self.position < 2 * self._fade:
            self._over = self._once and self._restarts == self._restarted
            self._restarted = self._restarts
            if not self._over:
                self.position = self._start

    def _enter(self, state: Literal["in", "out"], at: int) -> None:
        self._state, self._step = state, 0
        if state == "in":
            row = self.log[self.logged % LOG_LENGTH]
            row[0], row[1], row[2] = at, self._slot, self.position
            self.logged += 1

    def _left(self) -> int:
        """Return how many frames there are until the state may change."""
        if self._state == "on":
            return self._end - self._fade - self.position
        return self._fade - self._step

    def _write(self, out: Frames, run: int) -> None:
        source = self._sounds[self._slot][self.position : self.position + run]
        if self._state == "in":
            np.multiply(source, self._in[self._step : self._step + run], out=out)
        elif self._state == "out":
            np.multiply(source, self._out[self._step : self._step + run], out=out)
        else:
            np.copyto(out, source)
        if self._gain != self._wanted_gain:
            out *= self._gliding(run)
        elif self._gain != 1.0:
            out *= np.float32(self._gain)
        rest = len(self._slow) - self._slow_step
        if rest > 0:
            slow = min(rest, run)
            out[:slow] *= self._slow[self._slow_step : self._slow_step + slow]
            self._slow_step += slow

    def _gliding(self, run: int) -> Frames:
        """Return the gain (run, 1) of each frame on the way to the level wanted."""
        envelope, wanted = self._envelope[:run], self._wanted_gain
        if wanted > self._gain:
            np.add(self._ramp[:run], np.float32(self._gain), out=envelope)
            np.minimum(envelope, np.float32(wanted), out=envelope)
        else:
            np.subtract(np.float32(self._gain), self._ramp[:run], out=envelope)
            np.maximum(envelope, np.float32(wanted), out=envelope)
        reached = abs(wanted - self._gain) <= run * self._glide
        self._gain = wanted if reached else float(envelope[-1, 0])
        return envelope
