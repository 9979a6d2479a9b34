"""Clips x conditions: stimuli of equal loudness, named by their content, and the match table.

`render` makes what is missing and leaves the rest alone: each stimulus is known by a hash of everything that went into
it, so that a second run computes no sound, and a changed clip, response or number makes anew what it changed and no
more. `load_rendered` only looks them up.
"""

import csv
import hashlib
import io
import json
import math
import os
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import FIRST_EXCEPTION, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, fields, replace
from functools import cached_property
from pathlib import Path
from typing import Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from blindtest.audio import MatchRow, wav_bytes
from blindtest.device import check_length, minimum_phase_fir, taps_for
from blindtest.errors import BlindtestError, Fault

from .chain import (
    CommonCurve,
    Condition,
    Limit,
    Playback,
    boost_limits,
    common_curve,
    condition_curve_db,
    display_grid,
    heard_curve_db,
    trusted_band,
    zero_curve,
)
from .drafts import Draft, Filters, drafts, finished
from .fixed import FIXED_NAME, Fixed, Outside, fixed_text, read_fixed
from .folder import Making, Manifest, Shelved, name_of, read_manifest, recover, salt_of, sha256_of_file, write_durably
from .programme import CLIP, ClipSource, Programme, read_programmes

__all__ = ["FilterCurve", "RenderJob", "Rendered", "Stimulus", "load_rendered", "render"]

RENDERING = 1
"""Goes into every key: raised when the same inputs come out as other bytes."""
RESERVE_LU = 2.0
"""Kept for devices that are added later when a loudness is chosen; our rule."""
LONGEST = 8
"""A filter is doubled up to this many times its first length, then refused; our rule."""
KEEP_BYTES = 512 << 20
"""Of drafts that wait for the loudness to be chosen; past it they are computed twice."""
CEILING_SLACK_DB = 0.0005
"""What dither and rounding may add to a true peak."""
TABLE_NAME = "table.csv"

Progress = Callable[[int, int, str], None]
Floats = NDArray[np.float64]
T = TypeVar("T")


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
        if self.over == "worn" and any(condition.filtered for condition in self.conditions):
            raise ValueError("a device's response can't be rendered over a unit that is worn as it is")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stimulus:
    """A clip in a condition, rendered."""

    clip: str
    condition: str
    path: Path
    sha256: str
    frames: int
    rate: int
    channels: int
    loudness: float
    """LUFS as heard, measured on the written samples."""
    true_peak: float
    """dBTP of the file."""
    gain_db: float
    shift: int = 0
    """Frames by which a recording was late, taken out; 0 unless asked for."""


@dataclass(frozen=True, eq=False, kw_only=True)
class FilterCurve:
    """What a condition applies to the clip before its gain: level (bins,) dB over frequency (bins,) Hz."""

    frequency: Floats
    magnitude_db: Floats
    rate: int
    """Of the first clip."""
    taps: int
    """1 for the unit impulse."""
    design: Callable[[], Floats]

    @cached_property
    def fir(self) -> Floats:
        """The filter (taps,) itself, designed when asked for."""
        return self.design()


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Rendered:
    """What a rendering has made or found."""

    stimuli: tuple[Stimulus, ...]
    """By clip and condition, in the order of their ids."""
    table: tuple[MatchRow, ...]
    limits: tuple[Limit, ...]
    filters: Mapping[str, FilterCurve]
    heard: str
    """What loudness as heard means here, in words."""
    fixed: Mapping[str, object]
    trusted_band_hz: tuple[float, float]
    rates: Mapping[str, int]
    """Clip to rate, Hz."""
    made: int
    reused: int

    def stimulus(self, clip: str, condition: str) -> Stimulus:
        """Return one stimulus; KeyError if there is none."""
        for stimulus in self.stimuli:
            if (stimulus.clip, stimulus.condition) == (clip, condition):
                return stimulus
        raise KeyError((clip, condition))


