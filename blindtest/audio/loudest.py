"""The loudest stretch of a sound, wherever it begins: what a limit for hearing and a file meter ask for.

Meters that run along take a new value ten times a second; of a lone sound between two of them they lose up to 0.58 dB.
Here every window counts that begins at a frame: squares are summed up along the sound, and a window's energy is the
difference of two of the sums.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blindtest.audio.loudness import (
    HOPS_PER_SECOND,
    MOMENTARY_HOPS,
    SHORT_TERM_HOPS,
    Hops,
    a_weighting,
    framed,
    level_of,
    loudness_of,
    weights_for,
)

__all__ = ["LouderEar", "louder_ear", "loudest_momentary", "loudest_short_term"]

MARGIN_S = 0.25
"""By then what the A-weighting makes of an impulse has faded to 1e-14: its lowest pole is at 20.6 Hz."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LouderEar:
    """How far the channel that gets most lies over the level of all channels and the whole length, dB."""

    whole_db: float
    """Over its whole length: 0 where all get the same, 3.01 where one of two has all of it."""
    momentary_db: float
    """Over the loudest 400 ms of any channel, wherever they begin."""


def loudest_momentary(frames: ArrayLike, rate: int, *, weights: ArrayLike | None = None) -> float:
    """Return the ungated loudness of the loudest 400 ms in LUFS, wherever they begin; -inf for less, or for silence.

    Frames are (n, channels), weights (channels,) as for `integrated_loudness`. Source: EBU Tech 3341, cases 13 and 14,
    whose "max M" is right within 0.1 LU wherever a lone tone begins.
    """
    return _loudest(frames, rate, MOMENTARY_HOPS, weights)


def loudest_short_term(frames: ArrayLike, rate: int, *, weights: ArrayLike | None = None) -> float:
    """Return the ungated loudness of the loudest 3 s in LUFS, wherever they begin; -inf for less, or for silence.

    Source: EBU Tech 3341, cases 10 and 11 ("max S").
    """
    return _loudest(frames, rate, SHORT_TERM_HOPS, weights)


def louder_ear(frames: ArrayLike, rate: int) -> LouderEar:
    """Return by how many dB the ear that gets most lies over the level of all channels and the whole length.

    All are A-weighted (IEC 61672-1:2013, annex E, as in `a_weighted_level`) and none is gated: added to a level of
    all channels over the whole length, they give the levels at the ear that gets most. An ear is harmed by what it
    gets itself, and no quiet in the other one helps it: exposure is measured at one ear (ISO 11904-1:2002), the more
    exposed one (ISO 9612:2009, 12.3, from memory). A sound shorter than 400 ms is one window. 0 for silence.

    Parameters
    ----------
    frames : (n, channels) array_like, finite
    rate : int, Hz
    """
    samples = _framed(frames, rate)
    count, channels = samples.shape
    windows = _Windows(min(count, _width(rate, MOMENTARY_HOPS)), channels)
    margin = math.ceil(MARGIN_S * rate)
    step = 4 * rate
    weight = a_weighting(np.fft.rfftfreq(step + 2 * margin, 1.0 / rate))
    for first in range(0, count, step):
        begin, end = max(0, first - margin), min(count, first + step + margin)
        piece = np.zeros((channels, step + 2 * margin))
        piece[:, begin - first + margin : end - first + margin] = samples[begin:end].T
        weighted = np.fft.irfft(np.fft.rfft(piece) * weight, piece.shape[1])
        windows.add(np.square(weighted[:, margin : margin + min(step, count - first)]))
    if windows.energy.max(initial=0.0) == 0.0:
        return LouderEar(whole_db=0.0, momentary_db=0.0)
    all_of_it = level_of(float(windows.energy.sum()) / samples.size)
    return LouderEar(
        whole_db=level_of(float(windows.energy.max()) / count) - all_of_it,
        momentary_db=level_of(float(windows.highest.max()) / windows.width) - all_of_it,
    )


def _loudest(frames: ArrayLike, rate: int, hops: int, weights: ArrayLike | None) -> float:
    samples = _framed(frames, rate)
    counted = weights_for(samples.shape[1], weights)
    windows = _Windows(_width(rate, hops), 1)
    if len(samples) < windows.width:
        return -math.inf
    weighting = Hops(rate, samples.shape[1])
    step = max(rate, windows.width)
    for first in range(0, len(samples), step):
        windows.add((weighting.squares(samples[first : first + step]) @ counted)[None, :])
    return float(loudness_of(windows.highest[0] / windows.width))


class _Windows:
    """The highest energy in any window of `width` frames of each channel, of squares that come block by block."""

    def __init__(self, width: int, channels: int) -> None:
        self.width = width
        self.highest = np.zeros(channels)
        self.energy = np.zeros(channels)
        self._held = np.empty((channels, 0))

    def add(self, squares: NDArray[np.float64]) -> None:
        """Take the next (channels, n)."""
        self.energy += squares.sum(axis=1)
        if not np.all(np.isfinite(self.energy)):
            raise ValueError("frames must be finite")
        held = np.concatenate([self._held, squares], axis=1)
        if held.shape[1] >= self.width:
            # Summed anew with each block: a window is then as exact as a sum over two of them.
            sums = np.zeros((len(held), held.shape[1] + 1))
            np.cumsum(held, axis=1, out=sums[:, 1:])
            np.maximum(self.highest, (sums[:, self.width :] - sums[:, : -self.width]).max(axis=1), out=self.highest)
        self._held = held[:, max(0, held.shape[1] - self.width + 1) :]


def _width(rate: int, hops: int) -> int:
    return (hops * rate + HOPS_PER_SECOND // 2) // HOPS_PER_SECOND


def _framed(frames: ArrayLike, rate: int) -> NDArray[np.float64]:
    samples = framed(frames)
    if not rate > 0:
        raise ValueError(f"the rate must be positive, got {rate}")
    return samples
