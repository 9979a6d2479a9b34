"""One call of `render`: what was read at its start, and the steps from there to files.

Clips that are rendered elsewhere go out as errands; what runs there stands at the end.
"""

import math
import threading
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from blindtest.audio import wav_bytes
from blindtest.errors import BlindtestError, Fault

from .curves import CommonCurve, common_curve, trusted_band, zero_curve
from .drafts import Draft, Unsettled, dither, finished
from .errands import Brought, Errand, Hands, errand_for, placed, run_all
from .filters import Bench
from .fixed import FIXED_NAME, Fixed, Outside, fixed_text, read_fixed
from .folder import Making, Manifest, Shelved, name_of, read_manifest, recover, salt_of, whole_files, write_durably
from .job import RenderJob, dither_key, file_hashes, hash_of, heard_in_words, playback_facts, stimulus_key
from .playback import boost_limits
from .refusals import ceiling_fault, gate_fault, refuse_silence, tenths_below
from .rendered import Rendered, Stimulus
from .table import TABLE_NAME, match_row, number_in, place_in_table, table_text
from .workers import Budget, Progress, Steps, all_of, keep_memory

__all__ = ["Rendering", "levels_of", "stimuli_of"]

RESERVE_LU = 2.0
"""Kept for devices that are added later when a loudness is chosen; our rule."""
KEEP_BYTES = 512 << 20
"""Of drafts that wait for the loudness to be chosen; past it they are computed twice."""
ROUNDING_DB = 0.0001
"""What dither and rounding may add to a true peak."""

Pair = tuple[str, str]
"""Clip id and condition id."""


