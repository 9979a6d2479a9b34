"""Clips: samples with a rate; cutting, fading, resampling, aligning. Their files: `clip_files`.

Frames are (n, channels) float64, also mono: (n, 1).
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blindtest.errors import BlindtestError, Fault

__all__ = ["RATES", "Clip", "aligned", "excerpt", "faded", "resampled", "resampled_blocks"]

RATES = (8_000, 768_000)
"""Hz, the rates that are read; common practice."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Clip:
    """Programme material: frames (n, channels) float64, full scale = 1, read-only; rate Hz."""

    frames: NDArray[np.float64]
    rate: int
    name: str = ""

    def __post_init__(self) -> None:
        frames = np.asarray(self.frames, dtype=np.float64)
        if frames.ndim != 2:
            raise ValueError(f"frames must be (n, channels), got shape {frames.shape}")
        frames = frames.view()
        frames.flags.writeable = False
        object.__setattr__(self, "frames", frames)

    @property
    def channels(self) -> int:
        """Number of channels."""
        return int(self.frames.shape[1])

    @property
    def duration(self) -> float:
        """Length in s."""
        return len(self.frames) / self.rate


def excerpt(clip: Clip, start_s: float, end_s: float) -> Clip:
    """Return the part of `clip` from `start_s` to `end_s`, to the nearest frame.

    Raises
    ------
    BlindtestError
        The part is empty or reaches outside the clip.
    """
    if not 0.0 <= start_s < end_s:
        raise BlindtestError(
            Fault(problem="an excerpt must end after it begins", file=clip.name, got=f"{start_s} to {end_s} s")
        )
    first, last = round(start_s * clip.rate), round(end_s * clip.rate)
    if last > len(clip.frames) or first == last:
        raise BlindtestError(
            Fault(
                problem="the excerpt reaches past the end of the clip" if first < last else "the excerpt is empty",
                file=clip.name,
                got=f"{start_s} to {end_s} s",
                allowed=f"within 0 to {clip.duration:.3f} s",
            )
        )
    return replace(clip, frames=clip.frames[first:last])


def faded(frames: ArrayLike, rate: int, fade_s: float) -> NDArray[np.float64]:
    """Return `frames` (n, channels) with a raised-cosine fade of `fade_s` at both ends.

    Fades longer than half the frames are shortened to that.
    """
    result = np.array(frames, dtype=np.float64)
    if result.ndim != 2:
        raise ValueError(f"frames must be (n, channels), got shape {result.shape}")
    length = min(round(fade_s * rate), len(result) // 2)
    if length > 0:
        rise = 0.5 - 0.5 * np.cos(np.pi * (np.arange(length) + 0.5) / length)
        result[:length] *= rise[:, None]
        result[-length:] *= rise[::-1, None]
    return result


def resampled(clip: Clip, rate: int) -> Clip:
    """Return `clip` at `rate` Hz by the soxr library's best quality (VHQ); the clip itself where it has that rate.

    Its images and aliases lie more than 180 dB down; 20 kHz passes within 0.01 dB from 44.1 to 48 kHz.
    """
    if rate == clip.rate:
        return clip
    import soxr

    if not RATES[0] <= rate <= RATES[1]:
        raise ValueError(f"rate must be {RATES[0]} to {RATES[1]} Hz, got {rate}")
    frames = soxr.resample(np.ascontiguousarray(clip.frames), clip.rate, rate, quality="VHQ")
    return replace(clip, frames=frames, rate=rate)


def resampled_blocks(
    blocks: Iterable[NDArray[np.float64]], rate: int, to: int, channels: int
) -> Iterator[NDArray[np.float64]]:
    """Yield frames (n, channels) at `to` Hz: the numbers that `resampled` gives in one piece."""
    import soxr

    if not RATES[0] <= to <= RATES[1]:
        raise ValueError(f"rate must be {RATES[0]} to {RATES[1]} Hz, got {to}")
    stream = soxr.ResampleStream(rate, to, channels, dtype="float64", quality="VHQ")
    for block in blocks:
        yield stream.resample_chunk(np.ascontiguousarray(block))
    yield stream.resample_chunk(np.empty((0, channels)), last=True)


def aligned(frames: ArrayLike, reference: ArrayLike, rate: int, max_shift_s: float) -> int:
    """Return by how many frames `frames` lies behind `reference` (negative: ahead), within `max_shift_s`.

    The shift with the strongest cross-correlation, summed over the channels that both have, whatever its polarity;
    0 where either is silent.

    Parameters
    ----------
    frames, reference : (n, channels) and (m, channels) array_like, both at `rate` Hz
    max_shift_s : s

    Raises
    ------
    ValueError
        An array is not (n, channels).
    """
    later, earlier = (np.asarray(value, dtype=np.float64) for value in (frames, reference))
    if later.ndim != 2 or earlier.ndim != 2:
        raise ValueError(f"frames must be (n, channels), got shapes {later.shape} and {earlier.shape}")
    if min(len(later), len(earlier)) == 0:
        return 0
    from scipy.fft import next_fast_len

    length = int(next_fast_len(len(later) + len(earlier) - 1, real=True))
    spectrum = np.zeros(length // 2 + 1, dtype=np.complex128)
    for channel in range(min(later.shape[1], earlier.shape[1])):
        spectrum += np.fft.rfft(later[:, channel], length) * np.conj(np.fft.rfft(earlier[:, channel], length))
    correlation = np.abs(np.fft.irfft(spectrum, length))
    reach = min(int(max_shift_s * rate), max(len(later), len(earlier)) - 1)
    shifts = np.arange(-reach, reach + 1)
    shifts = shifts[(shifts < len(later)) & (shifts > -len(earlier))]
    # Of equal correlations (silence: all) the smallest shift.
    order = np.argsort(np.abs(shifts), kind="stable")
    return int(shifts[order][np.argmax(correlation[shifts[order]])])
