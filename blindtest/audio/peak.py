"""True peak: what the samples reach between them (ITU-R BS.1770-5, annex 2).

The signal is interpolated to 4 times its rate by a windowed sinc of 48 taps a phase, as one matrix product over chunks
of 32 frames, but only where it can matter: no value interpolated in a chunk can exceed the largest sample near it
times the sum of the taps' magnitudes, so a chunk whose bound is no higher than what was already found is left out and
the result is the same. Around the highest values found the grid is then refined to 32 times the rate, where even a
tone at half the rate is under-read by no more than 0.011 dB (at 4 times: 0.69 dB).

What lies above about 0.46 of the rate is the interpolator's choice, here as everywhere: the standard fixes none.
"""

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike, NDArray

from blindtest.audio.decibel import to_db

__all__ = ["RunningPeak", "true_peak"]

OVERSAMPLING = 4
"""At least 4 at 48 kHz; ITU-R BS.1770-5, annex 2. The same at every rate here."""
FINE = 32
"""The grid around the highest values."""
TAPS = 48
"""Taps of each phase."""

_BEFORE = TAPS // 2 - 1  # taps on frames before the interpolated place
_CHUNK = 32
_WIDTH = _CHUNK + TAPS - 1
_BATCH = 2048
_LEAST_CHUNKS = 64  # of a stretch, so that short blocks don't make the edges the most of the work
_TOGETHER = 32
_REFINED = 2048  # places that the fine grid looks around, at most
_SINGLE = 1e-5  # by how much a value may be off in single precision, at most
_COARSE = 1e-5  # what frames in float32 may be off by, of the highest: ten times what was seen
_WORTH = 0.92  # a band-limited peak stands on the 4x grid with at least cos(pi/8) = 0.924 of its height


