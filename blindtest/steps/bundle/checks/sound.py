"""The sound of a bundle: stimuli rendered again, their levels measured again, where the audio is there.

Audio is there only where a licence allows it to be passed on. What isn't there can't be checked, and that is said.
"""

import csv
import shutil
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest
from math import inf, isnan
from pathlib import Path

import numpy as np

from blindtest.audio import RunningLoudness, RunningPeak, audio_extent, decoded_blocks, promised_seconds
from blindtest.nouns import number_of
from blindtest.render import ClipSource, Rendered, render, table_text
from blindtest.steps.bundle.checks.planned import Hashed
from blindtest.steps.bundle.checks.workplace import Workplace
from blindtest.steps.bundle.opening import OpenedBundle
from blindtest.steps.evidence.bundle import SECOND_FIXED
from blindtest.steps.place import Progress
from blindtest.steps.verification import Finding
from blindtest.study import render_job

__all__ = ["Levels", "check_levels", "check_rendering", "check_stimuli", "levels_in", "loudness_and_peak"]

TABLE, FIXED = "stimuli/table.csv", "stimuli/fixed.toml"
ROUNDED_DB = 0.00011
"""The table has four decimals; the last may differ by one where another machine rounds otherwise."""
FULL_SCALE_24 = 2**23
_GATE_LUFS = -70.0
"""The absolute gate (ITU-R BS.1770-5, annex 1), which shuts out what lies under it."""
_PIECE = 1 << 18
"""Frames that are measured at once."""
ROOM_S = 60.0
"""By which a clip may be longer than what was rendered of it, beside twice that."""
Pair = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Levels:
    """The match table of a bundle as it lies there."""

    header: tuple[str, ...]
    rows: Mapping[Pair, Mapping[str, str]]
    """By clip and condition."""


def levels_in(bundle: OpenedBundle) -> Levels:
    """Return the match table; ValueError where it is none."""
    with bundle.path(TABLE).open(encoding="utf-8", newline="") as file:
        reader = csv.DictReader(file, strict=True)
        lines = list(reader)
    rows = {(line["clip"], line["condition"]): line for line in lines}
    if len(rows) != len(lines) or any(None in line or None in line.values() for line in lines):
        raise ValueError(f"{TABLE}: a line twice, or one with too many or too few cells")
    return Levels(tuple(reader.fieldnames or ()), rows)


def check_stimuli(
    bundle: OpenedBundle, hashes: Mapping[str, str], listed: Sequence[Hashed], second: Sequence[Hashed] = ()
) -> list[Finding | str]:
    """Hold every stimulus that is there against the hash that it is named by and that is listed.

    second : those at a second rate
    """
    known = {one.sha256 for one in (*listed, *second)}
    there = [name for name in bundle.names if name.startswith("stimuli/") and name.endswith(".wav")]
    wrong = [name for name in there if not (Path(name).stem == hashes[name] and hashes[name] in known)]
    found: list[Finding | str] = []
    if there:
        what = f"{len(there)} stimuli against the hashes they are named by"
        found.append(Finding(ok=not wrong, what=what, detail="; ".join(wrong[:5])))
    if len(there) < len(known):
        found.append(
            f"{number_of(len(known) - len(there), 'stimulus is', 'stimuli are')} not in the bundle, so "
            "nobody can hear or measure them again"
        )
    return found


