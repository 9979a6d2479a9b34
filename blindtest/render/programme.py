"""The programme that a clip's stimuli are made from: the clip itself, and recordings that stand in for it.

Everything of one clip is brought to one rate, two channels and the same frames. A mono file is given to both ears, as
a player would: what is matched has to be what is played (3.01 LU over the file's own reading).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from blindtest.audio import Clip, aligned, read_clip, resampled
from blindtest.errors import BlindtestError, Fault

__all__ = [
    "CLIP", "MAX_SHIFT_S", "ClipSource", "Programme", "other_rate", "part_of", "read_programmes", "refuse_short",
    "too_many_channels",
]  # fmt: skip

SHORTEST_S = 0.4
"""One gating block of ITU-R BS.1770-5: anything shorter has no loudness."""
MAX_SHIFT_S = 1.0
"""How far a recording is looked for when it is aligned; our rule."""
CLIP = Path()
"""Stands for the clip itself among the programmes of a clip."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipSource:
    """A clip as the study names it: a file, the part of it that is played, and perhaps how loud."""

    id: str
    path: Path
    in_s: float = 0.0
    out_s: float | None = None
    """None: to the end of the file."""
    loudness_lufs: float | None = None
    """As heard; None: chosen at the first rendering."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Programme:
    """Frames (n, 2), what sounds before them (m, 2) and after them, and the rate in Hz."""

    frames: NDArray[np.float64]
    before: NDArray[np.float64]
    after: NDArray[np.float64]
    rate: int
    shift: int = 0
    """Frames by which a recording was late against the clip, taken out (negative: it was early)."""


def read_programmes(source: ClipSource, recordings: Mapping[Path, bool], rate_hz: int | None) -> dict[Path, Programme]:
    """Return the clip (under `CLIP`) and each recording (path: whether to align it), cut to the same frames.

    The part that is played is counted in the clip's own time; a recording is taken to run along with the clip's file.
    Where one of them is shorter, all end with it; where an aligned recording begins after the part does, all begin
    with it. What the file holds ahead of the part comes with each.

    Raises
    ------
    BlindtestError
        A file can't be read, has more than two channels or another rate, or the part isn't in it or too short.
    """
    clip = _ready(source.path, rate_hz, f"clip.{source.id}.file")
    rate = clip.rate
    first, last = part_of(source, len(clip.frames), clip.rate)
    found: dict[Path, tuple[Clip, int]] = {CLIP: (clip, 0)}
    faults = []
    for path, align in recordings.items():
        recording = _ready(path, rate_hz, "")
        if recording.rate != rate:
            faults.append(other_rate(source, path, recording.rate, rate))
            continue
        shift = aligned(recording.frames[first:last], clip.frames[first:last], rate, MAX_SHIFT_S) if align else 0
        found[path] = (recording, shift)
    if faults:
        raise BlindtestError(*faults)
    first = max(first, *(-shift for _, shift in found.values()))
    last = min(last, *(len(one.frames) - shift for one, shift in found.values()))
    refuse_short(source, (last - first) / rate, alone=len(found) == 1)
    return {
        path: Programme(
            frames=one.frames[first + shift : last + shift],
            before=one.frames[: first + shift],
            after=one.frames[last + shift :],
            rate=rate,
            shift=shift,
        )
        for path, (one, shift) in found.items()
    }


def other_rate(source: ClipSource, path: Path, got: int, allowed: int) -> Fault:
    """Return the fault of a recording whose rate isn't that of its clip, Hz."""
    return Fault(
        file=str(path),
        problem=f"sample rate differs from that of clip {source.id!r}",
        got=f"{got} Hz",
        allowed=f"{allowed} Hz",
        remedy="set rendering.rate_hz, so that all are resampled alike",
    )


def too_many_channels(path: Path, key: str, got: int) -> BlindtestError:
    """Return the fault of a file with more than two channels, to be raised."""
    return BlindtestError(
        Fault(
            file=str(path),
            key=key,
            problem="more channels than a listener has ears",
            got=got,
            allowed="1 or 2",
            remedy="mix it down to two channels first, so that what is matched is what is played",
        )
    )


def refuse_short(source: ClipSource, seconds: float, *, alone: bool) -> None:
    """Refuse a part of so many seconds that has no loudness; `alone`: no recording makes it as short as it is."""
    if seconds >= SHORTEST_S:
        return
    raise BlindtestError(
        Fault(
            key=f"clip.{source.id}",
            file=str(source.path),
            problem="the part that is played is too short to have a loudness",
            got=f"{max(0.0, seconds):.3f} s",
            allowed=f"at least {SHORTEST_S} s",
            remedy="move in_s or out_s" if alone else "move in_s or out_s, or bring longer recordings",
        )
    )


def _ready(path: Path, rate_hz: int | None, key: str) -> Clip:
    clip = read_clip(path)
    if clip.channels > 2:
        raise too_many_channels(path, key, clip.channels)
    if rate_hz is not None:
        clip = resampled(clip, rate_hz)
    if clip.channels == 1:
        clip = Clip(frames=np.repeat(clip.frames, 2, axis=1), rate=clip.rate, name=clip.name)
    return clip


def part_of(source: ClipSource, frames: int, rate: int) -> tuple[int, int]:
    """Return where the part that is played begins and ends, in frames of a file that holds `frames` at `rate` Hz.

    Raises
    ------
    BlindtestError
        It isn't in the file.
    """
    duration = frames / rate
    end = duration if source.out_s is None else source.out_s
    faults = []
    if not 0.0 <= source.in_s < min(end, duration):
        faults.append(("in_s", source.in_s, f"0 to less than {min(end, duration):.3f} s"))
    if not end <= duration + 0.5 / rate:
        faults.append(("out_s", end, f"up to {duration:.3f} s, where the file ends"))
    if faults:
        raise BlindtestError(
            *(
                Fault(
                    key=f"clip.{source.id}.{name}",
                    file=str(source.path),
                    problem="the part that is played isn't in the file",
                    got=got,
                    allowed=allowed,
                )
                for name, got, allowed in faults
            )
        )
    return round(source.in_s * rate), min(round(end * rate), frames)
