"""A clip too long to be held in memory: from file to file, a few blocks at a time, and byte for byte the same.

Twice through the clip: once to filter and to measure what comes out, so that the gains are known; once to filter, to
dither and to write, and what was written is read back and measured, as ever. A block is read once and gets one forward
transform for all conditions that can share it; the blocks are shared out among threads, and what has to be done in
their order (decoding, dither, hashes, peaks) is done by the one that gives them out.

Programmes that can't be read at any place of their own files are stored first (see `long_programmes`). A recording's
level at 1 kHz is that of one held in memory to 0.000002 dB: there a sample may come out a step of 24 bits apart.
"""

import hashlib
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from blindtest.audio import (
    FilterRun,
    Frames,
    Levels,
    Part,
    RunningLoudness,
    RunningPeak,
    WavTape,
    audio_extent,
    band_level,
    from_db,
    hop_edges,
    quantised,
    sample_places,
    wav_header,
)

from .distortion import DistortionStage
from .drafts import FULL_SCALE, ONE_KHZ_BAND, Draft, Filters, Unsettled, energies_loudness, settled
from .long_programmes import LongProgramme, LongProgrammes
from .noise import DitherStream
from .programme import CLIP, ClipSource
from .workers import in_order

__all__ = ["LONG_FRAMES", "LongClip", "Written", "streams"]

LONG_FRAMES = 1 << 23
"""Frames of a file from which on its clip is streamed: three minutes at 48 kHz, 64 MB a channel."""
BLOCK = 1 << 16
"""Frames at a time where no filter sets the step."""
T = TypeVar("T")
Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """A stimulus that lies on the disk under its provisional name."""

    sha256: str
    frames: int
    shift: int
    facts: dict[str, float]


def streams(source: ClipSource) -> bool:
    """Return whether a clip is long and is streamed."""
    extent = audio_extent(source.path)
    return extent is not None and extent[0] >= LONG_FRAMES


