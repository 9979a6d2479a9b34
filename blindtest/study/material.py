"""What a study's files hold: measurements and clips read and held against the study."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from blindtest.audio import read_clip
from blindtest.device import Response, read_response
from blindtest.errors import BlindtestError, Fault
from blindtest.study.findings import Findings, Note
from blindtest.study.measurements import averaged
from blindtest.study.paths import PathTrouble, file_at, matching
from blindtest.study.study import Study, look_at_tables

__all__ = ["Examined", "check_study", "examine"]

EDGE_OCTAVES = 1 / 24
"""A trusted band may begin this much below the first measured point: few grids begin at 20 Hz exactly."""
CLIP_RATES_HZ = (8_000, 192_000)
MOST_CHANNELS = 2
SHORTEST_S = 0.4


@dataclass(frozen=True, slots=True, kw_only=True)
class Examined:
    """What `check` says: the study where it can be used, faults to put right, notes worth knowing."""

    study: Study | None
    faults: tuple[Fault, ...]
    notes: tuple[Note, ...]


def check_study(folder: str | Path) -> tuple[Fault, ...]:
    """Return everything that is wrong with a study, measurements and clips included; changes nothing.

    Raises
    ------
    BlindtestError
        The study file can't be read at all.
    """
    return examine(folder).faults


def examine(folder: str | Path) -> Examined:
    """Return all faults and notes of a study, measurements and clips included. Raises as `check_study`."""
    loaded = look_at_tables(folder)
    found = loaded.found
    _check_measurements(loaded.data, loaded.folder, found)
    _check_audio(loaded.data, loaded.folder, found)
    faults = found.sorted_faults()
    return Examined(study=None if faults else loaded.study, faults=faults, notes=found.sorted_notes())


# Measurements


def _check_measurements(data: dict[str, Any], folder: Path, found: Findings) -> None:
    for index, unit in enumerate(data.get("unit", ())):
        files = {key: list(_present(folder, unit.get(key, ()))) for key in ("responses", "left", "right")}
        if not any(files.values()):
            continue
        average, faults = averaged(files, str(unit.get("rig", "")))
        found.faults += faults
        if average is None:
            continue
        for remark in average.response.remarks:
            found.note(("unit", index), remark)
        if band := unit.get("trusted_band_hz"):
            _check_band(band, average.response, index, found)
    if isinstance(curve := data.get("playback", {}).get("field_curve"), str):
        for path in _present(folder, [curve]):
            try:
                read_response(path)
            except BlindtestError as error:
                found.faults += [fault.in_file(str(path)) for fault in error.faults]


def _present(folder: Path, patterns: Sequence[str]) -> Iterator[Path]:
    """Yield the files that are there; the others were complained about when the tables were looked at."""
    seen = set()
    for pattern in patterns:
        try:
            names = matching(folder, pattern)
        except PathTrouble:
            continue
        for name in names:
            if name not in seen:
                seen.add(name)
                yield folder / name


def _check_band(band: Sequence[float], response: Response, index: int, found: Findings) -> None:
    low, high = float(response.frequency[0]), float(response.frequency[-1])
    slack = 2**EDGE_OCTAVES
    if band[0] * slack < low or band[1] > high * slack:
        found.fault(
            ("unit", index, "trusted_band_hz"),
            "the band reaches beyond what was measured",
            got=f"{band[0]:g} to {band[1]:g} Hz",
            allowed=f"within {low:g} to {high:g} Hz, which all of its files cover",
        )


# Clips


@dataclass(frozen=True, slots=True, kw_only=True)
class _Audio:
    rate: int
    channels: int
    duration: float
    loud_from: float
    """Where the first sample that isn't silence stands, s."""
    loud_to: float