class Rendering:
    """One call of `render`: what was read at its start, and the steps from there."""

    def __init__(self, job: RenderJob, folder: Path, progress: Progress | None, fixed: Fixed | None = None) -> None:
        self.job = job
        self.folder = folder
        self.steps = Steps(progress)
        self.clips = {clip.id: clip for clip in job.clips}
        self.conditions = {condition.id: condition for condition in job.conditions}
        self.pairs: list[Pair] = sorted(
            ((clip, condition) for clip in self.clips for condition in self.conditions), key=place_in_table
        )
        self.manifest: Manifest = read_manifest(folder)
        self.fixed: Fixed = read_fixed(folder) if fixed is None else fixed
        self.band_hz = trusted_band(job.playback, job.conditions)
        self.hashes = file_hashes(job)
        self.outside = self._outside()
        self.bench = Bench(job, self.outside, self.band_hz, self.fixed.taps, folder.absolute().parent)
        self.workers = 1
        self.hands: Hands | None = None
        self._one_long = threading.Lock()

    def _outside(self) -> CommonCurve:
        """Return the common curve: as it was fixed, or fixed now."""
        untouched = [condition.id for condition in self.job.conditions if not condition.measured]
        if len(untouched) == len(self.job.conditions):
            return zero_curve()
        place = hash_of({"playback": playback_facts(self.job.playback), "band": list(self.band_hz)})
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
                    "the trusted band was fixed without one: it is not 0 dB there, as the clip is",
                    remedy="compare them in a new version of the study: move the stimuli folder away and render "
                    "again; plans sealed on the old stimuli keep to these",
                )
            )
        return known.curve()

    def target(self, clip: str) -> float | None:
        """Return the loudness at which a clip is heard, LUFS; None if nobody has said so yet."""
        given = self.clips[clip].loudness_lufs
        return self.fixed.loudness_lufs.get(clip) if given is None else given

    def keys(self) -> dict[Pair, str]:
        """Return the key of every stimulus whose loudness is known."""
        keys = {}
        for clip, condition in self.pairs:
            target = self.target(clip)
            if target is not None:
                keys[clip, condition] = stimulus_key(
                    self.job,
                    self.hashes,
                    self.clips[clip],
                    self.conditions[condition],
                    outside=self.outside,
                    band_hz=self.band_hz,
                    loudness_lufs=target,
                )
        return keys

    def shelved(self, keys: Mapping[Pair, str]) -> dict[Pair, Shelved]:
        """Return what the manifest holds of `keys`."""
        return {pair: one for pair, key in keys.items() if (one := self.manifest.find(key)) is not None}

    def _found(self, keys: Mapping[Pair, str]) -> dict[Pair, Shelved]:
        shelved = self.shelved(keys)
        whole = whole_files(self.folder, shelved.values())
        return {pair: one for pair, one in shelved.items() if one.file in whole}

    def planned(self) -> Rendered:
        """Return what is there, and how many would be made."""
        keys = self.keys()
        found = self._found(keys)
        missing = {keys.get(pair, "".join(pair)) for pair in self.pairs if pair not in found}
        return self.result(found, made=len(missing), reused=len({keys[pair] for pair in found}))

    def done(self, workers: int) -> Rendered:
        """Make what is missing; all of it, or nothing."""
        unknown = [clip for clip in self.clips if self.target(clip) is None]
        self.workers = workers
        keep_memory()
        with ThreadPoolExecutor(max_workers=workers) as pool:
            try:
                waiting: dict[str, dict[str, Draft]] = {}
                if unknown:
                    self.steps.expect(2 * len(unknown) * len(self.conditions))
                    waiting = self._drafted(pool, unknown)
                    self._choose_loudness(waiting)
                keys = self.keys()
                found = self._found(keys)
                self._refuse_past_ceiling(found)
                return self._made(pool, keys, found, waiting)
            except BaseException:  # also Ctrl-C: no thread goes on behind the caller's back
                self.bench.stop.set()
                pool.shutdown(wait=True, cancel_futures=True)
                raise
            finally:
                self.bench.close()

    # The loudness of a clip

    def _drafted(self, pool: ThreadPoolExecutor, clips: Sequence[str]) -> dict[str, dict[str, Draft]]:
        budget = Budget(KEEP_BYTES)

        def drafted(clip: str) -> dict[str, Draft]:
            result = {}
            for draft in self._drafts(clip, list(self.conditions)):
                if draft.frames is not None and not budget.take(draft.frames.nbytes):
                    draft.frames = None
                result[draft.condition] = draft
                self.steps.step(f"{clip}: measured")
            refuse_silence(self.clips[clip], result.values())
            return result

        found = self._measured_away(self._away(clips))
        here = [clip for clip in clips if clip not in found]
        found |= zip(here, all_of(pool, [(drafted, clip) for clip in here]), strict=True)
        return {clip: found[clip] for clip in clips}

    def _away(self, clips: Iterable[str]) -> list[str]:
        """Return the clips that are rendered elsewhere."""
        return [] if self.hands is None else [one for one in clips if not self.bench.streams(self.clips[one])]

    def _measured_away(self, clips: Sequence[str]) -> dict[str, dict[str, Draft]]:
        """Return the levels of clips that are rendered elsewhere."""
        found: dict[str, dict[str, Draft]] = {}

        def take(place: int, levels: list[Draft]) -> None:
            found[clips[place]] = {draft.condition: draft for draft in levels}
            for _ in levels:
                self.steps.step(f"{clips[place]}: measured")

        if self.hands is not None:
            errands = [partial(errand_for, self.job, clip, self.fixed, self.folder) for clip in clips]
            run_all(self.hands, levels_of, errands, take)
        return found

    def _drafts(self, clip: str, conditions: list[str]) -> Iterable[Draft]:
        source = self.clips[clip]
        if not self.bench.streams(source):
            return self.bench.drafts(source, conditions)
        with self._one_long:  # it takes all threads, and its memory only once
            return self.bench.long_clip(source, self.workers).drafts(conditions)

    def _choose_loudness(self, waiting: Mapping[str, Mapping[str, Draft]]) -> None:
        """Fix the loudness of new clips: one for all that reach it with a reserve, else the clip's own."""
        reachable = {
            clip: tenths_below(min(self._reach(draft) for draft in by_condition.values()) - RESERVE_LU)
            for clip, by_condition in waiting.items()
        }
        common = self.fixed.common_loudness_lufs
        if common is None:
            common = min(reachable.values())
        chosen = {clip: min(common, own) for clip, own in reachable.items()}
        self.fixed = replace(
            self.fixed, common_loudness_lufs=common, loudness_lufs={**self.fixed.loudness_lufs, **chosen}
        )

    def _reach(self, draft: Draft) -> float:
        """Return the loudness of the clip, in LUFS, at which this condition meets the ceiling."""
        offset = self.conditions[draft.condition].offset_db
        return self.job.ceiling_dbtp - ROUNDING_DB - draft.true_peak + draft.reference - offset

    def _past_ceiling(self, clip: str, condition: str, asked: float, reachable: float) -> Fault:
        fixed = self.folder / FIXED_NAME
        return ceiling_fault(self.clips[clip], condition, asked, reachable, self.job.ceiling_dbtp, fixed=fixed)

    def _refuse_past_ceiling(self, found: Mapping[Pair, Shelved]) -> None:
        """Refuse what was made under a higher ceiling: lowering it changes no stimulus."""
        peaks: dict[str, dict[str, float]] = {}
        for (clip, condition), shelved in found.items():
            peaks.setdefault(clip, {})[condition] = number_in(shelved.facts, "true_peak_after")
        faults = []
        for clip, by_condition in peaks.items():
            target = self.target(clip)
            excess = max(by_condition.values()) - self.job.ceiling_dbtp
            if target is not None and excess > 0.0:
                over = [condition for condition, peak in by_condition.items() if peak > self.job.ceiling_dbtp]
                faults += [self._past_ceiling(clip, condition, target, target - excess) for condition in over]
        if faults:
            raise BlindtestError.of(faults)

    # The files

    def _made(
        self,
        pool: ThreadPoolExecutor,
        keys: Mapping[Pair, str],
        found: Mapping[Pair, Shelved],
        waiting: Mapping[str, Mapping[str, Draft]],
    ) -> Rendered:
        missing: dict[str, dict[str, str]] = {}  # clip to key to a condition that has it
        for pair in self.pairs:
            if pair not in found:
                missing.setdefault(pair[0], {}).setdefault(keys[pair], pair[1])
        to_make = [key for by_key in missing.values() for key in by_key]
        wanted = set(keys.values())
        if not to_make and len(self.manifest.files) == len(wanted):
            rendered = self.result(found, made=0, reused=len(wanted))
            self._put_right(rendered)
            return rendered
        self.steps.expect(len(to_make))
        with Making(self.folder, to_make, salt_of(wanted)) as making:
            made: dict[str, Shelved] = {}
            away = self._away(missing)
            made.update(self._made_away({clip: missing[clip] for clip in away}, making))
            here = {clip: by_key for clip, by_key in missing.items() if clip not in away}
            calls = [(self.clip_made, clip, by_key, waiting.get(clip, {}), making) for clip, by_key in here.items()]
            for part in all_of(pool, calls):
                made.update(part)
            everything = {pair: found[pair] if pair in found else made[keys[pair]] for pair in self.pairs}
            self.fixed = replace(self.fixed, taps={**self.bench.taps_used, **self.fixed.taps})
            rendered = self.result(everything, made=len(made), reused=len(wanted) - len(made))
            making.commit({keys[pair]: shelved for pair, shelved in everything.items()}, self._documents(rendered))
        return rendered

    def _made_away(self, missing: Mapping[str, Mapping[str, str]], making: Making) -> dict[str, Shelved]:
        """Return the new stimuli of clips that are rendered elsewhere, by key; their bytes are put in here."""
        made: dict[str, Shelved] = {}
        clips = list(missing)

        def take(place: int, brought: tuple[dict[str, Shelved], dict[str, bytes], dict[int, int]]) -> None:
            shelved, files, taps = brought
            for key, data in files.items():
                making.put(key, data)
                self.steps.step(f"{clips[place]}: written")
            made.update(shelved)
            self.bench.taps_used.update(taps)

        if self.hands is not None:
            errands = [partial(errand_for, self.job, clip, self.fixed, self.folder, missing[clip]) for clip in clips]
            run_all(self.hands, stimuli_of, errands, take)
        return made

    def clip_made(
        self, clip: str, by_key: Mapping[str, str], waiting: Mapping[str, Draft], making: Making | Brought
    ) -> dict[str, Shelved]:
        """Return the clip's new stimuli by key."""
        target = self.target(clip)
        assert target is not None
        # In the order of hashes: when a file was made then says nothing about its condition.
        order = [by_key[key] for key in sorted(by_key)]
        key_of = {condition: key for key, condition in by_key.items()}
        kept = {name: waiting[name] for name in order if name in waiting and waiting[name].frames is not None}
        again = [name for name in order if name not in kept]
        if isinstance(making, Making) and self.bench.streams(self.clips[clip]):
            return self._long_made(clip, key_of, waiting, target, making)
        made, over, silent = {}, {}, []
        noise: NDArray[np.float64] | None = None
        for draft in (*kept.values(), *(self.bench.drafts(self.clips[clip], again) if again else ())):
            if not math.isfinite(draft.reference):
                silent.append(draft)
            elif (reach := self._reach(draft)) < target:
                over[draft.condition] = reach
            elif not over and not silent:
                key = key_of[draft.condition]
                # The same dither for every condition, drawn once: what they differ in is what the claim is about.
                noise = self._noise(clip, draft) if noise is None else noise
                try:
                    made[key] = self._put(draft, key, target, noise, making)
                except Unsettled as reason:
                    raise BlindtestError(gate_fault(clip, draft.condition, target)) from reason
                self.steps.step(f"{clip}: written")
            draft.frames = None
        refuse_silence(self.clips[clip], silent)
        if over:
            raise BlindtestError.of(self._past_ceiling(clip, name, target, min(over.values())) for name in over)
        return made

    def _long_made(
        self, clip: str, key_of: Mapping[str, str], waiting: Mapping[str, Draft], target: float, making: Making
    ) -> dict[str, Shelved]:
        """Return the new stimuli of a clip that is streamed, by key."""
        order = sorted(key_of, key=lambda name: key_of[name])
        unmeasured = [name for name in order if name not in waiting]
        again = {one.condition: one for one in self._drafts(clip, unmeasured)} if unmeasured else {}
        found = [waiting[name] if name in waiting else again[name] for name in order]
        refuse_silence(self.clips[clip], found)
        reach = {draft.condition: self._reach(draft) for draft in found}
        over = [name for name in order if reach[name] < target]
        if over:
            raise BlindtestError.of(
                self._past_ceiling(clip, name, target, min(reach[one] for one in over)) for name in over
            )
        with self._one_long:
            long_clip = self.bench.long_clip(self.clips[clip], self.workers)
            written = long_clip.written(
                found,
                {name: target + self.conditions[name].offset_db for name in order},
                dither_key(self.job, self.hashes, self.clips[clip]),
                {name: making.place(key_of[name]) for name in order},
                lambda name: BlindtestError(gate_fault(clip, name, target)),
            )
        made = {}
        for name in order:
            own, key = written[name], key_of[name]
            making.took(key, own.sha256)
            facts = {**own.facts, "rate": long_clip.rate, "frames": own.frames, "channels": 2, "shift": own.shift}
            made[key] = Shelved(file=name_of(own.sha256), sha256=own.sha256, facts=facts)
            self.steps.step(f"{clip}: written")
        return made

    def _noise(self, clip: str, draft: Draft) -> NDArray[np.float64]:
        assert draft.frames is not None
        return dither(dither_key(self.job, self.hashes, self.clips[clip]), *draft.frames.shape)

    def _put(
        self, draft: Draft, key: str, target: float, noise: NDArray[np.float64], making: Making | Brought
    ) -> Shelved:
        result = finished(
            draft,
            noise=noise,
            target=target + self.conditions[draft.condition].offset_db,
            match=self.job.match,
            meter=self.bench.meter(draft.rate),
        )
        sha256 = making.put(key, wav_bytes(result.samples, draft.rate))
        count, channels = result.samples.shape
        facts = {**result.facts, "rate": draft.rate, "frames": count, "channels": channels, "shift": draft.shift}
        return Shelved(file=name_of(sha256), sha256=sha256, facts=facts)

    def _documents(self, rendered: Rendered) -> dict[str, str]:
        return {FIXED_NAME: fixed_text(self.fixed), TABLE_NAME: table_text(rendered.table)}

    def _put_right(self, rendered: Rendered) -> None:
        """Make the documents say what they shall, after a rendering was cut off or somebody edited one."""
        recover(self.folder)
        for name, text in self._documents(rendered).items():
            path = self.folder / name
            if not path.exists() or path.read_bytes() != text.encode("utf-8"):
                write_durably(path, text.encode("utf-8"))

    # What comes out

    def result(self, found: Mapping[Pair, Shelved], *, made: int, reused: int) -> Rendered:
        """Return everything known about what was found."""
        there = [pair for pair in self.pairs if pair in found]
        stimuli = tuple(self._stimulus(pair, found[pair]) for pair in there)
        rates = {stimulus.clip: stimulus.rate for stimulus in stimuli}
        rate = next((rates[clip] for clip in self.clips if clip in rates), self.job.rate_hz or 48_000)
        measured = any(condition.measured for condition in self.job.conditions)
        return Rendered(
            stimuli=stimuli,
            table=tuple(match_row(*pair, self.job.match, found[pair].facts) for pair in there),
            limits=boost_limits(self.job.playback) if measured else (),
            filters={name: self.bench.curve(condition, rate) for name, condition in self.conditions.items()},
            heard=heard_in_words(self.job),
            fixed=self.fixed.to_dict(),
            trusted_band_hz=self.band_hz,
            rates=rates,
            made=made,
            reused=reused,
        )

    def _stimulus(self, pair: Pair, shelved: Shelved) -> Stimulus:
        facts = shelved.facts
        return Stimulus(
            clip=pair[0],
            condition=pair[1],
            path=self.folder / shelved.file,
            sha256=shelved.sha256,
            frames=int(number_in(facts, "frames")),
            rate=int(number_in(facts, "rate")),
            channels=int(number_in(facts, "channels")),
            loudness=number_in(facts, "heard_after"),
            true_peak=number_in(facts, "true_peak_after"),
            gain_db=number_in(facts, "gain_db"),
            shift=int(number_in(facts, "shift")),
        )


