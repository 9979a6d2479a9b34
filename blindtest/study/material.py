"""What a study's files hold: measurements and clips read and held against the study."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from blindtest.audio import Clip, excerpt, read_clip
from blindtest.device import Response, SeatingAverage, excess_band, read_response
from blindtest.errors import BlindtestError, Fault
from blindtest.study.bench_checks import check_bench_files
from blindtest.study.binaural_checks import check_binaural_files
from blindtest.study.copies import note_copies
from blindtest.study.correction_checks import check_correction_files
from blindtest.study.drive_checks import check_seatings, note_amplifier
from blindtest.study.findings import Findings, Note
from blindtest.study.imbalance_stages import check_imbalance_files
from blindtest.study.lengths import check_lengths
from blindtest.study.loading import look_at_tables
from blindtest.study.measurements import averaged, channels_mean, read_impulses
from blindtest.study.paths import PathTrouble, file_at, matching
from blindtest.study.study import Study
from blindtest.study.unlike_seatings import unlike_seatings

__all__ = ["Examined", "check_study", "examine"]

EDGE_OCTAVES = 1 / 24
"""A trusted band may begin this much below the first measured point: few grids begin at 20 Hz exactly."""
CLIP_RATES_HZ = (8_000, 192_000)
MOST_CHANNELS = 2
SHORTEST_S = 0.4
WIDEST_GAP = 2.05
"""Ratio of two neighbouring frequencies; beyond it a note stands: wider than octave bands, however they are rounded."""
USUAL_BAND_HZ = (20.0, 10_000.0)
"""Looked at for gaps where no band is trusted by name."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Examined:
    """What `check` says: the study where it can be used, faults to put right, notes worth knowing."""

    study: Study | None
    faults: tuple[Fault, ...]
    notes: tuple[Note, ...]
    seconds: Mapping[str, float]
    """Length of each clip by its id, of those that could be read."""


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
    note_copies(loaded.data, loaded.folder, found)
    seconds = _check_audio(loaded.data, loaded.folder, found)
    if loaded.study is not None:
        check_seatings(loaded.data, loaded.study, found)
        note_amplifier(loaded.study, found)
    if loaded.study is not None and not found.faults:
        check_lengths(loaded.study, seconds, found)
    faults = found.sorted_faults()
    return Examined(study=None if faults else loaded.study, faults=faults, notes=found.sorted_notes(), seconds=seconds)


# Measurements


def _check_measurements(data: dict[str, Any], folder: Path, found: Findings) -> None:
    measured: dict[object, Response] = {}
    seated: dict[object, dict[str, SeatingAverage]] = {}
    phases = set(_units_with_phase(data))
    for index, unit in enumerate(data.get("unit", ())):
        if any(unit.get(key) for key in ("responses", "left", "right")):
            _check_impulses(unit, index, folder, found, phase=unit.get("id") in phases)
        files = {key: list(_present(folder, unit.get(key, ()))) for key in ("responses", "left", "right")}
        if not any(files.values()):
            files = {"impulse_responses": list(_present(folder, unit.get("impulse_responses", ())))}
        if not any(files.values()):
            continue
        window = unit.get("window_s")
        averages, faults = averaged(
            files,
            str(unit.get("rig", "")),
            window_s=tuple(window) if window else None,
            mean="power" if unit.get("seating_mean") == "power" else "level",
        )
        found.faults += faults
        if faults or not averages:
            continue
        try:
            response = channels_mean(averages)
        except BlindtestError as error:
            found.faults += error.faults
            continue
        for remark in response.remarks:
            found.note(("unit", index), remark)
        if band := unit.get("trusted_band_hz"):
            _check_band(band, response, index, found)
        _note_gaps(band or USUAL_BAND_HZ, response, index, found)
        for remark in unlike_seatings(files, averages, tuple(window) if window else None):
            found.note(("unit", index), remark)
        measured[unit.get("id")], seated[unit.get("id")] = response, averages
    check_bench_files(data, folder, found)
    check_binaural_files(data, folder, found)
    check_correction_files(data, folder, measured, seated, found)
    check_imbalance_files(data, seated, found)
    if isinstance(curve := data.get("playback", {}).get("field_curve"), str):
        for path in _present(folder, [curve]):
            try:
                read_response(path)
            except BlindtestError as error:
                found.faults += [fault.in_file(str(path)) for fault in error.faults]


def _units_with_phase(data: dict[str, Any]) -> Iterator[object]:
    """Yield the ids of the units whose phase a condition takes from their impulse responses."""
    for condition in data.get("condition", ()):
        for stage in condition.get("stages", ()):
            if isinstance(own := stage.get("impulse_response"), dict) and own.get("phase") != "minimum":
                yield own.get("unit")
            elif isinstance(name := stage.get("excess_phase"), str):
                yield name


def _check_impulses(unit: dict[str, Any], index: int, folder: Path, found: Findings, *, phase: bool) -> None:
    """Read the impulse responses beside a unit's responses, which stages of their own take level and phase from."""
    window, band = unit.get("window_s"), unit.get("trusted_band_hz")
    paths = list(_present(folder, unit.get("impulse_responses", ())))
    try:
        read = read_impulses(paths, tuple(window) if window else None)
    except BlindtestError as error:
        found.faults += error.faults
        return
    for remark in dict.fromkeys(remark for one in read for remark in one.remarks):
        found.note(("unit", index, "impulse_responses"), remark)
    if not (read and phase and band):
        return
    try:
        _, high = excess_band((band[0], band[1]), read[0].rate)
    except BlindtestError as error:
        found.faults += [fault.in_file(str(paths[0])) for fault in error.faults]
        return
    if high < band[1]:
        found.note(
            ("unit", index, "impulse_responses"),
            f"captured at {read[0].rate} Hz they have a phase up to {high:g} Hz: above it that of the rendering is led "
            "out, not measured",
        )


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


