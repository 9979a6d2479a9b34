"""Files that clips are read from and written to: WAV, FLAC, Ogg and MP3, by libsndfile.

Integer samples are divided by half their range, so that a file of 24 bits comes back exactly.
"""

import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from blindtest.audio.clip import RATES, Clip
from blindtest.errors import BlindtestError, Fault

__all__ = [
    "check_samples",
    "decoded_blocks",
    "libsndfile_version",
    "promised_seconds",
    "read_clip",
    "refused",
    "write_clip",
]

MOST_CHANNELS = 8
HIGHEST = 100.0
"""Full scale = 1; a sample past this (+40 dB) is taken for a file whose floating-point samples were never scaled."""
READABLE = "WAV, FLAC, Ogg or MP3"

_BLOCK = 1 << 22  # frames read at once: most clips are one block
_INTEGER_SUBTYPES = {"PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
_FLOAT_SUBTYPES = ("FLOAT", "DOUBLE")


def read_clip(path: str | os.PathLike[str]) -> Clip:
    """Return the clip in a WAV, FLAC, Ogg or MP3 file; its name is the file's without the ending.

    Raises
    ------
    BlindtestError
        No such file, no permission, no audio that can be read (text, a protected or unknown format, a damaged
        file), no frames, a sample that is not a number or far beyond full scale, or a rate or number of
        channels out of range.
    """
    place = Path(path)
    _look_at(place)
    import soundfile

    try:
        with soundfile.SoundFile(place) as file:
            _check_form(place, file.samplerate, file.channels)
            frames = _all_frames(file)
            rate, promised, kind = int(file.samplerate), int(file.frames), str(file.format)
    except (soundfile.LibsndfileError, RuntimeError, MemoryError, ValueError, OverflowError) as reason:
        raise _unreadable(place, reason) from reason
    _check_length(place, len(frames), promised, kind)
    check_samples(place, frames)
    return Clip(frames=frames, rate=rate, name=place.stem)


def decoded_blocks(path: str | os.PathLike[str]) -> tuple[int, int, Iterator[NDArray[np.float64]]]:
    """Return rate in Hz, channels, and the frames (n, channels) of a file, 4 million of them at a time.

    Raises as `read_clip`, some of it only when the block is asked for that can't be had.
    """
    place = Path(path)
    _look_at(place)
    import soundfile

    try:
        with soundfile.SoundFile(place) as file:
            rate, channels = int(file.samplerate), int(file.channels)
    except (soundfile.LibsndfileError, RuntimeError) as reason:
        raise _unreadable(place, reason) from reason
    _check_form(place, rate, channels)
    return rate, channels, _decoded(place)


def _decoded(place: Path) -> Iterator[NDArray[np.float64]]:
    import soundfile

    with soundfile.SoundFile(place) as file:
        count = 0
        while True:
            try:
                block = file.read(_BLOCK, dtype="float64", always_2d=True)
            except (soundfile.LibsndfileError, RuntimeError) as reason:
                raise _unreadable(place, reason) from reason
            if len(block):
                check_samples(place, block, count)
                yield block
            count += len(block)
            if len(block) < _BLOCK:
                break
        _check_length(place, count, int(file.frames), str(file.format))


def promised_seconds(path: str | os.PathLike[str]) -> float:
    """Return how long a file says that it is, in s, without decoding it; it raises as `read_clip`."""
    place = Path(path)
    _look_at(place)
    import soundfile

    try:
        with soundfile.SoundFile(place) as file:
            return float(file.frames / file.samplerate)
    except (soundfile.LibsndfileError, RuntimeError) as reason:
        raise _unreadable(place, reason) from reason


def write_clip(clip: Clip, path: str | os.PathLike[str], *, subtype: str = "PCM_24") -> None:
    """Write `clip` to `path`, its format by the ending (.wav, .flac), whole or not at all.

    Integer samples are rounded, not dithered: dither first with `quantised` where it matters.

    Parameters
    ----------
    subtype : str
        'PCM_16', 'PCM_24', 'PCM_32', 'FLOAT' or 'DOUBLE'.

    Raises
    ------
    BlindtestError
        The samples pass full scale (integers only), the format can't hold the subtype, or the file can't be written.
    """
    place = Path(path)
    kind = {".wav": "WAV", ".flac": "FLAC"}.get(place.suffix.lower())
    if kind is None:
        raise refused(place, "unknown ending for audio", got=place.suffix, allowed=".wav, .flac")
    import soundfile

    known = (*_INTEGER_SUBTYPES, *_FLOAT_SUBTYPES)
    if subtype not in known or not soundfile.check_format(kind, subtype):
        allowed = ", ".join(name for name in known if soundfile.check_format(kind, name))
        raise refused(place, f"{kind} can't hold this sample format", got=subtype, allowed=allowed)
    samples = _for_writing(clip, place, subtype)
    try:
        with tempfile.NamedTemporaryFile(dir=place.parent, prefix=".", suffix=place.suffix, delete=False) as file:
            partial = Path(file.name)
        try:
            soundfile.write(partial, samples, clip.rate, subtype=subtype, format=kind)
            with partial.open("rb") as file:
                os.fsync(file.fileno())
            partial.chmod(0o666 & ~_umask())
            partial.replace(place)
        finally:
            partial.unlink(missing_ok=True)
    except (OSError, soundfile.LibsndfileError) as reason:
        raise refused(place, f"can't be written ({reason})") from reason


def libsndfile_version() -> str:
    """Return the version of the library that reads and writes audio files."""
    import soundfile

    return str(soundfile.__libsndfile_version__)


def check_samples(place: Path, frames: NDArray[np.float64], first_frame: int = 0) -> None:
    """Refuse frames (n, channels), of which the first is number `first_frame`, that no clip can hold."""
    low, high = float(frames.min()), float(frames.max())
    if not (np.isfinite(low) and np.isfinite(high)):
        first = int(np.flatnonzero(~np.isfinite(frames).all(axis=1))[0])
        raise refused(
            place,
            f"a sample is not a number (frame {first_frame + first})",
            got=float(frames[first][~np.isfinite(frames[first])][0]),
            allowed="finite samples",
            remedy="export the clip again",
        )
    if max(-low, high) > HIGHEST:
        raise refused(
            place,
            "samples far beyond full scale",
            got=max(-low, high),
            allowed=f"up to {HIGHEST:g}, full scale is 1",
            remedy="were integers saved as floating point? export it again with full scale at 1",
        )


def refused(place: Path, problem: str, *, got: object = None, allowed: str = "", remedy: str = "") -> BlindtestError:
    """Return the fault of an audio file, to be raised."""
    return BlindtestError(Fault(problem=problem, file=str(place), got=got, allowed=allowed, remedy=remedy))


def _look_at(place: Path) -> None:
    """Refuse what can't be audio before the reading library, whose messages are short, sees it."""
    try:
        with place.open("rb") as file:
            start = file.read(12)
    except FileNotFoundError:
        raise refused(place, "no such file", remedy="look at the path's spelling") from None
    except IsADirectoryError:
        raise refused(place, "is a folder, not an audio file", allowed=READABLE) from None
    except PermissionError:
        raise refused(place, "may not be read", remedy="give yourself permission to read it") from None
    except (OSError, ValueError) as reason:
        raise refused(place, f"can't be opened ({reason})") from reason
    if not start:
        raise refused(place, "is empty", got="0 bytes", remedy="copy or export it again")
    if start[4:8] == b"ftyp":
        protected = " and copy-protected" if start[8:11] == b"M4P" else ""
        raise refused(
            place,
            f"is an MPEG-4 file{protected}, which is not read",
            allowed=READABLE,
            remedy="convert it to FLAC or WAV; a protected one can't be used",
        )


def _check_form(place: Path, rate: int, channels: int) -> None:
    if not RATES[0] <= rate <= RATES[1]:
        raise refused(place, "sample rate out of range", got=rate, allowed=f"{RATES[0]} to {RATES[1]} Hz")
    if channels > MOST_CHANNELS:
        raise refused(place, "too many channels", got=channels, allowed=f"1 to {MOST_CHANNELS}")


def _all_frames(file: "soundfile.SoundFile") -> NDArray[np.float64]:  # type: ignore[name-defined]  # noqa: F821
    # Block by block, since a damaged header may promise more frames than there is memory for.
    blocks: list[NDArray[np.float64]] = []
    while True:
        block = file.read(min(_BLOCK, max(1, file.frames)), dtype="float64", always_2d=True)
        if len(block):
            blocks.append(block)
        if len(block) < _BLOCK:
            break
    return blocks[0] if len(blocks) == 1 else np.concatenate([np.empty((0, file.channels)), *blocks])


def _check_length(place: Path, count: int, promised: int, kind: str) -> None:
    if count == 0:
        raise refused(place, "holds no audio", got="0 frames", remedy="export the clip again")
    if count < promised and kind not in ("MP3", "MPEG"):  # an MP3's length is an estimate
        raise refused(
            place,
            "ends before its header says",
            got=f"{count} frames",
            allowed=f"{promised} frames",
            remedy="copy or export it again",
        )


def _unreadable(place: Path, reason: Exception) -> BlindtestError:
    return refused(
        place,
        f"can't be read as audio ({_why(reason)})",
        allowed=READABLE,
        remedy="if it plays elsewhere, convert it to FLAC or WAV",
    )


def _why(reason: Exception) -> str:
    """Return the reading library's reason in a few words."""
    words = str(reason).rsplit(": ", 1)[-1].rstrip(".") or type(reason).__name__
    # What the library says of an MP3 that it can't find its way through; that the file exists was seen before.
    return "damaged" if words.startswith("File does not exist") else words


def _for_writing(clip: Clip, place: Path, subtype: str) -> NDArray[np.float64] | NDArray[np.int32]:
    # Scaled here: the library multiplies by one step less than it divides by when it reads.
    bits = _INTEGER_SUBTYPES.get(subtype)
    if bits is None:
        return clip.frames
    scale = 2.0 ** (bits - 1)
    whole = np.rint(clip.frames * scale)
    if whole.size and not (whole.min() >= -scale and whole.max() <= scale - 1):
        raise refused(
            place,
            "samples pass full scale, which integers can't hold",
            got=float(np.abs(clip.frames).max()),
            allowed=f"-1 to 1 - 2^-{bits - 1}",
            remedy="lower the level or write floating point",
        )
    return (whole * 2.0 ** (32 - bits)).astype(np.int32)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