def true_peak(frames: ArrayLike, rate: int) -> float:
    """Return the highest true peak of all channels in dBTP (0 dB: full scale); -inf for silence or no frames.

    Parameters
    ----------
    frames : (n, channels) array_like, full scale = 1
        Taken as preceded and followed by silence.
    rate : int, Hz
        At every rate the interpolation is alike; it must be positive.
    """
    samples = np.asarray(frames, dtype=np.float64)
    if samples.ndim != 2:
        raise ValueError(f"frames must be (n, channels), got shape {samples.shape}")
    if not rate > 0:
        raise ValueError(f"the rate must be positive, got {rate}")
    if samples.size == 0:
        return -math.inf
    if not np.isfinite(samples.sum()):
        raise ValueError("frames must be finite")
    chunks = -(-len(samples) // _CHUNK) + 2  # one of silence at either end, for what rings there
    padded = np.zeros(chunks * _CHUNK + TAPS)
    highest = 0.0
    for channel in range(samples.shape[1]):
        padded[_BEFORE + _CHUNK : _BEFORE + _CHUNK + len(samples)] = samples[:, channel]
        highest = max(highest, _channel_peak(padded, chunks, highest))
    return float(to_db(highest))


class RunningPeak:
    """The true peak of frames that come one block after another: as `true_peak` reads them in one piece.

    Whole chunks are looked at as soon as what surrounds them is there; the first and the last one of each stretch are
    looked at twice, since their bounds follow from their neighbours.
    """

    def __init__(self, channels: int) -> None:
        self._waiting: NDArray[np.floating] = np.zeros((channels, _BEFORE + 2 * _CHUNK))  # the silence ahead
        self._highest = 0.0

    def add(self, frames: NDArray[np.floating], fine: Callable[[], NDArray[np.float64]] | None = None) -> None:
        """Take the next frames (n, channels).

        Where these are only known to a millionth (float32), `fine` gives them in full; it is called if they may hold
        the highest peak so far.
        """
        stretch = np.concatenate([self._waiting, frames.T], axis=1, dtype=frames.dtype, casting="same_kind")
        chunks = (stretch.shape[1] - TAPS) // _CHUNK
        if chunks < _LEAST_CHUNKS:
            self._waiting = stretch
            return
        if fine is None:
            self._highest = self._looked(stretch, chunks, self._highest)
        elif self._looked(stretch, chunks, self._highest * (1.0 - _COARSE)) > self._highest * (1.0 - _COARSE):
            self._highest = self._looked(np.concatenate([self._waiting, fine().T], axis=1), chunks, self._highest)
        self._waiting = stretch[:, (chunks - 2) * _CHUNK :]

    def level(self) -> float:
        """Return the highest true peak of all that was taken in dBTP, silence behind it; -inf for silence."""
        rest = np.zeros((len(self._waiting), 3 * _CHUNK + TAPS))
        whole = np.concatenate([self._waiting, rest], axis=1)
        highest = self._looked(whole, (whole.shape[1] - TAPS) // _CHUNK, self._highest)
        return float(to_db(highest)) if highest else -math.inf

    def _looked(self, stretch: NDArray[np.floating], chunks: int, highest: float) -> float:
        """Return the highest magnitude in a stretch (channels, n), or `highest` if that is larger."""
        for channel in stretch:
            padded = np.ascontiguousarray(channel[: chunks * _CHUNK + TAPS])
            highest = _channel_peak(padded, chunks, highest)
        return highest


def _channel_peak(padded: NDArray[np.floating], chunks: int, found: float) -> float:
    """Return the largest interpolated magnitude of one channel, or `found` if that is larger."""
    inside = padded[_BEFORE : _BEFORE + chunks * _CHUNK]
    best = max(found, float(inside.max()), -float(inside.min()))
    if best == 0.0:
        return best
    # Where to look is decided in single precision, at half the cost; what is found there is computed again in double.
    # Full scale is taken as what is known to be reached: then nothing is too small or too large for it.
    single = np.empty(len(padded), dtype=np.float32)
    np.divide(padded, best, out=single, casting="same_kind")
    # By halves: a reduction over so few values at a time takes longer. And as whole numbers, which stand in the same
    # order as what isn't negative, and are compared twice as fast.
    bits = np.abs(single[_BEFORE : _BEFORE + chunks * _CHUNK]).view(np.int32)
    while len(bits) > chunks:
        bits = np.maximum(bits[0::2], bits[1::2])
    peaks = bits.view(np.float32)
    bounds = _reach() * np.maximum(peaks, np.maximum(np.append(peaks[1:], 0.0), np.append(0.0, peaks[:-1])))
    highest = 1.0
    open_chunks = np.flatnonzero(bounds > highest)
    if not len(open_chunks):
        return best
    rows = sliding_window_view(single, _WIDTH)[::_CHUNK]
    open_chunks = open_chunks[np.argsort(-bounds[open_chunks], kind="stable")]
    heights, places = [np.empty(0, dtype=np.float32)], [np.empty(0, dtype=np.int64)]
    first, size = 0, 64  # a small first batch finds a value near the highest, which closes most chunks
    while first < len(open_chunks) and bounds[open_chunks[first]] > highest:
        batch = open_chunks[first : first + size]
        values = _interpolated(rows, batch)
        highest = max(highest, float(values.max()) * (1.0 - _SINGLE))
        high = _near(values.ravel(), highest)
        heights.append(values.ravel()[high])
        places.append(batch[high // values.shape[1]] * values.shape[1] + high % values.shape[1])
        first, size = first + size, _BATCH
    near = np.concatenate(places)[_near(np.concatenate(heights), highest)]
    return max(best, _finest(padded, near * (FINE // OVERSAMPLING))) if len(near) else best


def _near(values: NDArray[np.float32], highest: float) -> NDArray[np.int64]:
    """Return where the values stand that the fine grid is to look around: near `highest`."""
    near: NDArray[np.int64] = np.flatnonzero(values > _WORTH * highest)
    if len(near) > _REFINED:
        near = near[np.argpartition(-values[near], _REFINED)[:_REFINED]]
    return near


def _interpolated(rows: NDArray[np.float32], batch: NDArray[np.int64]) -> NDArray[np.float32]:
    """Return the magnitudes (batch, 128) on the coarse grid in the chunks of `batch`."""
    # As products too small for the linear algebra library to share out among threads: its threads wait for each other
    # in busy loops, which took four times as long where other programs wanted the cores too. And the last digit then
    # doesn't depend on the number of cores.
    groups = -(-len(batch) // _TOGETHER)
    filled = np.append(batch, np.repeat(batch[-1:], groups * _TOGETHER - len(batch)))
    values = np.matmul(rows[filled].reshape(groups, _TOGETHER, _WIDTH), _coarse_matrix())
    magnitudes: NDArray[np.float32] = np.abs(values.reshape(groups * _TOGETHER, -1)[: len(batch)])
    return magnitudes


def _finest(padded: NDArray[np.floating], places: NDArray[np.int64]) -> float:
    """Return the largest magnitude on the fine grid, one coarse step to either side of `places` (1/32 frames)."""
    step = FINE // OVERSAMPLING
    fine = np.unique(places[:, None] + np.arange(-step, step + 1))
    frame, phase = np.divmod(fine, FINE)
    near = sliding_window_view(padded, TAPS)[np.clip(frame, 0, len(padded) - TAPS)]
    return float(np.abs(np.einsum("ij,ij->i", near, _phases()[phase])).max(initial=0.0))


@lru_cache(maxsize=1)
def _phases() -> NDArray[np.float64]:
    """Return the taps (32 phases, 48): row p gives the value p/32 of a frame after the frame under tap 23."""
    distance = np.arange(-_BEFORE, TAPS - _BEFORE) - np.arange(FINE)[:, None] / FINE
    window = np.i0(6.0 * np.sqrt(np.maximum(0.0, 1.0 - np.square(distance / (TAPS / 2))))) / np.i0(6.0)
    taps = np.sinc(distance) * window
    result: NDArray[np.float64] = taps / taps.sum(axis=1, keepdims=True)
    return result


@lru_cache(maxsize=1)
def _coarse_matrix() -> NDArray[np.float32]:
    """Return (79, 128): a chunk with its surroundings in, the coarse grid from its first frame on out."""
    matrix = np.zeros((_WIDTH, _CHUNK, OVERSAMPLING))
    for frame in range(_CHUNK):
        matrix[frame : frame + TAPS, frame] = _phases()[:: FINE // OVERSAMPLING].T
    return matrix.reshape(_WIDTH, -1).astype(np.float32)


@lru_cache(maxsize=1)
def _reach() -> float:
    """Return the largest magnitude that samples of at most 1 can interpolate to."""
    return float(np.abs(_phases()).sum(axis=1).max()) * (1.0 + _SINGLE)