def _check_audio(data: dict[str, Any], folder: Path, found: Findings) -> None:
    read: dict[Path, _Audio | None] = {}
    rates: dict[str, int] = {}
    clips = {clip["id"]: (clip, ("clip", index)) for index, clip in enumerate(data.get("clip", ())) if "id" in clip}
    for name, (clip, path) in clips.items():
        audio = _audio(folder, clip.get("file"), read, found)
        if audio is not None:
            rates[name] = audio.rate
            _check_excerpt(clip, audio, path, found)
    rate_hz = data.get("rendering", {}).get("rate_hz")
    if len(set(rates.values())) > 1 and rate_hz is None:
        several = ", ".join(f"{rate} Hz" for rate in sorted(set(rates.values())))
        found.note(("clip",), f"clips have different sample rates ({several}); each keeps its own; or set rate_hz")
    for index, condition in enumerate(data.get("condition", ())):
        for number, stage in enumerate(condition.get("stages", ())):
            files = stage.get("recording", {}).get("files", {})
            for name, file in files.items() if isinstance(files, dict) else ():
                audio = _audio(folder, file, read, found)
                place = ("condition", index, "stages", number, "recording", "files", name)
                if audio is None or name not in clips:
                    continue
                _check_excerpt(clips[name][0], audio, place, found)
                if name in rates and audio.rate != rates[name] and rate_hz is None:
                    found.fault(
                        place,
                        "its sample rate isn't the clip's: one resampled beside one that isn't could be told apart",
                        got=f"{audio.rate} Hz",
                        allowed=f"{rates[name]} Hz",
                        remedy=f"write rate_hz = {max(audio.rate, rates[name])} under [rendering]",
                    )


def _audio(folder: Path, file: object, read: dict[Path, _Audio | None], found: Findings) -> _Audio | None:
    if not isinstance(file, str):
        return None
    try:
        path = file_at(folder, file, anywhere=True)
    except PathTrouble:
        return None
    if path not in read:
        read[path] = None
        try:
            clip = read_clip(path)
        except BlindtestError as error:
            found.faults += [fault.in_file(str(path)) for fault in error.faults]
            return None
        if clip.channels > MOST_CHANNELS or not CLIP_RATES_HZ[0] <= clip.rate <= CLIP_RATES_HZ[1]:
            found.faults.append(
                Fault(
                    problem="can't be used as a clip",
                    file=str(path),
                    got=f"{clip.channels} channels at {clip.rate} Hz",
                    allowed=f"1 or 2 channels, {CLIP_RATES_HZ[0]} to {CLIP_RATES_HZ[1]} Hz",
                    remedy="mix it down or convert it",
                )
            )
            return None
        sounding = np.flatnonzero(clip.frames.any(axis=1))
        read[path] = _Audio(
            rate=clip.rate,
            channels=clip.channels,
            duration=clip.duration,
            loud_from=float(sounding[0]) / clip.rate if len(sounding) else np.inf,
            loud_to=float(sounding[-1] + 1) / clip.rate if len(sounding) else -np.inf,
        )
    return read[path]


def _check_excerpt(clip: Mapping[str, Any], audio: _Audio, path: Sequence[str | int], found: Findings) -> None:
    in_s, out_s = clip.get("in_s", 0.0), clip.get("out_s", audio.duration)
    own = path[0] == "clip"
    if out_s <= in_s and "out_s" in clip:
        return  # said already
    if in_s >= audio.duration or round(out_s * audio.rate) > round(audio.duration * audio.rate):
        beyond = "in_s" if in_s >= audio.duration else "out_s"
        found.fault(
            (*path, beyond) if own else path,
            "the excerpt reaches past the end of the file",
            got=clip.get(beyond, in_s),
            allowed=f"within 0 to {audio.duration:.3f} s",
        )
    elif out_s - in_s < SHORTEST_S and "out_s" not in clip:
        found.fault(
            (*path, "file") if own else path,
            "what is left of the file is too short to have a loudness (ITU-R BS.1770)",
            got=f"{out_s - in_s:.3g} s",
            allowed=f"{SHORTEST_S} s or more",
        )
    elif audio.loud_from >= out_s or audio.loud_to <= in_s:
        found.fault((*path, "file") if own else path, "the excerpt is silent", got=f"{in_s:g} to {out_s:g} s")