def render(
    job: RenderJob,
    folder: Path,
    *,
    progress: Progress | None = None,
    workers: int | None = None,
    dry_run: bool = False,
) -> Rendered:
    """Make the stimuli of `job` in `folder`, as far as they aren't there, and return all of them.

    Parameters
    ----------
    progress : called with (steps done, steps in all, what was done), from one thread at a time
    workers : threads over clips; as many as processors, up to 8, if left out
    dry_run : change nothing; `made` counts what would be made, `stimuli` holds what is there

    Raises
    ------
    BlindtestError
        All faults at once: files that can't be read or used, clips without a loudness, a condition that can't reach
        its clip's loudness under the ceiling (never a limiter), a filter that is too long, a folder that can't be
        written. The folder is then as it was before.
    """
    try:
        return _Rendering(job, folder, progress, workers).run(dry_run=dry_run)
    except OSError as reason:
        raise BlindtestError(
            Fault(
                file=str(reason.filename or folder),
                problem=f"the stimuli can't be written ({reason.strerror or reason})",
                remedy="make room or give permission, then render again; what was there before is untouched",
            )
        ) from reason


def load_rendered(job: RenderJob, folder: Path) -> Rendered:
    """Return the stimuli of `job` as they lie in `folder`, each file proved by its hash; computes no sound.

    Raises
    ------
    BlindtestError
        Not everything is there, something that went in has changed since, or a file isn't what was written.
    """
    rendering = _Rendering(job, folder, None, 1)
    keys = rendering.known_keys()
    found = {pair: shelved for pair, key in keys.items() if (shelved := rendering.shelf.find(key))}
    missing = [pair for pair in rendering.pairs if pair not in found]
    if missing:
        raise BlindtestError(
            Fault(
                file=str(folder),
                problem="not rendered, or something that goes in has changed since",
                got=f"{len(found)} of {len(rendering.pairs)} stimuli",
                remedy="run blindtest render",
            )
        )
    damaged = sorted({one.file for one in found.values() if not _intact(folder, one)})
    if damaged:
        raise BlindtestError(
            *(
                Fault(
                    file=str(folder / name),
                    problem="this stimulus is missing or was changed since it was rendered",
                    remedy="run blindtest render, which makes it again",
                )
                for name in damaged
            )
        )
    return rendering.rendered(found, made=0)


def _intact(folder: Path, shelved: Shelved) -> bool:
    try:
        return sha256_of_file(folder / shelved.file) == shelved.sha256
    except OSError:
        return False


Pair = tuple[str, str]
"""Clip id and condition id."""


