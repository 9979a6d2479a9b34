"""Frames that lie in a file and are read where they are needed: what is too long to be held in memory.

A tape answers `tape[first:last]` with frames (n, channels), as an array does; asked for outside its ends it gives fewer
frames, as an array does too. Reading goes on where the last reading ended; what was read last is kept, so that blocks
that overlap are not decoded twice. A tape has one reader: threads open their own.
"""

from pathlib import Path
from types import TracebackType
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from blindtest.audio.clip_files import check_samples, refused
from blindtest.audio.pcm import HEADER_LENGTH, data_samples

__all__ = ["ClipTape", "Frames", "Part", "WavTape", "aligned_tapes", "audio_extent", "tape_extent"]

EXACT_FORMATS = ("WAV", "WAVEX", "RF64", "W64", "AIFF", "FLAC")
"""In which a frame is found by its number; in the others it may be missed."""


def tape_extent(path: Path) -> tuple[int, int] | None:
    """Return frames and rate in Hz of a file that can be a `ClipTape`; None for any other, and for what isn't audio."""
    return _extent(path, EXACT_FORMATS)


def audio_extent(path: Path) -> tuple[int, int] | None:
    """Return frames and rate in Hz of an audio file of one or two channels, of an MP3 an estimate; None for others."""
    return _extent(path, None)


def _extent(path: Path, formats: tuple[str, ...] | None) -> tuple[int, int] | None:
    import soundfile

    try:
        about = soundfile.info(str(path))
    except (soundfile.LibsndfileError, RuntimeError):
        return None  # reading it whole says what is wrong
    fits = about.channels <= 2 and (formats is None or about.format in formats)
    return (about.frames, about.samplerate) if fits else None


class Frames(Protocol):
    """What blocks are cut from: an array (n, channels), or a tape."""

    @property
    def shape(self) -> tuple[int, ...]:
        """Frames and channels."""
        ...

    def __getitem__(self, span: slice, /) -> NDArray[Any]:
        """Return the frames of a span without step."""
        ...


class ClipTape:
    """An audio file of one or two channels as a tape of two: mono is given to both ears.

    Only formats that are found their way through exactly may be read so (WAV, FLAC); samples are checked as they are
    read, as `read_clip` does.
    """

    def __init__(self, path: Path) -> None:
        import soundfile

        self._file = soundfile.SoundFile(path)
        self._path = path
        self._at = 0
        self._kept: NDArray[np.float64] = np.empty((0, 2))
        self.rate = int(self._file.samplerate)
        self.shape = (int(self._file.frames), 2)

    def __enter__(self) -> "ClipTape":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()

    def __getitem__(self, span: slice) -> NDArray[np.float64]:
        """Return frames (n, 2) float64, full scale = 1.

        Raises
        ------
        BlindtestError
            The file ends before its header says, can't be read any further, or holds a sample that is none.
        """
        first, last, _ = span.indices(self.shape[0])
        begin = self._at - len(self._kept)
        if last <= first:
            return np.empty((0, 2))
        if not begin <= first <= self._at:
            self._file.seek(first)
            begin, self._at, self._kept = first, first, np.empty((0, 2))
        self._kept = self._kept[first - begin :]
        if last > self._at:
            self._kept = np.concatenate([self._kept, self._read(last - self._at)])
            self._at = last
        return self._kept[: last - first]

    def _read(self, count: int) -> NDArray[np.float64]:
        import soundfile

        try:
            frames: NDArray[np.float64] = self._file.read(count, dtype="float64", always_2d=True)
        except (soundfile.LibsndfileError, RuntimeError) as reason:
            raise refused(self._path, f"can't be read as audio from frame {self._at} on ({reason})") from reason
        if len(frames) < count:
            raise refused(
                self._path,
                "ends before its header says",
                got=f"{self._at + len(frames)} frames",
                allowed=f"{self.shape[0]} frames",
                remedy="copy or export it again",
            )
        check_samples(self._path, frames, self._at)
        return np.repeat(frames, 2, axis=1) if frames.shape[1] == 1 else frames


class WavTape:
    """A plain file as `wav_bytes` writes it as a tape of whole numbers (n, channels) int32."""

    def __init__(self, path: Path, count: int, channels: int) -> None:
        self._file = path.open("rb")
        self.shape = (count, channels)

    def __enter__(self) -> "WavTape":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()

    def __getitem__(self, span: slice) -> NDArray[np.int32]:
        """Return samples (n, channels)."""
        first, last, _ = span.indices(self.shape[0])
        frame = 3 * self.shape[1]
        self._file.seek(HEADER_LENGTH + first * frame)
        return data_samples(self._file.read(max(0, last - first) * frame), self.shape[1])


class Part:
    """The frames of another tape from `first` to `last`, counted anew; silence where the other one has ended."""

    def __init__(self, tape: Frames, first: int, last: int) -> None:
        self._tape, self._first = tape, first
        self.shape = (last - first, tape.shape[1])

    def __getitem__(self, span: slice) -> NDArray[Any]:
        """Return frames (n, channels)."""
        first, last, _ = span.indices(self.shape[0])
        found = self._tape[self._first + first : self._first + max(first, last)]
        missing = max(0, last - first) - len(found)
        return np.concatenate([found, np.zeros((missing, found.shape[1]))]) if missing else found


def aligned_tapes(later: Frames, earlier: Frames, rate: int, max_shift_s: float) -> int:
    """Return by how many frames `later` lies behind `earlier` (negative: ahead): as `aligned`, a block at a time."""
    counts = later.shape[0], earlier.shape[0]
    if min(counts) == 0:
        return 0
    from scipy.fft import next_fast_len

    reach = min(int(max_shift_s * rate), max(counts) - 1)
    block = max(1 << 18, 4 * reach)
    size = int(next_fast_len(block + 2 * reach, real=True))
    found = np.zeros(2 * reach + 1)
    channels = min(later.shape[1], earlier.shape[1])
    for start in range(0, counts[1], block):
        own = np.zeros((size, channels))
        part = earlier[start : start + block]
        own[: len(part)] = part[:, :channels]
        around = np.zeros((size, channels))
        first = max(0, start - reach)
        near = later[first : start + block + reach]
        place = first - (start - reach)
        around[place : place + len(near)] = near[:, :channels]
        product = np.fft.rfft(around, axis=0) * np.conj(np.fft.rfft(own, axis=0))
        found += np.fft.irfft(product.sum(axis=1), size)[: 2 * reach + 1]
    shifts = np.arange(-reach, reach + 1)
    inside = (shifts < counts[0]) & (shifts > -counts[1])
    shifts, found = shifts[inside], np.abs(found)[inside]
    order = np.argsort(np.abs(shifts), kind="stable")  # of equal correlations the smallest shift
    return int(shifts[order][np.argmax(found[order])])