def check_levels(
    bundle: OpenedBundle, listed: Sequence[Hashed], levels: Levels, progress: Progress = lambda done, total, what: None
) -> list[Finding]:
    """Measure loudness and true peak of every stimulus that is there again (ITU-R BS.1770-5)."""
    there = [one for one in listed if f"stimuli/{one.sha256}.wav" in bundle.names]
    worst, wrong = 0.0, []
    if levels.rows.keys() != {(one.clip, one.condition) for one in listed}:
        wrong.append(f"{TABLE} has other lines than there are stimuli")
    for number, one in enumerate(there):
        progress(number, len(there), "measuring")
        line = levels.rows[one.clip, one.condition]
        loudness, peak = loudness_and_peak(bundle.path(f"stimuli/{one.sha256}.wav"))
        found = {"file_after_lufs": loudness, "true_peak_after_dbtp": peak}
        off = _largest(abs(value - float(line[name])) for name, value in found.items())
        worst = max(worst, off)
        if not off <= ROUNDED_DB:
            wrong.append(f"{one.clip} in {one.condition} by {off:.4f} dB")
    if not there and not wrong:
        return []
    detail = "; ".join(wrong[:5]) or f"within {worst:.4f} dB of {TABLE}"
    return [
        Finding(
            ok=not wrong,
            what=f"loudness and true peak of {number_of(len(there), 'stimulus', 'stimuli')}, measured again",
            detail=detail,
        )
    ]


def loudness_and_peak(path: Path) -> tuple[float, float]:
    """Return the integrated loudness in LUFS and the true peak in dBTP of a file, however long: it is read in pieces.

    The numbers are those of `integrated_loudness` and `true_peak` of the whole.

    Raises
    ------
    BlindtestError
        It is no audio, or not as long as it says.
    """
    rate, channels, blocks = decoded_blocks(path)
    extent = audio_extent(path)
    loudness = RunningLoudness(0 if extent is None else extent[0], rate, channels)
    peak = RunningPeak(channels)
    for block in blocks:
        for first in range(0, len(block), _PIECE):
            piece = block[first : first + _PIECE]
            loudness.add(piece)
            peak.add(piece)
    level = loudness.level()
    return level if level > _GATE_LUFS else -inf, peak.level()


def check_rendering(
    bundle: OpenedBundle,
    work: Workplace,
    listed: Sequence[Hashed],
    levels: Levels,
    place: Path,
    progress: Progress = lambda done, total, what: None,
    second: Sequence[Hashed] = (),
) -> list[Finding | str]:
    """Render again what can be rendered from what is there, and hold samples and match table against the bundle's.

    second : the stimuli at a second rate, as loud as the first set and held by samples alone

    Raises
    ------
    BlindtestError
        It can't be rendered.
    """
    again = _clips_there(work)
    words = "stimuli rendered again from the clips and responses that are here"
    if not again:
        return ["nothing could be rendered again: no clip's audio is in the bundle"]
    if FIXED not in bundle.names:
        return [f"nothing could be rendered again: {FIXED} is not in the bundle"]
    shutil.copyfile(bundle.path(FIXED), place / "fixed.toml")
    job = render_job(work.study)
    clips = tuple(clip for clip in job.clips if clip.id in again)
    kept = tuple(clip for clip in clips if _seconds(clip) <= _longest(bundle, clip.id, listed))
    left = ", ".join(clip.id for clip in clips if clip not in kept)
    notes = [f"not rendered again, since the clip is much longer than its stimuli here: {left}"] if left else []
    if not kept:
        return [*notes]
    job = replace(job, clips=kept)
    rendered = render(job, place, progress=progress)
    found: list[Finding | str] = [*notes, _samples(bundle, rendered, listed, words), _table(rendered, levels)]
    rate = work.study.rendering.second_rate_hz
    if second and rate is not None:
        other = place / "second"
        other.mkdir()
        if SECOND_FIXED in bundle.names:
            shutil.copyfile(bundle.path(SECOND_FIXED), other / "fixed.toml")
        again_there = render(replace(job, rate_hz=rate), other, progress=progress, alike=place)
        found.append(_samples(bundle, again_there, second, f"{words}, at {rate} Hz"))
    return found


def _seconds(clip: ClipSource) -> float:
    """Return how long the part of a clip is that would be rendered, s."""
    there = promised_seconds(clip.path)
    return min(there, there if clip.out_s is None else clip.out_s) - clip.in_s


