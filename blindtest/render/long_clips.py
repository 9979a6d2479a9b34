"""A clip too long to be held in memory: from file to file, a few blocks at a time, and byte for byte the same.

Twice through the clip: once to filter and to measure what comes out, so that the gains are known; once to filter, to
dither and to write, and what was written is read back and measured, as ever. Conditions are shared out among threads,
each with its own way through the file; those that a thread has share one forward transform for each block.

Not every job can go this way: a rate to be changed, recordings, harmonics, and other measures than loudness as heard
take the whole clip at once, and then it is held in memory (`streams` tells which).
"""

import hashlib
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from blindtest.audio import (
    ClipTape,
    FilterRun,
    Frames,
    Levels,
    Part,
    RunningPeak,
    WavTape,
    from_db,
    hop_edges,
    quantised,
    sample_data,
    tape_extent,
    wav_header,
)

from .drafts import FULL_SCALE, Draft, Filters, Unsettled, energies_loudness, settled
from .noise import DitherStream
from .programme import ClipSource, part_of, refuse_short
from .workers import all_of

__all__ = ["LONG_FRAMES", "LongClip", "Written", "streams"]

LONG_FRAMES = 1 << 23
"""Frames of a file from which on its clip is streamed: three minutes at 48 kHz, 64 MB a channel."""
BLOCK = 1 << 16
"""Frames at a time where no filter sets the step."""
T = TypeVar("T")
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """A stimulus that lies on the disk under its provisional name."""

    sha256: str
    frames: int
    facts: dict[str, float]


def streams(source: ClipSource, *, plain: bool, rate_hz: int | None) -> bool:
    """Return whether a clip is long and can be streamed; `plain`: nothing in its job needs the whole clip at once."""
    extent = tape_extent(source.path) if plain else None
    return extent is not None and extent[0] >= LONG_FRAMES and rate_hz in (None, extent[1])


