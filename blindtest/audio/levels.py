"""All levels of one piece of sound from one transform a block: loudness behind a filter and before it, A-weighted, RMS.

What a listener hears of a file is the file through a filter. Instead of making that sound and measuring it, the
K-weighting is put into the filter, so that an overlap-save convolution gives the K-weighted sound itself, block by
block, and only its energy is kept, gating hop by gating hop: the loudness is that of ITU-R BS.1770-5 on the filtered
sound. The A-weighted and the plain level need no blocks of time: the energy of a filtered sound is the sum over all
lags of the sound's autocorrelation times the filter's (Wiener and Khinchin), and as many lags as the filter is long
follow exactly from the same transforms.

Samples of 24 bits are exact in single precision, and a measured energy is right to a millionth (0.00001 dB) if the
transforms are made in it, twice as fast. So they are here, where nothing that is measured is ever heard.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, Protocol, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blindtest.audio.decibel import to_db
from blindtest.audio.filtering import energies_between, quick_length
from blindtest.audio.loudness import (
    a_weighting,
    channel_weights,
    gated_loudness,
    hop_edges,
    k_weighting_response,
    level_of,
)
from blindtest.audio.tape import ClipTape, Frames, Part, WavTape

__all__ = ["Levels", "Meter"]

T = TypeVar("T")
Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

SHORTEST_S = 0.15
"""Length of the measuring filter where that does; our rule."""
ACCURACY_DB = 0.001
"""By how much shortening a filter may change its level anywhere from `LOWEST_HZ` up; our rule."""
LOWEST_HZ = 20.0
_ROWS = 4  # transforms of single precision go four at a time through the processor


class Spread(Protocol):
    """Calls what it is given, perhaps several at once in threads, and yields the results in their order.

    The calls are taken one after the other by the thread that asks for the results.
    """

    def __call__(self, tasks: Iterable[Callable[[], T]], /) -> Iterator[T]:
        """Yield what each of `tasks` returns."""
        ...


def one_by_one(tasks: Iterable[Callable[[], T]]) -> Iterator[T]:
    """Yield what each of `tasks` returns, called one after the other."""
    for task in tasks:
        yield task()


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """What was measured of one piece of sound; -inf where there is nothing, or nothing above the gate."""

    heard: float
    """Integrated loudness behind the filter, LUFS."""
    file: float
    """Integrated loudness before it, LUFS."""
    a_weighted: float
    """dB re an RMS of 1, behind the filter, over all channels; what rings after the end counts."""
    rms: float
    """dB re an RMS of 1, behind the filter, over all channels; what rings after the end counts."""


class Meter:
    """Measures sound behind a filter (taps,), or as it is; made once for a filter and a rate in Hz.

    The filter is shortened for measuring where that changes its level by less than 0.001 dB at any frequency from
    20 Hz up. A meter changes nothing in itself when it measures: several threads may share one.
    """

    def __init__(self, rate: int, fir: ArrayLike | None = None) -> None:
        self.rate = rate
        given = np.ones(1) if fir is None else np.asarray(fir, dtype=np.float64)
        if given.ndim != 1 or len(given) == 0:
            raise ValueError(f"a filter must be (taps,), got shape {given.shape}")
        self._filtered = fir is not None
        grid = 1 << int(np.ceil(np.log2(max(8 * len(given), 4 * rate))))
        spectrum = np.fft.rfft(given, grid)
        frequency = np.arange(grid // 2 + 1, dtype=np.float64) * (rate / grid)
        k_weighting = k_weighting_response(frequency, rate)
        weighted = spectrum * k_weighting
        taps = self._taps_that_do(frequency, spectrum, weighted, len(given))
        self._history = taps - 1
        self._block = quick_length(max(5 * taps, self._history + rate))
        self._impulse = np.fft.irfft(weighted, grid)
        self._heard = self._cut(weighted, taps)
        self._file = self._cut(k_weighting, taps)
        power = np.square(spectrum.real) + np.square(spectrum.imag)
        self._rms = self._lags(power)
        self._a_weighted = self._lags(power * np.square(a_weighting(frequency)))

    def _taps_that_do(self, frequency: Floats, spectrum: Complexes, weighted: Complexes, longest: int) -> int:
        taps = 1 << int(np.ceil(np.log2(SHORTEST_S * self.rate)))
        checked = frequency >= LOWEST_HZ
        grid = 2 * (len(frequency) - 1)
        while taps < longest:
            if all(
                np.abs(to_db(np.fft.rfft(np.fft.irfft(whole, grid)[:taps], grid)[checked] / whole[checked])).max()
                < ACCURACY_DB
                for whole in (spectrum, weighted)
            ):
                break
            taps *= 2
        return taps

    def _cut(self, spectrum: Complexes, taps: int) -> NDArray[np.complex64]:
        """Return the spectrum (block,) of the first `taps` taps."""
        cut = np.fft.rfft(np.fft.irfft(spectrum, 2 * (len(spectrum) - 1))[:taps], self._block)
        return cut.astype(np.complex64)

    def _lags(self, power: Floats) -> Complexes:
        """Return the spectrum (block,) of the autocorrelation of a filter of this power: lags 0 to its length."""
        lags = np.fft.irfft(power, 2 * (len(power) - 1))[: self._history + 1]
        lags[1:] *= 2.0  # each lag for its like on the other side, too
        spectrum = np.fft.rfft(lags, self._block)
        spectrum[1 : (self._block + 1) // 2] *= 2.0  # each bin but 0 Hz and half the rate stands for two
        return spectrum / self._block

    def weighted_after(self, fir: ArrayLike) -> Floats:
        """Return `fir` (taps,), this meter's filter and the K-weighting in one filter of at least `fir`'s length."""
        given = np.asarray(fir, dtype=np.float64)
        length = max(len(given), self._history + 1)
        grid = 1 << int(np.ceil(np.log2(2 * length)))
        own = self._impulse[:length]
        whole = np.fft.irfft(np.fft.rfft(given, grid) * np.fft.rfft(own, grid), grid)
        return whole[:length].copy()

    def energies(self, frames: ArrayLike | Frames) -> Floats:
        """Return the K-weighted energies (hops,) behind the filter: `gated_loudness` makes the loudness of them."""
        return self._measured(_readable(frames), (self._heard,), levels=False)[0][0]

    def levels(self, frames: ArrayLike | Frames, *, full_scale: float = 1.0, spread: Spread = one_by_one) -> Levels:
        """Return all levels of `frames` (n, channels); of a tape a few blocks at a time are in memory.

        `full_scale` is the value of full scale: 2^23 for the whole numbers of a file of 24 bits. `spread` may have
        several threads at work; what is measured is the same to the last bit.
        """
        samples = _readable(frames)
        firs = (self._heard, self._file) if self._filtered else (self._heard,)
        energies, correlation = self._measured(samples, firs, levels=True, spread=spread)
        edges = hop_edges(samples.shape[0], self.rate)
        loudness = [gated_loudness(energy / full_scale**2, edges) for energy in energies]
        size = max(1, samples.shape[0] * samples.shape[1]) * full_scale**2
        return Levels(
            heard=loudness[0],
            file=loudness[-1],
            a_weighted=level_of(_inner(correlation, self._a_weighted) / size),
            rms=level_of(_inner(correlation, self._rms) / size),
        )

    def _measured(
        self,
        samples: Frames,
        firs: Sequence[NDArray[np.complex64]],
        *,
        levels: bool,
        spread: Spread = one_by_one,
    ) -> tuple[list[Floats], Complexes]:
        """Return the energies (hops,) behind each of `firs` (bins,), and the spectrum (bins,) of the lags' products."""
        if len(samples.shape) != 2:
            raise ValueError(f"frames must be (n, channels), got shape {samples.shape}")
        count, channels = samples.shape
        edges = hop_edges(count, self.rate)
        energies = [np.zeros((len(edges) - 1, channels)) for _ in firs]
        history, step = self._history, self._block - self._history
        together = max(1, _ROWS // channels)
        correlation = np.zeros(self._block // 2 + 1, dtype=np.complex128)
        rooms: list[_Room] = []

        def pieces() -> Iterator[Callable[[], _Found]]:
            for first in range(0, count, together * step):
                room = rooms.pop() if rooms else _Room(together, channels, self._block)
                starts = range(first, first + together * step, step)
                for part, start in zip(room.piece, starts, strict=True):
                    _fill(part, samples, start, history)
                yield partial(self._found, room, [edges - start for start in starts], firs, levels=levels)

        for found in spread(pieces()):
            for parts, sums in zip(energies, found.sums, strict=True):
                for place, own in sums:
                    parts[place] += own
            if levels:
                correlation += found.products
            rooms.append(found.room)
        weights = channel_weights(channels)
        return [np.einsum("hc,c->h", parts, weights) for parts in energies], correlation

    def _found(
        self, room: "_Room", edges: Sequence[NDArray[np.int64]], firs: Sequence[NDArray[np.complex64]], *, levels: bool
    ) -> "_Found":
        """Return what is measured of a room's blocks; `edges` of the hops, counted from the beginning of each block."""
        from scipy.fft import rfft  # numpy's takes single precision one row at a time, and as long as double

        history = self._history
        spectrum = rfft(room.piece)
        sums = []
        for fir in firs:
            np.multiply(spectrum, fir, out=room.product)
            np.fft.irfft(room.product, self._block, out=room.sound)
            sums.append([energies_between(one[:, history:], own) for one, own in zip(room.sound, edges, strict=True)])
        if not levels:
            return _Found(room=room, sums=sums, products=spectrum[0, 0])
        room.piece[..., :history] = 0.0
        alone = rfft(room.piece)
        np.conjugate(spectrum, out=spectrum)
        np.multiply(alone, spectrum, out=alone)
        return _Found(room=room, sums=sums, products=alone.sum(axis=(0, 1)))


class _Room:
    """Memory for some blocks that are measured together; it goes round."""

    def __init__(self, together: int, channels: int, block: int) -> None:
        self.piece = np.empty((together, channels, block), dtype=np.float32)
        self.product = np.empty((together, channels, block // 2 + 1), dtype=np.complex64)
        self.sound: NDArray[Any] = np.empty_like(self.piece)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Found:
    """What was measured of some blocks."""

    room: _Room
    sums: list[list[tuple[slice, Floats]]]
    """By filter and block: which hops it reaches, and its energy there."""
    products: NDArray[np.complex64]
    """Spectrum (bins,) of the lags' products; of no meaning where no levels were asked for."""


def _readable(frames: ArrayLike | Frames) -> Frames:
    return frames if isinstance(frames, ClipTape | WavTape | Part) else np.asarray(frames)


def _fill(part: NDArray[np.float32], samples: Frames, start: int, history: int) -> None:
    """Write the frames from `start` on into `part` (channels, n), as many before as `history`; silence around them."""
    first, last = max(0, start - history), min(samples.shape[0], start - history + part.shape[1])
    begin = first - (start - history)
    end = begin + max(0, last - first)
    part[:, :begin] = 0.0
    part[:, begin:end] = samples[first:last].T
    part[:, end:] = 0.0


def _inner(correlation: Complexes, lags: Complexes) -> float:
    """Return the energy: the sum over lags of their product, in the frequency domain; never under zero."""
    real = np.einsum("f,f->", correlation.real, lags.real) + np.einsum("f,f->", correlation.imag, lags.imag)
    return max(0.0, float(real))