class _Rendering:
    """One call of `render`: what was read, and the steps on it."""

    def __init__(self, job: RenderJob, folder: Path, progress: Progress | None, workers: int | None) -> None:
        self.job = job
        self.folder = folder
        self.workers = workers or min(8, os.cpu_count() or 1)
        self.report = _Counter(progress)
        self.pairs = sorted((clip.id, condition.id) for clip in job.clips for condition in job.conditions)
        self.clips = {clip.id: clip for clip in job.clips}
        self.conditions = {condition.id: condition for condition in job.conditions}
        self.shelf: Manifest = read_manifest(folder)
        self.fixed: Fixed = read_fixed(folder)
        self.band = trusted_band(job.playback, job.conditions)
        self.hashes = _hashes(job)
        self.common = self._common()
        self.bench = _Bench(job, self.common, self.band, self.fixed)

    # What is known before any sound is touched

    def _common(self) -> CommonCurve:
        untouched = [condition.id for condition in self.job.conditions if not condition.filtered]
        if len(untouched) == len(self.job.conditions):
            return zero_curve()
        place = _hash_of({"playback": _facts(self.job.playback), "band": list(self.band)})
        known = self.fixed.outside.get(place)
        if known is None:
            curve = common_curve(self.job.conditions, self.job.playback)
            self.fixed = replace(self.fixed, outside={**self.fixed.outside, place: Outside.of(curve)})
            return curve
        if untouched and not known.untouched:
            raise BlindtestError(
                Fault(
                    file=str(self.folder / FIXED_NAME),
                    key=f"condition.{untouched[0]}",
                    problem="this condition leaves the clip as it is, but the curve that all conditions share outside "
                    "the trusted band was fixed without one: it would not be 0 dB there as the clip is",
                    remedy="compare them in a new version of the study: move the stimuli folder away and render "
                    "again; plans sealed on the old stimuli keep to these",
                )
            )
        return known.curve()

    def target(self, clip: str) -> float | None:
        given = self.clips[clip].loudness_lufs
        return self.fixed.loudness_lufs.get(clip) if given is None else given

    def known_keys(self) -> dict[Pair, str]:
        """Return the key of every stimulus whose loudness is known."""
        keys = {}
        for clip, condition in self.pairs:
            target = self.target(clip)
            if target is not None:
                keys[clip, condition] = self._key(clip, condition, target)
        return keys

    def _key(self, clip: str, name: str, target: float) -> str:
        condition, source = self.conditions[name], self.clips[clip]
        playback = _facts(self.job.playback)
        if playback is not None and not condition.filtered:
            playback = {key: value for key, value in playback.items() if key != "max_boost_db"}
        recordings = {c.id: c.recording for c in self.job.conditions if c.recording is not None}
        outside = Outside.of(self.common)
        return _hash_of(
            {
                "rendering": RENDERING,
                "clip": [self.hashes[source.path], source.in_s, source.out_s],
                "rate_hz": self.job.rate_hz,
                "recording": self.hashes[recordings[name].files[clip]] if name in recordings else None,
                # All recordings of a clip decide where its stimuli begin and end.
                "recordings": sorted([self.hashes[one.files[clip]], one.align] for one in recordings.values()),
                "stages": condition.facts(),
                "outside": [outside.frequency_hz, outside.level_db, self.band] if condition.filtered else None,
                "playback": playback,
                "over": self.job.over,
                "match": self.job.match,
                "loudness_lufs": target,
            }
        )

    # The steps

    def run(self, *, dry_run: bool) -> Rendered:
        unknown = [clip for clip in self.clips if self.target(clip) is None]
        keys = self.known_keys()
        found = self._found(keys)
        to_make = len({keys.get(pair, str(pair)) for pair in self.pairs if pair not in found})
        if dry_run:
            return self.rendered(found, made=to_make)
        self.report.expect((len(self.conditions) * len(unknown)) + to_make)
        with ThreadPoolExecutor(max_workers=self.workers) as pool:
            try:
                waiting = self._draft_unknown(pool, unknown)
                if unknown:
                    self._choose(waiting)
                    keys = self.known_keys()
                    found = self._found(keys)
                self._check_cached(found)
                return self._write(pool, keys, found, waiting)
            except BaseException:
                self.bench.stop.set()
                pool.shutdown(wait=True, cancel_futures=True)
                raise

    def _found(self, keys: Mapping[Pair, str]) -> dict[Pair, Shelved]:
        shelved = {pair: one for pair, key in keys.items() if (one := self.shelf.find(key))}
        whole = {one.file for one in {one.file: one for one in shelved.values()}.values() if _intact(self.folder, one)}
        return {pair: one for pair, one in shelved.items() if one.file in whole}

    def _check_cached(self, found: Mapping[Pair, Shelved]) -> None:
        """A ceiling that was lowered since changes no stimulus, but may refuse one."""
        faults = []
        for (clip, condition), shelved in found.items():
            excess = float(_number(shelved.facts, "true_peak_after")) - self.job.ceiling_dbtp
            if excess > CEILING_SLACK_DB:
                target = self.target(clip)
                assert target is not None
                faults.append(self._headroom_fault(clip, condition, target, target - excess))
        if faults:
            raise BlindtestError.of(faults)

    def _draft_unknown(self, pool: ThreadPoolExecutor, clips: Sequence[str]) -> dict[str, dict[str, Draft]]:
        kept = _Budget(KEEP_BYTES)

        def drafted(clip: str) -> dict[str, Draft]:
            result = {}
            for draft in self.bench.drafts(self.clips[clip], list(self.conditions)):
                if draft.frames is not None and not kept.take(draft.frames.nbytes):
                    draft.frames = None
                result[draft.condition] = draft
                self.report.step(f"{clip}: measured")
            return result

        return dict(zip(clips, _all(pool, [(drafted, clip) for clip in clips]), strict=True))

    def _choose(self, waiting: Mapping[str, Mapping[str, Draft]]) -> None:
        """Fix the loudness of new clips: one for all that reach it, else the clip's own."""
        reachable = {}
        for clip, by_condition in waiting.items():
            self._refuse_silence(clip, by_condition.values())
            reach = min(self._reach(draft) for draft in by_condition.values())
            reachable[clip] = math.floor((reach - RESERVE_LU) * 10.0) / 10.0
        common = self.fixed.common_loudness_lufs
        if common is None:
            common = min(reachable.values())
        chosen = {clip: min(common, own) for clip, own in reachable.items()}
        self.fixed = replace(
            self.fixed, common_loudness_lufs=common, loudness_lufs={**self.fixed.loudness_lufs, **chosen}
        )

    def _refuse_silence(self, clip: str, all_drafts: Iterable[Draft]) -> None:
        faults = [
            Fault(
                key=f"clip.{clip}",
                file=str(self.clips[clip].path),
                problem=f"silent in condition {draft.condition!r}: there is no loudness to match",
                got=f"{draft.reference} LUFS",
                remedy="choose another part of the clip, or another file",
            )
            for draft in all_drafts
            if not math.isfinite(draft.reference)
        ]
        if faults:
            raise BlindtestError.of(faults)

    def _reach(self, draft: Draft) -> float:
        """Return the clip loudness in LUFS at which this condition meets the ceiling."""
        offset = self.conditions[draft.condition].offset_db
        return self.job.ceiling_dbtp - CEILING_SLACK_DB - draft.true_peak + draft.reference - offset

    def _headroom_fault(self, clip: str, condition: str, asked: float, reachable: float) -> Fault:
        given = self.clips[clip].loudness_lufs is not None
        at_most = math.floor(reachable * 10.0) / 10.0
        return Fault(
            file="" if given else str(self.folder / FIXED_NAME),
            key=f"clip.{clip}.loudness_lufs" if given else f"loudness_lufs.{clip}",
            problem=f"on clip {clip!r} condition {condition!r} would pass {self.job.ceiling_dbtp:g} dBTP",
            got=f"{asked:.1f} LUFS",
            allowed=f"up to {at_most:.1f} LUFS, which all conditions reach on this clip",
            remedy="ask for less loudness; stimuli that were made before become another version of the study",
        )

    def _write(
        self,
        pool: ThreadPoolExecutor,
        keys: Mapping[Pair, str],
        found: Mapping[Pair, Shelved],
        waiting: Mapping[str, Mapping[str, Draft]],
    ) -> Rendered:
        missing: dict[str, dict[str, str]] = {}  # clip -> key -> one condition that has it
        for pair in self.pairs:
            if pair not in found:
                missing.setdefault(pair[0], {}).setdefault(keys[pair], pair[1])
        to_make = [key for by_key in missing.values() for key in by_key]
        self.report.expect(self.report.done + len(to_make))
        made: dict[str, Shelved] = {}
        if not to_make and {keys[pair] for pair in self.pairs} == self._all_keys_of_shelf(found, keys):
            rendered = self.rendered(found, made=0)
            self._heal(rendered)
            return rendered
        with Making(self.folder, to_make, salt_of(keys.values())) as making:

            def clip_made(clip: str) -> dict[str, Shelved]:
                return self._clip_made(clip, missing[clip], waiting.get(clip, {}), making)

            for part in _all(pool, [(clip_made, clip) for clip in missing], all_faults=True):
                made.update(part)
            everything = {pair: found[pair] if pair in found else made[keys[pair]] for pair in self.pairs}
            self.fixed = replace(self.fixed, taps={**self.bench.taps_used, **self.fixed.taps})
            rendered = self.rendered(everything, made=len(made))
            making.commit({keys[pair]: shelved for pair, shelved in everything.items()}, self._documents(rendered))
        return rendered

    def _all_keys_of_shelf(self, found: Mapping[Pair, Shelved], keys: Mapping[Pair, str]) -> set[str]:
        """Return the keys that were found, and one more if the shelf holds what no condition asks for any longer."""
        wanted = {keys[pair] for pair in found}
        return wanted | ({"more"} if len(self.shelf.files) > len(wanted) else set())

    def _clip_made(
        self, clip: str, by_key: Mapping[str, str], waiting: Mapping[str, Draft], making: Making
    ) -> dict[str, Shelved]:
        target = self.target(clip)
        assert target is not None
        # In the order of hashes: when a file was made then says nothing about its condition.
        order = sorted(by_key)
        kept = [waiting[by_key[key]] for key in order if by_key[key] in waiting]
        there = {draft.condition for draft in kept if draft.frames is not None}
        again = [by_key[key] for key in order if by_key[key] not in there]
        key_of = {condition: key for key, condition in by_key.items()}
        made: dict[str, Shelved] = {}
        refused: list[tuple[str, float]] = []
        unmeasured: list[Draft] = []
        source = self.bench.drafts(self.clips[clip], again) if again else iter(())
        for draft in (*(draft for draft in kept if draft.frames is not None), *()):
            self._draft_made(clip, draft, target, key_of, making, made, refused)
        for draft in source:
            if not math.isfinite(draft.reference):
                unmeasured.append(draft)
                continue
            self._draft_made(clip, draft, target, key_of, making, made, refused)
        if unmeasured:
            self._refuse_silence(clip, unmeasured)
        if refused:
            lowest = min(reach for _, reach in refused)
            raise BlindtestError.of([self._headroom_fault(clip, name, target, lowest) for name, _ in refused])
        return made

    def _draft_made(
        self,
        clip: str,
        draft: Draft,
        target: float,
        key_of: Mapping[str, str],
        making: Making,
        made: dict[str, Shelved],
        refused: list[tuple[str, float]],
    ) -> None:
        assert draft.frames is not None
        reach = self._reach(draft)
        if target > reach or refused:
            if target > reach:
                refused.append((draft.condition, reach))
            return
        key = key_of[draft.condition]
        offset = self.conditions[draft.condition].offset_db
        heard_fir = self.bench.heard_fir(draft.rate)
        result = finished(draft, key=key, target=target + offset, match=self.job.match, heard_fir=heard_fir)
        draft.frames = None
        excess = result.facts["true_peak_after"] - self.job.ceiling_dbtp
        if excess > CEILING_SLACK_DB:
            refused.append((draft.condition, target - excess))
            return
        sha256 = making.put(key, wav_bytes(result.samples, draft.rate))
        count, channels = result.samples.shape
        facts = {**result.facts, "rate": draft.rate, "frames": count, "channels": channels, "shift": draft.shift}
        made[key] = Shelved(file=name_of(sha256), sha256=sha256, facts=facts)
        self.report.step(f"{clip}: written")

    # What comes out

    def rendered(self, found: Mapping[Pair, Shelved], *, made: int) -> Rendered:
        rows = tuple(self._row(pair, found[pair].facts) for pair in self.pairs if pair in found)
        stimuli = tuple(self._stimulus(pair, found[pair]) for pair in self.pairs if pair in found)
        rates = {stimulus.clip: stimulus.rate for stimulus in stimuli}
        rate = next(iter(rates.values()), self.job.rate_hz or 48_000)
        return Rendered(
            stimuli=stimuli,
            table=rows,
            limits=boost_limits(self.job.playback) if any(c.filtered for c in self.job.conditions) else (),
            filters={name: self.bench.curve(condition, rate) for name, condition in self.conditions.items()},
            heard=_heard_in_words(self.job),
            fixed=self.fixed.to_dict(),
            trusted_band_hz=self.band,
            rates=rates,
            made=made,
            reused=len({found[pair].file for pair in self.pairs if pair in found}) - (made if stimuli else 0),
        )

    def _row(self, pair: Pair, facts: Mapping[str, object]) -> MatchRow:
        numbers = {name: _number(facts, name) for name in _ROW_COLUMNS}
        return MatchRow(clip=pair[0], condition=pair[1], measure=self.job.match, **numbers)

    def _stimulus(self, pair: Pair, shelved: Shelved) -> Stimulus:
        facts = shelved.facts
        return Stimulus(
            clip=pair[0],
            condition=pair[1],
            path=self.folder / shelved.file,
            sha256=shelved.sha256,
            frames=int(_number(facts, "frames")),
            rate=int(_number(facts, "rate")),
            channels=int(_number(facts, "channels")),
            loudness=_number(facts, "heard_after"),
            true_peak=_number(facts, "true_peak_after"),
            gain_db=_number(facts, "gain_db"),
            shift=int(_number(facts, "shift")),
        )

    def _documents(self, rendered: Rendered) -> dict[str, str]:
        return {FIXED_NAME: fixed_text(self.fixed), TABLE_NAME: table_text(rendered.table)}

    def _heal(self, rendered: Rendered) -> None:
        """Put right what a rendering that was cut off has left, or somebody changed; stimuli stay."""
        recover(self.folder)
        for name, text in self._documents(rendered).items():
            path = self.folder / name
            if not path.exists() or path.read_bytes() != text.encode("utf-8"):
                write_durably(path, text.encode("utf-8"))