def levels_of(errand: Errand) -> list[Draft]:
    """Run the errand of a clip whose loudness is to be chosen: the levels of its conditions, without the sound."""
    with placed(errand) as (job, folder):
        rendering = _rendering_of(errand, job, folder)
        levels = []
        for draft in rendering.bench.drafts(job.clips[0], list(rendering.conditions)):
            draft.frames = None
            levels.append(draft)
        refuse_silence(job.clips[0], levels)
        return levels


def stimuli_of(errand: Errand) -> tuple[dict[str, Shelved], dict[str, bytes], dict[int, int]]:
    """Run the errand of a clip whose loudness is known: what is told of each stimulus and its bytes, by key; taps."""
    with placed(errand) as (job, folder):
        rendering = _rendering_of(errand, job, folder)
        brought = Brought()
        shelved = rendering.clip_made(job.clips[0].id, errand.wanted, {}, brought)
        return shelved, brought.files, rendering.bench.taps_used


def _rendering_of(errand: Errand, job: RenderJob, folder: Path) -> Rendering:
    """Return the rendering of an errand; clips of one job that come to this process share their filters."""
    rendering = Rendering(job, folder, None, fixed=errand.fixed)
    if any(condition.recording is not None for condition in job.conditions):
        return rendering  # its recordings are this clip's
    place = hash_of(
        {
            "conditions": [[one.id, one.facts()] for one in job.conditions],
            "playback": playback_facts(job.playback),
            "rules": [job.over, job.match, job.rate_hz, list(rendering.band_hz)],
            "outside": [list(rendering.outside.frequency), list(rendering.outside.level_db)],
            "taps": sorted(errand.fixed.taps.items()),
        }
    )
    shared = _BENCHES.get(place)
    if shared is None:
        _BENCHES.clear()  # one job at a time
        shared = _BENCHES.setdefault(place, rendering.bench)
    rendering.bench = shared
    return rendering


_BENCHES: dict[str, Bench] = {}
"""Filters by the hash of all that goes into them: a memory, in a process that runs errands, of what it designed."""