def _note_gaps(band: Sequence[float], response: Response, index: int, found: Findings) -> None:
    """Say between which points of a response nothing was measured inside a band."""
    hertz = response.frequency[response.frequency > 0]
    for low, high in pairwise(hertz):
        if high > WIDEST_GAP * low and high > band[0] and low < band[1]:
            found.note(
                ("unit", index),
                f"no point between {low:g} and {high:g} Hz: what is rendered there is drawn between the two",
            )


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
class _Wanted:
    """An excerpt that the study takes from a file: of a clip, or of a recording that stands in for it."""

    clip: Mapping[str, Any]
    place: tuple[str | int, ...]
    file: Path
    recording: bool


def _check_audio(data: dict[str, Any], folder: Path, found: Findings) -> dict[str, float]:
    """Look at every excerpt, and return how many seconds each clip lasts, by its id."""
    wanted = list(_wanted(data, folder))
    rates: dict[tuple[str | int, ...], int] = {}
    seconds: dict[str, float] = {}
    for file in dict.fromkeys(one.file for one in wanted):
        try:
            clip = read_clip(file)
        except BlindtestError as error:
            found.faults += [fault.in_file(str(file)) for fault in error.faults]
            continue
        if clip.channels > MOST_CHANNELS or not CLIP_RATES_HZ[0] <= clip.rate <= CLIP_RATES_HZ[1]:
            found.faults.append(_unusable(file, clip))
            continue
        for one in wanted:
            if one.file == file:
                rates[one.place] = clip.rate
                _check_excerpt(one, clip, found)
                if not one.recording and isinstance(own := one.clip.get("id"), str):
                    seconds[own] = float(one.clip.get("out_s", clip.duration)) - float(one.clip.get("in_s", 0.0))
    _check_rates(data, wanted, rates, found)
    return seconds


def _wanted(data: dict[str, Any], folder: Path) -> Iterator[_Wanted]:
    """Yield what is taken from files that are there; the others were complained about before."""
    clips: dict[str, Any] = {}
    named: list[tuple[object, object, tuple[str | int, ...]]] = []
    for index, clip in enumerate(data.get("clip", ())):
        clips.setdefault(clip.get("id"), clip)
        named.append((clip, clip.get("file"), ("clip", index)))
    for index, condition in enumerate(data.get("condition", ())):
        for number, stage in enumerate(condition.get("stages", ())):
            for name, file in stage.get("recording", {}).get("files", {}).items():
                place = ("condition", index, "stages", number, "recording", "files", name)
                named.append((clips.get(name), file, place))
    for clip, file, where in named:
        if isinstance(clip, dict) and isinstance(file, str):
            try:
                path = file_at(folder, file, anywhere=True)
            except PathTrouble:
                continue
            yield _Wanted(clip=clip, place=where, file=path, recording=where[0] == "condition")


def _unusable(file: Path, clip: Clip) -> Fault:
    return Fault(
        problem="can't be used as a clip",
        file=str(file),
        got=f"{clip.channels} channels at {clip.rate} Hz",
        allowed=f"1 or 2 channels, {CLIP_RATES_HZ[0]} to {CLIP_RATES_HZ[1]} Hz",
        remedy="mix it down or convert it",
    )


def _check_excerpt(wanted: _Wanted, audio: Clip, found: Findings) -> None:
    in_s, out_s = wanted.clip.get("in_s", 0.0), wanted.clip.get("out_s", audio.duration)
    if out_s <= in_s and "out_s" in wanted.clip:
        return  # said when the tables were looked at

    def fault(key: str, problem: str, got: object, allowed: str = "") -> None:
        found.fault(wanted.place if wanted.recording else (*wanted.place, key), problem, got=got, allowed=allowed)

    if in_s >= audio.duration:
        fault("in_s", "the excerpt begins past the end of the file", in_s, f"below {audio.duration:.3f} s")
    elif round(out_s * audio.rate) > len(audio.frames):
        fault("out_s", "the excerpt reaches past the end of the file", out_s, f"up to {audio.duration:.3f} s")
    elif out_s - in_s < SHORTEST_S:
        if "out_s" not in wanted.clip:
            problem = "what is left of the file is too short to have a loudness (ITU-R BS.1770)"
            fault("file", problem, f"{out_s - in_s:.3g} s", f"{SHORTEST_S} s or more")
    elif not excerpt(audio, in_s, out_s).frames.any():
        fault("file", "the excerpt is silent", f"{in_s:g} to {out_s:g} s")


def _check_rates(
    data: dict[str, Any], wanted: Sequence[_Wanted], rates: Mapping[tuple[str | int, ...], int], found: Findings
) -> None:
    if data.get("rendering", {}).get("rate_hz") is not None or found.is_touched("rendering", "rate_hz"):
        return
    own = {id(one.clip): rates[one.place] for one in wanted if not one.recording and one.place in rates}
    if len(set(own.values())) > 1:
        several = ", ".join(f"{rate} Hz" for rate in sorted(set(own.values())))
        found.note(
            ("clip",), f"clips have different sample rates ({several}) and keep them; rate_hz would bring them to one"
        )
    for one in wanted:
        rate, clip_rate = rates.get(one.place), own.get(id(one.clip))
        if one.recording and rate and clip_rate and rate != clip_rate:
            found.fault(
                one.place,
                "its sample rate isn't the clip's: one resampled beside one that isn't could be told apart",
                got=f"{rate} Hz",
                allowed=f"{clip_rate} Hz",
                remedy=f"write rate_hz = {max(rate, clip_rate)} under [rendering]",
            )
