"""The programmes of a clip too long to be held in memory: tapes in place of arrays, and files in place of memory.

What `programme` and `distortion` do to arrays is done here piece by piece: decoding, another rate, aligning recordings,
harmonics. What can't be read at any place of its own file (another rate, MP3, Ogg) is written once, as float64, to a
file without a name beside the stimuli, which vanishes with the process; an hour of stereo at 48 kHz takes 2.8 GB there.
The numbers are those of the way through memory to the last bit, but where a programme exceeds the table of its
harmonics: there a running mean is begun anew with each piece, and the last bit of float64 may differ.
"""

import tempfile
import threading
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType

import numpy as np
from numpy.typing import NDArray

from blindtest.audio import ClipTape, Frames, Part, aligned_tapes, decoded_blocks, resampled_blocks, tape_extent
from blindtest.device import HarmonicStage
from blindtest.errors import BlindtestError

from .distortion import AHEAD_S, DistortionStage
from .programme import CLIP, MAX_SHIFT_S, ClipSource, other_rate, part_of, refuse_short, too_many_channels
from .workers import in_order

__all__ = ["LongProgramme", "LongProgrammes", "Store"]

Floats = NDArray[np.float64]


class Store:
    """Frames (n, 2) float64 in a file without a name: written once from front to back, then read anywhere."""

    def __init__(self, folder: Path) -> None:
        self._file = tempfile.TemporaryFile(dir=folder)  # noqa: SIM115
        self._lock = threading.Lock()
        self.shape = (0, 2)

    def add(self, frames: Floats) -> None:
        """Append frames (n, 2)."""
        self._file.write(np.ascontiguousarray(frames, dtype="<f8").data)
        self.shape = (self.shape[0] + len(frames), 2)

    def __getitem__(self, span: slice) -> Floats:
        """Return frames (n, 2)."""
        first, last, _ = span.indices(self.shape[0])
        with self._lock:
            self._file.seek(16 * first)
            data = self._file.read(16 * max(0, last - first))
        return np.frombuffer(data, dtype="<f8").reshape(-1, 2)

    def close(self) -> None:
        """Give the room back."""
        self._file.close()


class _Bent:
    """A programme with harmonics: its own frames, what the stage adds, less the mean of that."""

    def __init__(self, tape: Frames, products: Store, mean: Floats, first: int) -> None:
        self._tape, self._products, self._mean, self._first = tape, products, mean, first
        self.shape = products.shape

    def __getitem__(self, span: slice) -> Floats:
        first, last, _ = span.indices(self.shape[0])
        added = self._products[first:last] - self._mean
        added += self._tape[self._first + first : self._first + last]
        return added


@dataclass(frozen=True, slots=True, kw_only=True)
class LongProgramme:
    """Where the frames that are played lie on a tape: from `first` to `last`; what is before them comes with it."""

    path: Path | Store
    """A file that is its own tape, or what was stored."""
    first: int
    last: int
    shift: int = 0
    bent: tuple[Store, Floats, int] | None = None
    """What harmonics add from a frame of the tape on, and its mean; `first` and `last` then count from there."""

    def opened(self) -> "AbstractContextManager[Frames]":
        """Return the tape, for one reader."""
        own: AbstractContextManager[Frames] = ClipTape(self.path) if isinstance(self.path, Path) else _held(self.path)
        return own if self.bent is None else _Opened(own, *self.bent)


def _held(store: Store) -> "AbstractContextManager[Frames]":
    return nullcontext(store)


class _Opened:
    def __init__(self, own: "AbstractContextManager[Frames]", products: Store, mean: Floats, first: int) -> None:
        self._own, self._products, self._mean, self._first = own, products, mean, first

    def __enter__(self) -> Frames:
        return _Bent(self._own.__enter__(), self._products, self._mean, self._first)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._own.__exit__(kind, error, trace)


