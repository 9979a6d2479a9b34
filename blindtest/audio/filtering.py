"""Filters applied to whole clips, block by block."""

import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from blindtest.audio.tape import Frames

__all__ = ["FilterRun", "KeptSpectra", "apply_and_sum", "apply_firs"]

_SHORTEST_BLOCK = 8192
_TOGETHER = 1 << 17  # points of a row up to which rows are transformed together


def apply_firs(
    frames: ArrayLike, firs: Sequence[ArrayLike], *, before: ArrayLike | None = None
) -> list[NDArray[np.float64]]:
    """Return `frames` through each of `firs`, each result as long as `frames`, in float64.

    Overlap-save: one forward transform a block, shared by all filters (Oppenheim and Schafer, Discrete-Time Signal
    Processing, 8.7.3). Beside the results it needs a few blocks of memory.

    Parameters
    ----------
    frames : (n, channels) array_like
    firs : sequence of (taps,), (taps, channels) or (taps, channels, channels) array_like
        One filter for all channels, a column for each, or one from every channel (last axis) to every other.
    before : (m, channels) array_like, optional
        The programme ahead of `frames`, so that the result does not begin out of silence; the last
        (longest filter - 1) frames of it count. Silence if left out.

    Returns
    -------
    list of (n, channels) float64, in the order of `firs`
    """
    return apply_and_sum(frames, firs, (), np.zeros(1, dtype=np.int64), before=before)[0]


