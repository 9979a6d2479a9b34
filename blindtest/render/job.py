"""What is to be rendered, by which rules, and the hash of all that goes into each stimulus."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from blindtest.errors import BlindtestError, Fault

from .chain import Condition
from .curves import CommonCurve
from .folder import sha256_of_file
from .playback import Playback
from .programme import ClipSource

__all__ = ["RenderJob", "dither_key", "file_hashes", "hash_of", "heard_in_words", "playback_facts", "stimulus_key"]

RENDERING = 2
"""Goes into every key: raised when the same inputs come out as other bytes."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RenderJob:
    """What is to be rendered, and by which rules."""

    clips: tuple[ClipSource, ...]
    conditions: tuple[Condition, ...]
    playback: Playback | None = None
    over: Literal["inverse", "worn"] = "inverse"
    match: Literal["heard", "file", "1khz"] = "heard"
    ceiling_dbtp: float = -1.0
    rate_hz: int | None = None

    def __post_init__(self) -> None:
        for what, ids in (("clip", [c.id for c in self.clips]), ("condition", [c.id for c in self.conditions])):
            if len(set(ids)) != len(ids):
                raise ValueError(f"{what} ids must differ, got {ids}")
        if self.over == "worn" and any(condition.measured for condition in self.conditions):
            raise ValueError("a device's response can't be rendered over a unit that is worn as it is")


def hash_of(value: object) -> str:
    """Return the SHA-256 (hex) of a value that JSON can hold, alike on every machine."""
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def playback_facts(playback: Playback | None) -> Mapping[str, object] | None:
    """Return what of the playback decides the stimuli."""
    return None if playback is None else playback.facts()


def file_hashes(job: RenderJob) -> dict[Path, str]:
    """Return the SHA-256 of every file that goes in; faults of all that can't be read together."""
    paths = {clip.path: f"clip.{clip.id}.file" for clip in job.clips}
    for condition in job.conditions:
        if condition.recording is not None:
            for clip in job.clips:
                if clip.id not in condition.recording.files:
                    raise ValueError(f"condition {condition.id!r} has no recording of clip {clip.id!r}")
                paths.setdefault(condition.recording.files[clip.id], f"condition.{condition.id}")
    hashes, faults = {}, []
    for path, key in paths.items():
        try:
            hashes[path] = sha256_of_file(path)
        except OSError as reason:
            problem = "no such file" if isinstance(reason, FileNotFoundError) else f"can't be read ({reason.strerror})"
            faults.append(Fault(file=str(path), key=key, problem=problem, remedy="look at the path's spelling"))
    if faults:
        raise BlindtestError.of(faults)
    return hashes


def stimulus_key(
    job: RenderJob,
    hashes: Mapping[Path, str],
    source: ClipSource,
    condition: Condition,
    *,
    outside: CommonCurve,
    band_hz: tuple[float, float],
    loudness_lufs: float,
) -> str:
    """Return the hash of all that decides one stimulus' bytes; no name of a condition, unit or file is in it."""
    own = condition.recording
    playback = playback_facts(job.playback)
    if playback is not None and not condition.measured:
        playback = {key: value for key, value in playback.items() if key != "max_boost_db"}
    return hash_of(
        {
            **_programme_facts(job, hashes, source),
            "rendering": RENDERING,
            "recording": None if own is None else hashes[own.files[source.id]],
            "stages": condition.facts(),
            "outside": [list(outside.frequency), list(outside.level_db), list(band_hz)] if condition.measured else None,
            "playback": playback,
            "over": job.over,
            "match": job.match,
            "loudness_lufs": float(loudness_lufs),
        }
    )


def dither_key(job: RenderJob, hashes: Mapping[Path, str], source: ClipSource) -> str:
    """Return what a clip's dither is drawn from: one sequence, alike for every condition."""
    return hash_of({**_programme_facts(job, hashes, source), "dither": RENDERING})


def _programme_facts(job: RenderJob, hashes: Mapping[Path, str], source: ClipSource) -> dict[str, object]:
    recordings = [one.recording for one in job.conditions if one.recording is not None]
    return {
        "clip": [hashes[source.path], float(source.in_s), None if source.out_s is None else float(source.out_s)],
        "rate_hz": job.rate_hz,
        # All recordings of a clip decide where its stimuli begin and end.
        "recordings": sorted([hashes[one.files[source.id]], one.align] for one in recordings),
    }


def heard_in_words(job: RenderJob) -> str:
    """Return what loudness as heard means in this job, and what was matched."""
    playback = job.playback
    if playback is None or playback.response is None:
        heard = "the response of the playback unit is unknown: loudness is that of the file itself"
    else:
        low, high = playback.trusted_band_hz
        worn = "worn" if job.over == "worn" else "playback"
        heard = f"the file through the response of the {worn} unit {playback.unit_id!r} (mean of its channels"
        if playback.field is not None:
            heard += f", less {playback.field_named or 'a field curve'}"
        heard += f"; 0 dB on average from {low:g} to {high:g} Hz), by ITU-R BS.1770-5"
    matched = {
        "heard": "matched by loudness as heard",
        "file": "matched by the loudness of the files, not by what is heard",
        "1khz": "matched by level at 1 kHz; the loudness of a clip is that of the clip as it is",
    }[job.match]
    return f"{heard}; {matched}"