def _longest(bundle: OpenedBundle, clip: str, listed: Sequence[Hashed]) -> float:
    """Return how long a clip may be, s: its stimuli are as long, or shorter where a recording is.

    A few packed megabytes may hold days of silence, of which a rendering would fill this machine's disk.
    """
    names = [f"stimuli/{one.sha256}.wav" for one in listed if one.clip == clip]
    return ROOM_S + 2 * max((promised_seconds(bundle.path(name)) for name in names if name in bundle.names), default=0)


def _clips_there(work: Workplace) -> set[str]:
    """Return the clips whose audio is there, and that of their recordings."""
    study, gone = work.study, work.missing

    def files_of(clip: str) -> Iterator[str]:
        yield study.clip(clip).file
        for condition in study.conditions:
            for stage in condition.stages:
                if stage.recording is not None and clip in stage.recording:
                    yield stage.recording[clip]

    return {one.id for one in study.clips if not any(work.named(name) in gone for name in files_of(one.id))}


def _samples(bundle: OpenedBundle, rendered: Rendered, listed: Sequence[Hashed], words: str) -> Finding:
    sealed = {(one.clip, one.condition): one.sha256 for one in listed}
    same, near, wrong = 0, 0, []
    for stimulus in rendered.stimuli:
        wanted = sealed.get((stimulus.clip, stimulus.condition))
        name = f"{stimulus.clip} in {stimulus.condition}"
        if stimulus.sha256 == wanted:
            same += 1
        elif f"stimuli/{wanted}.wav" not in bundle.names:
            wrong.append(f"{name}: other bytes, and the stimulus itself is not here to compare samples")
        elif (steps := _steps_apart(bundle.path(f"stimuli/{wanted}.wav"), stimulus.path)) <= 1:
            near += 1
        else:
            wrong.append(f"{name}: {'of another length' if steps == inf else f'{steps:.0f} LSB apart'}")
    told = f"{same} byte for byte the same"
    if near:
        told += f", {near} within 1 LSB of 24 bits: another platform rounds otherwise"
    return Finding(ok=not wrong, what=f"{len(rendered.stimuli)} {words}", detail="; ".join(wrong[:5]) or told)


def _steps_apart(one: Path, other: Path) -> float:
    """Return the largest difference of two stimuli in steps of 24 bits; infinite where they are not of one shape."""
    rate, channels, first = decoded_blocks(one)
    other_rate, other_channels, second = decoded_blocks(other)
    if (rate, channels) != (other_rate, other_channels):
        return inf
    most = 0.0
    for ours, theirs in zip_longest(first, second, fillvalue=np.empty((0, channels))):
        if ours.shape != theirs.shape:
            return inf
        most = max(most, float(np.max(np.abs(np.round((ours - theirs) * FULL_SCALE_24)), initial=0.0)))
    return most


def _table(rendered: Rendered, levels: Levels) -> Finding:
    lines = list(csv.DictReader(table_text(rendered.table).splitlines()))
    wrong, worst = [], 0.0
    for line in lines:
        there = levels.rows.get((line["clip"], line["condition"]))
        if there is None or there.keys() != line.keys() or there["matched_by"] != line["matched_by"]:
            wrong.append(f"{line['clip']} in {line['condition']}: not there")
            continue
        numbers = [name for name in line if name not in ("clip", "condition", "matched_by")]
        off = _largest(_apart(line[name], there[name]) for name in numbers)
        worst = max(worst, off)
        if not off <= ROUNDED_DB:
            wrong.append(f"{line['clip']} in {line['condition']} by {off:.4f} dB")
    rest = len(levels.rows) - len(lines)
    told = f"within {worst:.4f} dB" + (
        f"; {number_of(rest, 'line')} of clips that are not here could not be" if rest > 0 else ""
    )
    words = f"match table: {number_of(len(lines), 'line')} measured again, against {TABLE}"
    return Finding(ok=not wrong, what=words, detail="; ".join(wrong[:5]) or told)


def _largest(differences: Iterable[float]) -> float:
    """Return the largest; infinity where one is not a number, which max() would pass over."""
    return max(inf if isnan(one) else one for one in differences)


def _apart(one: str, other: str) -> float:
    return 0.0 if one == other else abs(float(one) - float(other))