class LongClip:
    """One clip and the filters of its conditions. `keep_on` is called between blocks, and raises to stop."""

    def __init__(
        self,
        programmes: LongProgrammes,
        filters: Filters,
        match: str,
        keep_on: Callable[[], None],
        workers: int,
    ) -> None:
        self._programmes, self._filters, self._match = programmes, filters, match
        self._keep_on, self._workers = keep_on, workers
        self.rate, self.frames = programmes.rate, programmes.frames

    def close(self) -> None:
        """Give back what was stored on the disk."""
        self._programmes.close()

    def drafts(self, conditions: Sequence[str]) -> list[Draft]:
        """Return the drafts of `conditions`, measured; their frames are not kept."""
        of_clip = self._clip_loudness() if self._match == "1khz" else 0.0
        at_1khz = self._recorded_at_1khz(conditions) if self._match == "1khz" else {}
        found = [draft for names in self._alike(conditions) for draft in self._group_measured(names, of_clip, at_1khz)]
        order = {name: place for place, name in enumerate(conditions)}
        return sorted(found, key=lambda draft: order[draft.condition])

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
        gains = {one.condition: targets[one.condition] - one.reference for one in drafts}
        hashes = self._once(gains, dither, places)
        measured_first = {name: self._levels(places[name]) for name in gains}
        made = {}
        for draft in drafts:
            name = draft.condition

            def measured(gain: float, name: str = name) -> Levels:
                if gain != gains[name]:
                    gains[name] = gain
                    hashes.update(self._once({name: gain}, dither, places))
                    measured_first.pop(name, None)
                known = measured_first.get(name)
                return self._levels(places[name]) if known is None else known

            try:
                gain, facts = settled(draft, target=targets[name], match=self._match, measured=measured)
            except Unsettled as reason:
                raise unsettled(name) from reason
            assert gain == gains[name]
            made[name] = Written(sha256=hashes[name], frames=self.frames, shift=draft.shift, facts=facts)
        return made

    def _alike(self, conditions: Sequence[str]) -> Iterator[list[str]]:
        """Yield the conditions that share a transform: of one programme, their filters alike far ahead and long."""
        found: dict[tuple[Path, DistortionStage | None, int, int], list[str]] = {}
        for name in conditions:
            fir = self._filters.firs[name]
            place = (
                self._filters.programme[name],
                self._filters.distortion.get(name),
                self._filters.ahead.get(name, 0),
                0 if fir is None else len(fir),
            )
            found.setdefault(place, []).append(name)
        yield from found.values()

    def _programme(self, name: str) -> LongProgramme:
        return self._programmes.programme(self._filters.programme[name], self._filters.distortion.get(name))

    def _played(self, own: LongProgramme, tape: Frames, ahead: int) -> tuple[Part, Floats]:
        """Return the frames that are played, read `ahead` frames later, and as much before them as a filter reads."""
        first = own.first + ahead
        reach = max((len(fir) for fir in self._filters.weighted.values() if fir is not None), default=0)
        return Part(tape, first, own.last + ahead), tape[max(0, first - reach) : first]

    def _clip_loudness(self) -> float:
        own = self._programmes.programme(CLIP, None)
        with own.opened() as tape:
            energies = self._filters.meter.energies(Part(tape, own.first, own.last))
        return energies_loudness(energies, self.frames, self.rate)

    def _recorded_at_1khz(self, conditions: Sequence[str]) -> dict[str, float]:
        """Return the level at 1 kHz of the recordings among `conditions`, in dB over that of the clip."""
        recorded = [name for name in conditions if self._filters.programme[name] != CLIP]
        if not recorded:
            return {}
        of_clip, levels = self._band_level(self._programmes.programme(CLIP, None), 0), dict[str, float]()
        for names in self._alike(recorded):
            level = self._band_level(self._programme(names[0]), self._filters.ahead.get(names[0], 0))
            levels |= dict.fromkeys(names, level)
        return {name: level - of_clip for name, level in levels.items()}

    def _band_level(self, own: LongProgramme, ahead: int) -> float:
        self._keep_on()
        with own.opened() as tape:
            return band_level(Part(tape, own.first + ahead, own.last + ahead), self.rate, ONE_KHZ_BAND)

    def _group_measured(self, names: list[str], of_clip: float, at_1khz: Mapping[str, float]) -> list[Draft]:
        filters, own = self._filters, self._programme(names[0])
        files = [RunningLoudness(self.frames, self.rate, 2) for _ in names] if self._match == "file" else []
        peaks = [RunningPeak(2) for _ in names]
        ahead = filters.ahead.get(names[0], 0)
        with own.opened() as tape:
            part, before = self._played(own, tape, ahead)
            if filters.firs[names[0]] is None:
                energies = [filters.meter.energies(part)] * len(names)
                for block in self._plain(part):
                    peaks[0].add(block)
                    for running in files[:1]:
                        running.add(block)
                peaks, files = [peaks[0]] * len(names), files[:1] * len(names)
            else:
                energies = self._filtered(names, part, before, peaks, files, later=own.first + ahead > 0)
        found = []
        for place, name in enumerate(names):
            heard = energies_loudness(energies[place], self.frames, self.rate)
            reference = heard
            if self._match == "file":
                reference = files[place].level()
            elif self._match == "1khz":
                reference = of_clip + filters.level_at_1khz[name] + at_1khz.get(name, 0.0)
            found.append(
                Draft(
                    condition=name,
                    rate=self.rate,
                    shift=own.shift,
                    frames=None,
                    reference=reference,
                    heard=heard,
                    true_peak=peaks[place].level(),
                )
            )
        return found

    def _filtered(
        self,
        names: Sequence[str],
        part: Part,
        before: Floats,
        peaks: Sequence[RunningPeak],
        files: Sequence[RunningLoudness],
        *,
        later: bool,
    ) -> list[Floats]:
        """Return the energies (hops,) of what is heard of each condition; its sound goes to `peaks` and `files`."""
        weighted = [one for name in names if (one := self._filters.weighted[name]) is not None]
        edges = hop_edges(self.frames, self.rate)
        run = FilterRun(part, self._firs(names), weighted, edges, before=before, coarse=not files)
        # What is heard of a file begins out of silence, and what the run sums knows what came before: see `drafts`.
        early = min(int(np.searchsorted(edges, len(weighted[0]))), len(edges) - 1)
        heads: list[list[Floats]] = [[] for _ in names]
        missing, left = int(edges[early]) if later else 0, self.frames
        for made in in_order(self._workers, (partial(run.through, *piece) for piece in run.pieces())):
            self._keep_on()
            left -= len(made.blocks[0])
            for place, block in enumerate(made.blocks):
                fine = None if files else partial(run.fine, made, place)
                # In full where what came before may be louder than all that is played, and where nothing follows.
                whole = fine() if fine and (missing > 0 or left == 0) else block
                peaks[place].add(whole, None if whole is not block else fine)
                if files:
                    files[place].add(block)
                if missing > 0:
                    heads[place].append(whole[:missing].copy())
            missing -= len(made.blocks[0])
            run.give_back(made)
        energies = [sums.sum(axis=1) for sums in run.sums]
        for place, head in enumerate(heads):
            if head:
                energies[place][:early] = self._filters.meter.energies(np.concatenate(head))
        return energies

    def _firs(self, names: Sequence[str]) -> list[Floats]:
        return [fir for name in names if (fir := self._filters.firs[name]) is not None]

    def _plain(self, part: Part) -> Iterator[Floats]:
        for start in range(0, self.frames, BLOCK):
            self._keep_on()
            yield part[start : start + BLOCK]

    def _levels(self, place: Path) -> Levels:
        with WavTape(place, self.frames, 2) as tape:
            return self._filters.meter.levels(tape, full_scale=FULL_SCALE, spread=self._spread)

    def _spread(self, tasks: Iterable[Callable[[], T]]) -> Iterator[T]:
        for made in in_order(self._workers, tasks):
            self._keep_on()
            yield made

    def _once(self, gains: Mapping[str, float], dither: str, places: Mapping[str, Path]) -> dict[str, str]:
        """Write every condition at its gain in dB; return the SHA-256 of each file."""
        hashes = {}
        for names in self._alike(list(gains)):
            hashes.update(self._group_once({name: gains[name] for name in names}, dither, places))
        return hashes

    def _group_once(self, gains: Mapping[str, float], dither: str, places: Mapping[str, Path]) -> dict[str, str]:
        names = list(gains)
        own, noise = self._programme(names[0]), DitherStream(dither, 2)
        files = [_Hashed(places[name], wav_header(self.frames, 2, self.rate)) for name in names]
        ratios = [float(from_db(gains[name])) for name in names]
        try:
            with own.opened() as tape:
                part, before = self._played(own, tape, self._filters.ahead.get(names[0], 0))
                rooms: list[list[Bytes]] = []
                for data in in_order(self._workers, self._blocks_to_write(names, ratios, part, before, noise, rooms)):
                    self._keep_on()
                    for (room, length), file in zip(data, files, strict=True):
                        file.write(room[:length].data)
                    rooms.append([room for room, _ in data])
            return {name: file.finished() for name, file in zip(names, files, strict=True)}
        finally:
            for file in files:
                file.close()

    def _blocks_to_write(
        self,
        names: Sequence[str],
        ratios: Sequence[float],
        part: Part,
        before: Floats,
        noise: DitherStream,
        rooms: list[list[Bytes]],
    ) -> Iterator[Callable[[], "list[tuple[Bytes, int]]"]]:
        """Yield for each block what makes its samples as they lie in a file, and their number, by condition.

        Dither is drawn in the blocks' order. What lies in `rooms` is used again.
        """

        def quantised_all(blocks: Sequence[Floats], drawn: bytes, longest: int) -> list[tuple[Bytes, int]]:
            steps = noise.dither_of(drawn)
            room = rooms.pop() if rooms else [np.empty((longest, 2, 3), dtype=np.uint8) for _ in blocks]
            for block, ratio, places in zip(blocks, ratios, room, strict=True):
                sample_places(quantised(block, steps, gain=ratio), places[: len(block)])
            return [(places, len(blocks[0])) for places in room]

        firs = self._firs(names)
        if not firs:
            for block in self._plain(part):
                yield partial(quantised_all, [block] * len(names), noise.bytes_of(len(block)), BLOCK)
            return
        # Cut as they were when they were measured: another cut would round the last bits differently.
        reach = max(len(one) for name in names if (one := self._filters.weighted[name]) is not None)
        run = FilterRun(part, firs, (), np.zeros(1, dtype=np.int64), before=before, reach=reach)

        def made(start: int, piece: Floats, drawn: bytes) -> list[tuple[Bytes, int]]:
            own = run.through(start, piece)
            data = quantised_all(own.blocks, drawn, run.length_at(0))
            run.give_back(own)
            return data

        for start, piece in run.pieces():
            yield partial(made, start, piece, noise.bytes_of(run.length_at(start)))


class _Hashed:
    """A file under way, and the hash of what it holds."""

    def __init__(self, place: Path, header: bytes) -> None:
        self._file = place.open("wb")
        self._hash = hashlib.sha256()
        self.write(header)

    def write(self, data: bytes | memoryview) -> None:
        self._file.write(data)
        self._hash.update(data)

    def finished(self) -> str:
        """Sync the file to the disk and return the SHA-256 (hex) of its bytes."""
        self._file.flush()
        os.fsync(self._file.fileno())
        return self._hash.hexdigest()

    def close(self) -> None:
        self._file.close()