class LongProgrammes:
    """All programmes of one clip, cut to the same frames as by `read_programmes`; made when they are asked for."""

    def __init__(
        self,
        source: ClipSource,
        recordings: Mapping[Path, bool],
        rate_hz: int | None,
        scratch: Path,
        workers: int,
        keep_on: Callable[[], None],
    ) -> None:
        self._scratch, self._workers, self._keep_on = scratch, workers, keep_on
        self._stores: list[Store] = []
        self._bent: dict[tuple[Path, DistortionStage], LongProgramme] = {}
        try:
            self._read(source, recordings, rate_hz)
        except BaseException:
            self.close()
            raise

    def _read(self, source: ClipSource, recordings: Mapping[Path, bool], rate_hz: int | None) -> None:
        clip, count, self.rate = self._ready(source.path, rate_hz, f"clip.{source.id}.file")
        first, last = part_of(source, count, self.rate)
        found = {CLIP: LongProgramme(path=clip, first=first, last=last)}
        ends = {CLIP: count}
        faults = []
        for path, align in recordings.items():
            tape, length, rate = self._ready(path, rate_hz, "")
            if rate != self.rate:
                faults.append(other_rate(source, path, rate, self.rate))
                continue
            own = LongProgramme(path=tape, first=first, last=last)
            shift = self._shift(own, length, found[CLIP], count) if align else 0
            found[path], ends[path] = replace(own, shift=shift), length
        if faults:
            raise BlindtestError(*faults)
        first = max(first, *(-one.shift for one in found.values()))
        last = min(last, *(ends[path] - one.shift for path, one in found.items()))
        refuse_short(source, (last - first) / self.rate, alone=len(found) == 1)
        self.frames = last - first
        self._plain = {
            path: replace(one, first=first + one.shift, last=last + one.shift) for path, one in found.items()
        }

    def programme(self, path: Path, distortion: DistortionStage | None) -> LongProgramme:
        """Return the clip (under `CLIP`) or a recording, with the harmonics of a stage where there is one."""
        if distortion is None:
            return self._plain[path]
        if (path, distortion) not in self._bent:
            self._bent[path, distortion] = self._distorted(self._plain[path], distortion.model(self.rate))
        return self._bent[path, distortion]

    def close(self) -> None:
        """Give back the room of what was stored."""
        for store in self._stores:
            store.close()

    def _store(self) -> Store:
        self._stores.append(Store(self._scratch))
        return self._stores[-1]

    def _ready(self, path: Path, rate_hz: int | None, key: str) -> tuple[Path | Store, int, int]:
        """Return a file that can be read anywhere, or what was stored of it; its frames, and their rate in Hz."""
        extent = tape_extent(path)
        if extent is not None and rate_hz in (None, extent[1]):
            return path, *extent
        rate, channels, blocks = decoded_blocks(path)
        if channels > 2:
            raise too_many_channels(path, key, channels)
        if rate_hz is not None and rate_hz != rate:
            blocks, rate = resampled_blocks(blocks, rate, rate_hz, channels), rate_hz
        store = self._store()
        for block in blocks:
            self._keep_on()
            store.add(np.repeat(block, 2, axis=1) if block.shape[1] == 1 else block)
        return store, store.shape[0], rate

    def _shift(self, own: LongProgramme, length: int, clip: LongProgramme, count: int) -> int:
        with own.opened() as later, clip.opened() as earlier:
            return aligned_tapes(
                Part(later, own.first, min(own.last, length)),
                Part(earlier, clip.first, min(clip.last, count)),
                self.rate,
                MAX_SHIFT_S,
            )

    def _distorted(self, plain: LongProgramme, model: HarmonicStage) -> LongProgramme:
        """Return the programme with harmonics, up to 10 s around it too: what `distorted` returns."""
        reach = round(AHEAD_S * self.rate)
        with plain.opened() as tape:
            begin, end = max(0, plain.first - reach), min(tape.shape[0], plain.last + reach)
            first, last = plain.first - begin, plain.last - begin
            products, total, at = self._store(), np.zeros(2), 0
            for added in in_order(self._workers, model.pieces(tape, begin, end)):
                self._keep_on()
                products.add(added)
                # Row by row in their order, as the mean of an array in one piece is taken.
                counted = added[max(0, first - at) : max(0, last - at)]
                total = np.add.reduce(np.concatenate([total[None], counted]), axis=0)
                at += len(added)
        mean = total / (last - first)
        return replace(plain, first=first, last=last, bent=(products, mean, begin))
