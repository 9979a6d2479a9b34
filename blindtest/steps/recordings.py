"""Recordings that were aligned to their clips: by how much, and which way up they run, in words.

Nothing is turned: polarity may be the very thing that is compared. But one channel alone upside down takes the middle
out of a stereo image (common practice), so nobody shall find out after the sittings.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blindtest.audio import channel_correlations, decoded_blocks, resampled_blocks
from blindtest.render import Rendered, RenderJob

__all__ = ["Aligned", "aligned_recordings"]

COMPARED_S = 60.0
"""Of the part that is played, from its beginning: enough to know the same piece, and which way up it is; our rule."""
ALIKE = 0.5
"""Under this correlation in every channel a recording is hardly that of its clip, and nothing is said of its polarity;
our rule."""
SIDES = ("left", "right")


@dataclass(frozen=True, slots=True, kw_only=True)
class Aligned:
    """A recording in place of a clip, aligned to it."""

    clip: str
    condition: str
    late_ms: float
    """By how much the recording was behind the clip; this was taken out."""
    correlation: tuple[float | None, ...]
    """With the clip, left and right, once aligned; None where a channel is silent."""

    @property
    def turned(self) -> tuple[str, ...]:
        """The channels that are upside down."""
        return tuple(
            side for side, one in zip(SIDES, self.correlation, strict=True) if one is not None and one <= -ALIKE
        )

    @property
    def told(self) -> str:
        """What a report's reader has to know; '' where all was as it should be."""
        known = [one for one in self.correlation if one is not None]
        if self.turned:
            where = "both channels" if len(self.turned) == 2 else f"the {self.turned[0]} channel alone"
            return (
                f"The recording of '{self.clip}' in '{self.condition}' is upside down in {where} (inverted polarity: "
                f"correlation with the clip {min(known):+.2f}), and was played like that."
            )
        if known and max(known) < ALIKE:
            best = max(known, key=abs)
            return (
                f"The recording of '{self.clip}' in '{self.condition}' is hardly like its clip (correlation "
                f"{best:+.2f} at best)."
            )
        return ""

    @property
    def sentence(self) -> str:
        """What has to be known before anybody listens; '' where all is as it should be."""
        late = (
            f"{abs(self.late_ms):.2f} ms {'late' if self.late_ms > 0 else 'early'}, taken out" if self.late_ms else ""
        )
        whose = f"The recording of '{self.clip}' in '{self.condition}'"
        known = [one for one in self.correlation if one is not None]
        if self.turned:
            where = "both channels" if len(self.turned) == 2 else f"the {self.turned[0]} channel alone"
            least = min(known)
            return (
                f"{whose} is upside down in {where} (correlation with the clip {least:+.2f}"
                f"{', ' + late if late else ''}): its polarity is left as it is. Turn it over in the file unless it is "
                "what you compare."
            )
        if known and max(known) < ALIKE:
            return (
                f"{whose} is hardly like its clip (correlation {max(known, key=abs):+.2f} at best"
                f"{', ' + late if late else ''}): look whether it is the same piece, and begins within a second of it."
            )
        return ""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "clip": self.clip,
            "condition": self.condition,
            "late_ms": self.late_ms,
            "correlation": list(self.correlation),
            "turned": list(self.turned),
        }


def aligned_recordings(job: RenderJob, rendered: Rendered) -> tuple[Aligned, ...]:
    """Return what became of every recording that was to be aligned, the clip itself left out.

    Raises
    ------
    BlindtestError
        A file is gone by now.
    """
    clips = {clip.id: clip for clip in job.clips}
    found = []
    for condition in job.conditions:
        stage = condition.recording
        if stage is None or not stage.align:
            continue
        for clip in clips.values():
            if stage.files[clip.id] == clip.path:
                continue
            own = rendered.stimulus(clip.id, condition.id)
            first = max(round(clip.in_s * own.rate), -own.shift)
            count = min(own.frames, round(COMPARED_S * own.rate))
            # Both begin where the stimulus does; where one of them can't be that long, neither is read further.
            a = _part(stage.files[clip.id], own.rate, first + own.shift, count)
            b = _part(clip.path, own.rate, first, count)
            length = min(len(a), len(b))
            found.append(
                Aligned(
                    clip=clip.id,
                    condition=condition.id,
                    late_ms=round(1000.0 * own.shift / own.rate, 4),
                    correlation=tuple(_plain(one) for one in channel_correlations(a[:length], b[:length])),
                )
            )
    return tuple(found)


def _plain(correlation: float) -> float | None:
    return None if np.isnan(correlation) else round(float(correlation), 4)


def _part(path: Path, rate: int, first: int, count: int) -> NDArray[np.float64]:
    """Return frames (n, 2) of a file at `rate` Hz from `first` on, at most `count`; mono goes to both ears."""
    own, channels, blocks = decoded_blocks(path)
    if own != rate:
        blocks = resampled_blocks(blocks, own, rate, channels)
    frames = np.concatenate(list(_cut(blocks, first, first + count)) or [np.zeros((0, channels))])
    return np.repeat(frames, 2, axis=1) if channels == 1 else frames


def _cut(blocks: Iterator[NDArray[np.float64]], first: int, last: int) -> Iterator[NDArray[np.float64]]:
    at = 0
    for block in blocks:
        yield block[max(0, first - at) : max(0, last - at)]
        at += len(block)
        if at >= last:
            return