class _Bench:
    """The filters of a job, made once for each rate, and the way from a clip to its drafts."""

    def __init__(self, job: RenderJob, common: CommonCurve, band: tuple[float, float], fixed: Fixed) -> None:
        self._job = job
        self._common = common
        self._band = band
        self._fixed_taps = dict(fixed.taps)
        self._lock = threading.Lock()
        self._firs: dict[int, tuple[dict[str, Floats | None], Floats | None]] = {}
        self.taps_used: dict[int, int] = {}
        self.stop = threading.Event()

    def drafts(self, source: ClipSource, conditions: Sequence[str]) -> Iterable[Draft]:
        programmes = read_programmes(source, self._recordings(source.id), self._job.rate_hz)
        filters = self._filters(source.id, programmes[CLIP])
        for draft in drafts(programmes, filters, conditions, self._job.match):
            if self.stop.is_set():
                raise InterruptedError("rendering was stopped")
            yield draft

    def heard_fir(self, rate: int) -> Floats | None:
        return self._designed(rate)[1]

    def curve(self, condition: Condition, rate: int) -> FilterCurve:
        frequency = display_grid()
        taps = self._fixed_taps.get(rate, self.taps_used.get(rate, taps_for(rate))) if condition.filtered else 1

        def design() -> Floats:
            return np.ones(1) if not condition.filtered else self._long_enough(condition, rate, taps)

        return FilterCurve(
            frequency=frequency,
            magnitude_db=condition_curve_db(condition, self._job.playback, self._common, self._band, frequency),
            rate=rate,
            taps=taps,
            design=design,
        )

    def _recordings(self, clip: str) -> dict[Path, bool]:
        stages = [condition.recording for condition in self._job.conditions]
        return {stage.files[clip]: stage.align for stage in stages if stage is not None}

    def _filters(self, clip: str, programme: Programme) -> Filters:
        firs, heard = self._designed(programme.rate)
        khz = np.array([1000.0])
        return Filters(
            programme={
                condition.id: CLIP if condition.recording is None else condition.recording.files[clip]
                for condition in self._job.conditions
            },
            firs=firs,
            heard=heard,
            level_at_1khz={
                condition.id: float(condition_curve_db(condition, self._job.playback, self._common, self._band, khz)[0])
                for condition in self._job.conditions
            },
        )

    def _designed(self, rate: int) -> tuple[dict[str, Floats | None], Floats | None]:
        with self._lock:
            if rate not in self._firs:
                self._firs[rate] = self._design(rate)
            return self._firs[rate]

    def _design(self, rate: int) -> tuple[dict[str, Floats | None], Floats | None]:
        taps = self._fixed_taps.get(rate, taps_for(rate))
        filtered = [condition for condition in self._job.conditions if condition.filtered]
        firs: dict[str, Floats | None] = {condition.id: None for condition in self._job.conditions}
        with ThreadPoolExecutor(max_workers=2) as pool:
            made = _all(pool, [(self._long_enough, condition, rate, taps) for condition in filtered], all_faults=True)
        longest = max((len(fir) for fir in made), default=taps)
        for condition, fir in zip(filtered, made, strict=True):
            # One length for all; but a length that was fixed before stays, and only a device added later is longer.
            short = rate not in self._fixed_taps and len(fir) < longest
            firs[condition.id] = self._fir(condition, rate, longest) if short else fir
        self.taps_used[rate] = self._fixed_taps.get(rate, longest)
        frequency = _bins(rate, taps)
        heard = heard_curve_db(self._job.playback, frequency)
        flat = heard is None or float(np.ptp(heard)) == 0.0
        return firs, None if heard is None or flat else minimum_phase_fir(frequency, heard, rate, taps)

    def _long_enough(self, condition: Condition, rate: int, taps: int) -> Floats:
        for doubled in range(int(math.log2(LONGEST)) + 1):
            fir = self._fir(condition, rate, taps << doubled)
            check = check_length(fir, *self._curve_on_bins(condition, rate, len(fir)), rate)
            if check.holds:
                return fir
        fault = check.fault(f"condition.{condition.id}")
        assert fault is not None
        raise BlindtestError(fault)

    def _fir(self, condition: Condition, rate: int, taps: int) -> Floats:
        return minimum_phase_fir(*self._curve_on_bins(condition, rate, taps), rate, taps)

    def _curve_on_bins(self, condition: Condition, rate: int, taps: int) -> tuple[Floats, Floats]:
        frequency = _bins(rate, taps)
        return frequency, condition_curve_db(condition, self._job.playback, self._common, self._band, frequency)