def apply_and_sum(
    frames: ArrayLike,
    firs: Sequence[ArrayLike],
    summed: Sequence[ArrayLike],
    edges: NDArray[np.int64],
    *,
    before: ArrayLike | None = None,
    kept: "KeptSpectra | None" = None,
) -> tuple[list[NDArray[np.float64]], list[NDArray[np.float64]]]:
    """Return `frames` through each of `firs`, and the energy of `frames` through each of `summed`, from one pass.

    What is only summed is transformed back in single precision, two filters at a time, which takes half as long: an
    energy is then right to a millionth, 0.00001 dB. What is returned as sound never leaves float64.

    Parameters
    ----------
    frames, firs, before : as for `apply_firs`
    summed : as `firs`
        Filters of whose results only the sums of squares are wanted.
    edges : (parts + 1,) ascending, 0 to n
        Frames between which these are taken.
    kept : optional
        Where calls with the very same filters share what their filters come to.

    Returns
    -------
    list of (n, channels) float64, and list of (parts, channels) float64
    """
    samples = _framed(frames, "frames")
    count, channels = samples.shape
    filters = [_columns(fir, channels) for fir in (*firs, *summed)]
    if not filters:
        return [], []
    history = max(len(fir) for fir in filters) - 1
    ahead = np.zeros((0, channels)) if before is None else _framed(before, "before")
    if ahead.shape[1] != channels:
        raise ValueError(f"before has {ahead.shape[1]} channels, frames {channels}")
    ahead = ahead[max(0, len(ahead) - history) :]
    sums = [np.zeros((len(edges) - 1, channels)) for _ in summed]
    if count == 0:
        return [np.empty((0, channels)) for _ in firs], sums

    blocks, step, block = _blocks(count, history + 1)
    spectra, singles = (kept or KeptSpectra()).of(firs, summed, channels, block)
    # Channel by channel in memory. Each result has room for the wrapped head of its first block, and for whole blocks:
    # taken from the last to the first, an inverse transform is written in place and the next one covers its head.
    results = [np.empty((channels, history + blocks * step)) for _ in firs]
    piece = np.empty((channels, block))
    spectrum = np.empty((channels, block // 2 + 1), dtype=np.complex128)
    product = np.empty_like(spectrum)
    if summed:
        single = np.empty(spectrum.shape, dtype=np.complex64)
        products = np.empty((2, *single.shape), dtype=np.complex64)
        sound: NDArray[Any] = np.empty((2, channels, block), dtype=np.float32)
    for start in range((blocks - 1) * step, -1, -step):
        _fill(piece, samples, ahead, start - history)
        np.fft.rfft(piece, out=spectrum)
        for filter_spectrum, result in zip(spectra, results, strict=True):
            _multiply(spectrum, filter_spectrum, product)
            _transform_back(product, result[:, start : start + block])
        if summed:
            np.copyto(single, spectrum, casting="same_kind")
        for first in range(0, len(summed), 2):
            pair = singles[first : first + 2]
            for number, single_spectrum in enumerate(pair):
                _multiply(single, single_spectrum, products[number])
            np.fft.irfft(products[: len(pair)], block, out=sound[: len(pair)])
            for parts, one in zip(sums[first : first + 2], sound, strict=False):
                add_energies(parts, one[:, history : history + step], edges - start)
    return [result[:, history : history + count].T for result in results], sums


class KeptSpectra:
    """What filters come to on a block, kept for the next clip that goes through the very same arrays in such blocks.

    Only what was asked for last is kept. Several threads may share one.
    """

    def __init__(self) -> None:
        self._last: _Spectra | None = None

    def of(
        self, firs: Sequence[ArrayLike], summed: Sequence[ArrayLike], channels: int, block: int
    ) -> tuple[list[NDArray[np.complex128]], list[NDArray[np.complex64]]]:
        """Return the spectrum of each of `firs`, and of each of `summed` in single precision."""
        last = self._last
        if last is None or not last.holds(firs, summed, channels, block):
            filters = [_columns(fir, channels) for fir in (*firs, *summed)]
            last = self._last = _Spectra(
                of=(tuple(firs), tuple(summed)),
                channels=channels,
                block=block,
                firs=_spectra(filters[: len(firs)], block),
                summed=[one.astype(np.complex64) for one in _spectra(filters[len(firs) :], block)],
            )
        return last.firs, last.summed


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Spectra:
    of: tuple[tuple[ArrayLike, ...], tuple[ArrayLike, ...]]
    channels: int
    block: int
    firs: list[NDArray[np.complex128]]
    summed: list[NDArray[np.complex64]]

    def holds(self, firs: Sequence[ArrayLike], summed: Sequence[ArrayLike], channels: int, block: int) -> bool:
        """Return whether these are the very filters."""
        if (channels, block) != (self.channels, self.block):
            return False
        return all(
            len(own) == len(others) and all(one is other for one, other in zip(own, others, strict=True))
            for own, others in zip(self.of, (firs, summed), strict=True)
        )


@dataclass(slots=True, eq=False)
class Through:
    """What a run's filters make of one of its blocks: (n, channels) each, to be used before it is given back."""

    blocks: list[NDArray[Any]]
    room: list[NDArray[Any]]
    piece: NDArray[np.float64]


class FilterRun:
    """What `apply_and_sum` computes, to the last bit, block by block: for what doesn't fit into memory.

    `frames` may be a tape. The blocks are cut as if there were a filter of `reach` taps among the others. `pieces`
    reads them one after the other; `through` filters one, also several at once in threads. `sums` (parts, channels) of
    each of `summed` are whole when all pieces have gone through.
    """

    def __init__(
        self,
        frames: "Frames",
        firs: Sequence[ArrayLike],
        summed: Sequence[ArrayLike],
        edges: NDArray[np.int64],
        *,
        before: ArrayLike,
        reach: int = 0,
        coarse: bool = False,
    ) -> None:
        count, channels = frames.shape
        filters = [_columns(fir, channels) for fir in (*firs, *summed)]
        if not filters or not count:
            raise ValueError("a run needs frames and filters")
        self._history = max(reach, *(len(fir) for fir in filters)) - 1
        ahead = _framed(before, "before")
        self._ahead = ahead[max(0, len(ahead) - self._history) :]
        self._frames, self._edges = frames, edges
        self._blocks, self._step, self._block = _blocks(count, self._history + 1)
        self._spectra, self._singles = KeptSpectra().of(firs, summed, channels, self._block)
        self._coarse = [one.astype(np.complex64) for one in self._spectra] if coarse else []
        self.sums = [np.zeros((len(edges) - 1, channels)) for _ in summed]
        self._adding = threading.Lock()
        self._rooms: list[list[NDArray[Any]]] = []
        self._pieces: list[NDArray[np.float64]] = []
        self._own = threading.local()

    def length_at(self, start: int) -> int:
        """Return how many frames the piece that begins at frame `start` brings."""
        return min(self._step, int(self._frames.shape[0]) - start)

    def pieces(self) -> Iterator[tuple[int, NDArray[np.float64]]]:
        """Yield where each piece begins, and its frames (channels, block) with what is before them."""
        for start in range(0, self._blocks * self._step, self._step):
            # Memory that one thread gives back and another takes anew costs more than filling it: it goes round.
            piece = self._pieces.pop() if self._pieces else np.empty((self._frames.shape[1], self._block))
            _fill(piece, self._frames, self._ahead, start - self._history)
            yield start, piece

    def through(self, start: int, piece: NDArray[np.float64]) -> Through:
        """Return what each of the filters makes of a piece; what is summed is added to `sums`."""
        channels, history, block = len(piece), self._history, self._block
        work = self._workspace(channels)
        np.fft.rfft(piece, out=work.spectrum)
        try:
            room = self._rooms.pop()
        except IndexError:
            kind = np.float32 if self._coarse else np.float64
            room = [np.empty((channels, block), dtype=kind) for _ in self._spectra]
        if not self._coarse:
            for filter_spectrum, result in zip(self._spectra, room, strict=True):
                self._filtered(work, filter_spectrum, result)
        if self._coarse or self.sums:
            np.copyto(work.single, work.spectrum, casting="same_kind")
        # In single precision two of two channels take hardly longer than one.
        wanted = [*zip(self._coarse, room, strict=False), *zip(self._singles, self.sums, strict=True)]
        for first in range(0, len(wanted), 2):
            pair = wanted[first : first + 2]
            for number, (single_spectrum, _) in enumerate(pair):
                _multiply(work.single, single_spectrum, work.products[number])
            np.fft.irfft(work.products[: len(pair)], block, out=work.sound[: len(pair)])
            for number, (_, goal) in enumerate(pair, first):
                one = work.sound[number - first]
                if number < len(self._coarse):
                    goal[:, history:] = one[:, history:]
                    continue
                with self._adding:  # a hop may lie in two blocks; of two the order of adding makes no difference
                    add_energies(goal, one[:, history : history + self._step], self._edges - start)
        length = self.length_at(start)
        return Through(blocks=[result[:, history : history + length].T for result in room], room=room, piece=piece)

    def fine(self, used: Through, place: int) -> NDArray[np.float64]:
        """Return one of the blocks (n, channels) of a coarse run in float64, as another run would have made it."""
        work = self._workspace(len(used.piece))
        np.fft.rfft(used.piece, out=work.spectrum)
        result = np.empty(used.piece.shape)
        self._filtered(work, self._spectra[place], result)
        return result[:, self._history : self._history + len(used.blocks[place])].T

    def give_back(self, used: Through) -> None:
        """Take back the memory of a block that isn't needed any more."""
        self._rooms.append(used.room)
        self._pieces.append(used.piece)

    def _filtered(self, work: "_Workspace", of_filter: NDArray[np.complex128], result: NDArray[np.float64]) -> None:
        _multiply(work.spectrum, of_filter, work.product)
        _transform_back(work.product, result)

    def _workspace(self, channels: int) -> "_Workspace":
        """Return this thread's own memory."""
        if not hasattr(self._own, "work"):
            self._own.work = _Workspace(channels, self._block)
        work: _Workspace = self._own.work
        return work


class _Workspace:
    def __init__(self, channels: int, block: int) -> None:
        self.spectrum = np.empty((channels, block // 2 + 1), dtype=np.complex128)
        self.product = np.empty_like(self.spectrum)
        self.single = np.empty(self.spectrum.shape, dtype=np.complex64)
        self.products = np.empty((2, *self.single.shape), dtype=np.complex64)
        self.sound: NDArray[Any] = np.empty((2, channels, block), dtype=np.float32)


def _transform_back(product: NDArray[np.complex128], sound: NDArray[np.float64]) -> None:
    """Write the inverse transform of each row of `product` into the same row of `sound`; the same numbers either way.

    Rows of double precision go two at a time through the processor, which pays until they outgrow its cache together.
    """
    block = sound.shape[1]
    if block <= _TOGETHER:
        np.fft.irfft(product, block, out=sound)
        return
    for bins, row in zip(product, sound, strict=True):
        np.fft.irfft(bins, block, out=row)


def _multiply(spectrum: NDArray[Any], of_filter: NDArray[Any], out: NDArray[Any]) -> None:
    """Write what a filter's spectrum makes of `spectrum` (channels, bins) into `out`."""
    if of_filter.ndim == 2:
        np.multiply(spectrum, of_filter, out=out)
        return
    np.multiply(of_filter[:, 0], spectrum[0], out=out)
    for place in range(1, of_filter.shape[1]):
        out += of_filter[:, place] * spectrum[place]


def _spectra(filters: Sequence[NDArray[np.float64]], block: int) -> list[NDArray[np.complex128]]:
    """Return the spectrum (channels or 1, bins) of each filter, of a matrix (channels, channels, bins).

    They are transformed two at a time, which is quicker.
    """
    columns = [column for fir in filters for column in fir.reshape(len(fir), -1).T]
    spectra: list[NDArray[np.complex128]] = []
    for first in range(0, len(columns), 2):
        pair = columns[first : first + 2]
        padded = np.zeros((len(pair), block))
        for row, column in zip(padded, pair, strict=True):
            row[: len(column)] = column
        spectra.extend(np.fft.rfft(padded))
    widths = [fir.size // len(fir) for fir in filters]
    ends = np.cumsum(widths)
    return [
        np.stack(spectra[end - width : end]).reshape(*fir.shape[1:], -1)
        for fir, width, end in zip(filters, widths, ends, strict=True)
    ]


def add_energies(parts: NDArray[np.float64], sound: NDArray[np.floating], edges: NDArray[np.int64]) -> None:
    """Add the energy of `sound` (channels, n) between `edges`, counted from its beginning, to `parts`.

    What is in `sound` is lost.
    """
    place, sums = energies_between(sound, edges)
    parts[place] += sums


def energies_between(sound: NDArray[np.floating], edges: NDArray[np.int64]) -> tuple[slice, NDArray[np.float64]]:
    """Return which parts between `edges` the `sound` (channels, n) reaches, and its energy there; see above.

    What is in `sound` is lost.
    """
    first = max(0, int(np.searchsorted(edges, 0, side="right")) - 1)
    last = min(len(edges) - 1, int(np.searchsorted(edges, sound.shape[1])))
    if first >= last:
        return slice(0, 0), np.zeros((0, len(sound)))
    within = np.clip(edges[first : last + 1], 0, sound.shape[1])
    sound = sound[:, : within[-1]]
    np.square(sound, out=sound)
    return slice(first, last), np.add.reduceat(sound, within[:-1], axis=1, dtype=np.float64).T


def _framed(frames: ArrayLike, name: str) -> NDArray[np.float64]:
    samples = np.asarray(frames, dtype=np.float64)
    if samples.ndim != 2:
        raise ValueError(f"{name} must be (n, channels), got shape {samples.shape}")
    return samples


def _columns(fir: ArrayLike, channels: int) -> NDArray[np.float64]:
    taps = np.asarray(fir, dtype=np.float64)
    columns = taps[:, None] if taps.ndim == 1 else taps
    shapes = ((1,), (channels,), (channels, channels))
    if len(columns) == 0 or columns.shape[1:] not in shapes:
        raise ValueError(
            f"a filter must be (taps,), (taps, {channels}) or (taps, {channels}, {channels}), got shape {taps.shape}"
        )
    return columns


def _blocks(count: int, taps: int) -> tuple[int, int, int]:
    """Return how many blocks, the step from one to the next, and their length.

    The length is about four times the filter's, so that the blocks share the frames evenly, and a quick one for the
    transform.
    """
    history = taps - 1
    wanted = min(max(_SHORTEST_BLOCK, 4 * taps), count + history)
    blocks = -(-count // (wanted - history))
    block = quick_length(-(-count // blocks) + history)
    step = block - history
    return -(-count // step), step, block


def quick_length(least: int) -> int:
    """Return an even length of at least `least` that the transform is quick at."""
    from scipy.fft import next_fast_len

    return 2 * int(next_fast_len(-(-least // 2), real=True))


def _fill(piece: NDArray[np.float64], samples: "Frames", ahead: NDArray[np.float64], start: int) -> None:
    """Write the programme from frame `start` on into `piece` (channels, block), silence where there is none."""
    length = piece.shape[1]
    first, last = max(0, start), min(samples.shape[0], start + length)
    known = max(start, -len(ahead))
    head = max(0, min(0, start + length) - known)
    piece[:, : known - start] = 0.0
    piece[:, known - start : known - start + head] = ahead[len(ahead) + known : len(ahead) + known + head].T
    piece[:, first - start : last - start] = samples[first:last].T
    piece[:, last - start :] = 0.0