class LongClip:
    """One clip and the filters of its conditions. `keep_on` is called between blocks, and raises to stop."""

    def __init__(
        self, source: ClipSource, filters: Callable[[int], Filters], keep_on: Callable[[], None], workers: int
    ) -> None:
        self._source, self._keep_on, self._workers = source, keep_on, workers
        with ClipTape(source.path) as tape:
            self.rate = tape.rate
            self._first, self._last = part_of(source, tape.shape[0], tape.rate)
            refuse_short(source, (self._last - self._first) / tape.rate, alone=True)
        self.frames = self._last - self._first
        self._filters = filters(self.rate)

    def drafts(self, conditions: Sequence[str]) -> list[Draft]:
        """Return the drafts of `conditions`, measured; their frames are not kept."""
        return [draft for part in self._shared_out(self._measured, conditions) for draft in part]

    def written(
        self,
        drafts: Sequence[Draft],
        targets: Mapping[str, float],
        dither: str,
        places: Mapping[str, Path],
        unsettled: Callable[[str], Exception],
    ) -> dict[str, Written]:
        """Write the stimulus of each draft to its place, at its target in LUFS, dithered by that key; by condition.

        Where no gain gives a condition its loudness (see `Unsettled`), what `unsettled` makes of its name is raised.
        """
        by_name = {draft.condition: draft for draft in drafts}

        def made(names: Sequence[str]) -> dict[str, Written]:
            return self._group_written([by_name[name] for name in names], targets, dither, places, unsettled)

        parts = self._shared_out(made, [draft.condition for draft in drafts])
        return {name: one for part in parts for name, one in part.items()}

    def _shared_out(self, call: Callable[[Sequence[str]], T], conditions: Sequence[str]) -> list[T]:
        groups = [list(conditions[place :: self._workers]) for place in range(self._workers)]
        with ThreadPoolExecutor(max_workers=self._workers) as pool:
            return all_of(pool, [(call, group) for group in groups if group])

    def _alike(self, conditions: Sequence[str]) -> Iterator[list[str]]:
        """Yield the conditions that can share a transform: those whose filters read alike far and are alike long."""
        found: dict[tuple[int, int], list[str]] = {}
        for name in conditions:
            fir = self._filters.firs[name]
            place = (self._filters.ahead.get(name, 0), 0 if fir is None else len(fir))
            found.setdefault(place, []).append(name)
        yield from found.values()

    def _programme(self, tape: Frames, ahead: int) -> tuple[Part, Floats]:
        """Return the frames that are played, read `ahead` frames later, and as much before them as a filter reads."""
        first = self._first + ahead
        reach = max((len(fir) for fir in self._filters.weighted.values() if fir is not None), default=0)
        return Part(tape, first, self._last + ahead), tape[max(0, first - reach) : first]

    def _measured(self, conditions: Sequence[str]) -> list[Draft]:
        with ClipTape(self._source.path) as tape:
            return [draft for names in self._alike(conditions) for draft in self._group_measured(tape, names)]

    def _group_measured(self, tape: ClipTape, names: list[str]) -> list[Draft]:
        filters, meter = self._filters, self._filters.meter
        part, before = self._programme(tape, filters.ahead.get(names[0], 0))
        peaks = [RunningPeak(2) for _ in names]
        edges = hop_edges(self.frames, self.rate)
        if filters.firs[names[0]] is None:
            energies = meter.energies(part)
            for block in self._plain(part):
                peaks[0].add(block)
            return [self._draft(name, energies, peaks[0]) for name in names]
        weighted = [one for name in names if (one := filters.weighted[name]) is not None]
        run = FilterRun(part, self._firs(names), weighted, edges, before=before)
        # What is heard of a file begins out of silence, and what the run sums knows what came before: see `drafts`.
        early = min(int(np.searchsorted(edges, len(weighted[0]))), len(edges) - 1)
        heads: list[list[Floats]] = [[] for _ in names]
        missing = int(edges[early]) if self._begins_later(filters.ahead.get(names[0], 0)) else 0
        for blocks in run:
            self._keep_on()
            for block, peak, head in zip(blocks, peaks, heads, strict=True):
                peak.add(block)
                if missing > 0:
                    head.append(block[:missing].copy())
            missing -= len(blocks[0])
        found = []
        for name, sums, peak, head in zip(names, run.sums, peaks, heads, strict=True):
            energies = sums.sum(axis=1)
            if head:
                energies[:early] = meter.energies(np.concatenate(head))
            found.append(self._draft(name, energies, peak))
        return found

    def _begins_later(self, ahead: int) -> bool:
        return self._first + ahead > 0

    def _draft(self, name: str, energies: Floats, peak: RunningPeak) -> Draft:
        loudness = energies_loudness(energies, self.frames, self.rate)
        return Draft(
            condition=name,
            rate=self.rate,
            shift=0,
            frames=None,
            reference=loudness,
            heard=loudness,
            true_peak=peak.level(),
        )

    def _firs(self, names: Sequence[str]) -> list[Floats]:
        return [fir for name in names if (fir := self._filters.firs[name]) is not None]

    def _plain(self, part: Part) -> Iterator[Floats]:
        for start in range(0, self.frames, BLOCK):
            self._keep_on()
            yield part[start : start + BLOCK]

    def _group_written(
        self,
        drafts: Sequence[Draft],
        targets: Mapping[str, float],
        dither: str,
        places: Mapping[str, Path],
        unsettled: Callable[[str], Exception],
    ) -> dict[str, Written]:
        gains = {one.condition: targets[one.condition] - one.reference for one in drafts}
        hashes = self._once(gains, dither, places)
        made = {}
        for draft in drafts:
            name = draft.condition

            def measured(gain: float, name: str = name) -> Levels:
                if gain != gains[name]:
                    gains[name] = gain
                    hashes.update(self._once({name: gain}, dither, places))
                return self._levels(places[name])

            try:
                gain, facts = settled(draft, target=targets[name], match="heard", measured=measured)
            except Unsettled as reason:
                raise unsettled(name) from reason
            assert gain == gains[name]
            made[name] = Written(sha256=hashes[name], frames=self.frames, facts=facts)
        return made

    def _levels(self, place: Path) -> Levels:
        self._keep_on()
        with WavTape(place, self.frames, 2) as tape:
            return self._filters.meter.levels(tape, full_scale=FULL_SCALE)

    def _once(self, gains: Mapping[str, float], dither: str, places: Mapping[str, Path]) -> dict[str, str]:
        """Write every condition at its gain in dB; return the SHA-256 of each file."""
        hashes = {}
        with ClipTape(self._source.path) as tape:
            for names in self._alike(list(gains)):
                hashes.update(self._group_once(tape, {name: gains[name] for name in names}, dither, places))
        return hashes

    def _group_once(
        self, tape: ClipTape, gains: Mapping[str, float], dither: str, places: Mapping[str, Path]
    ) -> dict[str, str]:
        names = list(gains)
        part, before = self._programme(tape, self._filters.ahead.get(names[0], 0))
        firs = self._firs(names)
        blocks: Iterator[list[Floats]]
        if firs:
            # Cut as they were when they were measured: another cut would round the last bits differently.
            reach = max(len(one) for name in names if (one := self._filters.weighted[name]) is not None)
            blocks = iter(FilterRun(part, firs, (), np.zeros(1, dtype=np.int64), before=before, reach=reach))
        else:
            blocks = ([block] * len(names) for block in self._plain(part))
        noise = DitherStream(dither, 2)
        files = [_Hashed(places[name], wav_header(self.frames, 2, self.rate)) for name in names]
        try:
            for found in blocks:
                self._keep_on()
                steps = noise.next(len(found[0]))
                for name, block, file in zip(names, found, files, strict=True):
                    file.write(sample_data(quantised(block, steps, gain=float(from_db(gains[name])))))
            return {name: file.finished() for name, file in zip(names, files, strict=True)}
        finally:
            for file in files:
                file.close()


class _Hashed:
    """A file under way, and the hash of what it holds."""

    def __init__(self, place: Path, header: bytes) -> None:
        self._file = place.open("wb")
        self._hash = hashlib.sha256()
        self.write(header)

    def write(self, data: bytes) -> None:
        self._file.write(data)
        self._hash.update(data)

    def finished(self) -> str:
        """Sync the file to the disk and return the SHA-256 (hex) of its bytes."""
        self._file.flush()
        os.fsync(self._file.fileno())
        return self._hash.hexdigest()

    def close(self) -> None:
        self._file.close()