def _bins(rate: int, taps: int) -> Floats:
    """Return the bins of the transform that a filter is designed on, 0 Hz left out: no reading between points."""
    length = max(1 << 18, 1 << math.ceil(math.log2(8 * taps)))
    return np.arange(1, length // 2 + 1, dtype=np.float64) * (rate / length)


class _Counter:
    def __init__(self, progress: Progress | None) -> None:
        self._progress = progress
        self._lock = threading.Lock()
        self._total = 0
        self.done = 0

    def expect(self, total: int) -> None:
        self._total = total

    def step(self, text: str) -> None:
        with self._lock:
            self.done += 1
            if self._progress is not None:
                self._progress(self.done, max(self.done, self._total), text)


class _Budget:
    def __init__(self, limit: int) -> None:
        self._left = limit
        self._lock = threading.Lock()

    def take(self, amount: int) -> bool:
        with self._lock:
            if amount > self._left:
                return False
            self._left -= amount
            return True


def _all(
    pool: ThreadPoolExecutor, calls: Sequence[tuple[Callable[..., T], *tuple[object, ...]]], *, all_faults: bool = True
) -> list[T]:
    """Return the results of `calls` in order; faults of all of them together, anything else at once."""
    futures: list[Future[T]] = [pool.submit(call, *arguments) for call, *arguments in calls]
    try:
        wait(futures, return_when=FIRST_EXCEPTION if not all_faults else "ALL_COMPLETED")
    except BaseException:
        for future in futures:
            future.cancel()
        raise
    faults: list[Fault] = []
    for future in futures:
        reason = future.exception()
        if isinstance(reason, BlindtestError):
            faults.extend(reason.faults)
        elif reason is not None:
            raise reason
    if faults:
        raise BlindtestError.of(faults)
    return [future.result() for future in futures]


_ROW_COLUMNS = tuple(field.name for field in fields(MatchRow) if field.name not in ("clip", "condition", "measure"))
_UNITS = {
    "heard_before": "heard_before_lufs",
    "heard_after": "heard_after_lufs",
    "file_before": "file_before_lufs",
    "file_after": "file_after_lufs",
    "a_weighted_before": "a_weighted_before_db",
    "a_weighted_after": "a_weighted_after_db",
    "rms_before": "rms_before_db",
    "rms_after": "rms_after_db",
    "gain_db": "gain_db",
    "true_peak_after": "true_peak_after_dbtp",
}


def table_text(table: Sequence[MatchRow]) -> str:
    """Return the match table as CSV, a unit in every column's name; it names no file."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["clip", "condition", "matched_by", *(_UNITS[name] for name in _ROW_COLUMNS)])
    for row in table:
        numbers = [f"{getattr(row, name):.4f}" for name in _ROW_COLUMNS]
        writer.writerow([row.clip, row.condition, row.measure, *numbers])
    return out.getvalue()


def _number(facts: Mapping[str, object], name: str) -> float:
    value = facts.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise BlindtestError(
            Fault(
                problem=f"the stimuli's manifest lacks {name}",
                got=value,
                remedy="move manifest.json away and render again: the stimuli are made anew, byte for byte as before",
            )
        )
    return float(value)


def _hashes(job: RenderJob) -> dict[Path, str]:
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


def _facts(playback: Playback | None) -> Mapping[str, object] | None:
    return None if playback is None else playback.facts()


def _hash_of(value: object) -> str:
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def _heard_in_words(job: RenderJob) -> str:
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
