"""The filters of a job: designed once for each sample rate, by the length rule, and shared by all its clips."""

import math
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from blindtest.audio import KeptSpectra, Meter
from blindtest.device import checked_fir, minimum_phase_fir, taps_for
from blindtest.errors import BlindtestError

from .binaural_stage import BinauralStage
from .chain import Condition
from .curves import CommonCurve, condition_curve_db
from .distortion import DistortionStage
from .drafts import Draft, Filters, drafts
from .grid import display_grid
from .imbalance_stage import ImbalanceStage
from .job import RenderJob
from .long_clips import LongClip, streams
from .long_programmes import LongProgrammes
from .phase_stage import ExcessPhaseStage
from .playback import heard_curve_db
from .programme import CLIP, ClipSource, read_programmes
from .workers import all_of

__all__ = ["Bench", "FilterCurve"]

LONGEST = 8
"""A filter is doubled up to this many times its first length, then refused; our rule."""
SHORTEST_TRANSFORM = 1 << 18
"""Points of the transform that curves are read on; that of `minimum_phase_fir`."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False, kw_only=True)
class FilterCurve:
    """What a condition applies to the clip before its gain: level (bins,) dB over frequency (bins,) Hz."""

    frequency: Floats
    rate: int
    """Of the first clip."""
    taps: int
    """1 for the unit impulse."""
    reading: Callable[[], Floats]
    design: Callable[[], Floats]

    @cached_property
    def magnitude_db(self) -> Floats:
        """The levels (bins,) themselves, read when asked for: who renders or listens needs none."""
        return self.reading()

    @cached_property
    def fir(self) -> Floats:
        """The filter (taps,) itself, designed when asked for."""
        return self.design()


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Made:
    """What was made for one rate: by condition, and what measures a file as it is heard (see `Filters`)."""

    firs: Mapping[str, Floats | None]
    ahead: Mapping[str, int]
    weighted: Mapping[str, Floats | None]
    meter: Meter
    kept: KeptSpectra


class Bench:
    """The filters of a job, made once for each rate, and the way from a clip to its drafts."""

    def __init__(
        self,
        job: RenderJob,
        common: CommonCurve,
        band_hz: tuple[float, float],
        fixed_taps: Mapping[int, int],
        scratch: Path,
    ) -> None:
        self._job = job
        self._common = common
        self._band = band_hz
        self._fixed_taps = dict(fixed_taps)
        self._scratch = scratch
        self._long: tuple[str, LongClip] | None = None
        self._lock = threading.Lock()
        self._made: dict[int, _Made] = {}
        self.taps_used: dict[int, int] = {}
        self.stop = threading.Event()

    def drafts(self, source: ClipSource, conditions: Sequence[str]) -> Iterator[Draft]:
        """Yield the draft of each of a clip's `conditions`, until `stop` is set."""
        programmes = read_programmes(source, self._recordings(source.id), self._job.rate_hz)
        filters = self._filters(source.id, programmes[CLIP].rate)
        for draft in drafts(programmes, filters, conditions, self._job.match):
            self._keep_on()
            yield draft

    def streams(self, source: ClipSource) -> bool:
        """Return whether a clip is so long that it is streamed from file to file."""
        return streams(source)

    def long_clip(self, source: ClipSource, workers: int) -> LongClip:
        """Return a clip that is streamed, by so many threads, until `stop` is set.

        What was stored of it on the disk is kept until another one is asked for, or `close`.
        """
        if self._long is None or self._long[0] != source.id:
            self.close()
            programmes = LongProgrammes(
                source, self._recordings(source.id), self._job.rate_hz, self._scratch, workers, self._keep_on
            )
            filters = self._filters(source.id, programmes.rate)
            self._long = source.id, LongClip(programmes, filters, self._job.match, self._keep_on, workers)
        return self._long[1]

    def close(self) -> None:
        """Give back what was stored on the disk."""
        if self._long is not None:
            self._long[1].close()
        self._long = None

    def _keep_on(self) -> None:
        if self.stop.is_set():
            raise InterruptedError("rendering was stopped")

    def meter(self, rate: int) -> Meter:
        """Return what measures a file as it is heard."""
        return self._designed(rate).meter

    def curve(self, condition: Condition, rate: int) -> FilterCurve:
        """Return what a condition applies, to be shown."""
        frequency = display_grid()
        taps = self._fixed_taps.get(rate, self.taps_used.get(rate, taps_for(rate))) if condition.filtered else 1

        def design() -> Floats:
            return np.ones(1) if not condition.filtered else self._long_enough(condition, rate, taps)

        return FilterCurve(
            frequency=frequency,
            rate=rate,
            taps=taps,
            reading=lambda: condition_curve_db(
                condition.at_rate(rate), self._job.playback, self._common, self._band, frequency
            ),
            design=design,
        )

    def _recordings(self, clip: str) -> dict[Path, bool]:
        stages = [condition.recording for condition in self._job.conditions]
        return {stage.files[clip]: stage.align for stage in stages if stage is not None}

    def _filters(self, clip: str, rate: int) -> Filters:
        made = self._designed(rate)
        return Filters(
            programme={
                condition.id: CLIP if condition.recording is None else condition.recording.files[clip]
                for condition in self._job.conditions
            },
            distortion={
                condition.id: condition.distortion
                for condition in self._job.conditions
                if isinstance(condition.distortion, DistortionStage)
            },
            ahead=made.ahead,
            firs=made.firs,
            weighted=made.weighted,
            meter=made.meter,
            level_at_1khz=self._level_at_1khz,
            kept=made.kept,
        )

    @cached_property
    def _level_at_1khz(self) -> dict[str, float]:
        if self._job.match != "1khz":
            return {}
        khz = np.array([1000.0])
        return {
            condition.id: float(condition_curve_db(condition, self._job.playback, self._common, self._band, khz)[0])
            for condition in self._job.conditions
        }

    def _designed(self, rate: int) -> "_Made":
        with self._lock:
            if rate not in self._made:
                self._made[rate] = self._design(rate)
            return self._made[rate]

    def _design(self, rate: int) -> "_Made":
        taps = self._fixed_taps.get(rate, taps_for(rate))
        filtered = [condition for condition in self._job.conditions if condition.filtered]
        firs: dict[str, Floats | None] = {condition.id: None for condition in self._job.conditions}
        with ThreadPoolExecutor(max_workers=2) as pool:
            made = all_of(pool, [(self._long_enough, condition, rate, taps) for condition in filtered])
        longest = max((len(fir) for fir in made), default=taps)
        for condition, fir in zip(filtered, made, strict=True):
            # One length for all; but a length that was fixed before stays, and only a device added later is longer.
            short = rate not in self._fixed_taps and len(fir) < longest
            firs[condition.id] = self._fir(condition, rate, longest) if short else fir
        self.taps_used[rate] = self._fixed_taps.get(rate, longest)
        # What follows keeps the length that the first rendering began with, also where its filters had to be longer and
        # that length was fixed: rendered again, everything comes out as it did, byte for byte.
        taps = taps_for(rate)
        ahead: dict[str, int] = {}
        for condition in self._job.conditions:
            if isinstance(condition.excess_phase, ExcessPhaseStage):
                ahead[condition.id] = taps // 2
                try:
                    centred = condition.excess_phase.fir(rate, taps)
                except BlindtestError as error:
                    own = (replace(fault, key=f"condition.{condition.id}") for fault in error.faults)
                    raise BlindtestError(*own) from None
                firs[condition.id] = _behind(firs[condition.id], centred)
            if isinstance(condition.binaural, BinauralStage):
                ahead[condition.id] = condition.binaural.ahead(rate)
                firs[condition.id] = _through(firs[condition.id], condition.binaural.matrix(rate))
        frequency = _bins(rate, taps)
        heard = heard_curve_db(self._job.playback, frequency)
        flat = heard is None or float(np.ptp(heard)) == 0.0
        meter = Meter(rate, None if heard is None or flat else minimum_phase_fir(frequency, heard, rate, taps))
        weighted = {name: None if fir is None else _weighted(meter, fir) for name, fir in firs.items()}
        return _Made(firs=firs, ahead=ahead, weighted=weighted, meter=meter, kept=KeptSpectra())

    def _long_enough(self, condition: Condition, rate: int, taps: int) -> Floats:
        for doubled in range(int(math.log2(LONGEST)) + 1):
            frequency, sides = self._curves_on_bins(condition, rate, taps << doubled)
            designed = [checked_fir(frequency, wanted, rate, taps << doubled) for wanted in sides]
            short = [check for _, check in designed if not check.holds]
            if not short:
                return _columns([fir for fir, _ in designed])
        fault = short[0].fault(f"condition.{condition.id}")
        assert fault is not None
        raise BlindtestError(fault)

    def _fir(self, condition: Condition, rate: int, taps: int) -> Floats:
        frequency, sides = self._curves_on_bins(condition, rate, taps)
        return _columns([minimum_phase_fir(frequency, wanted, rate, taps) for wanted in sides])

    def _without(self, level: Floats, curve: Floats, frequency: Floats) -> Floats:
        """Return what is left of a curve without `level`; outside the band never more boost than the most within."""
        low, high = self._band
        left = curve - level
        limited: Floats = np.minimum(left, left[(frequency >= low) & (frequency <= high)].max())
        return limited

    def _curves_on_bins(self, condition: Condition, rate: int, taps: int) -> tuple[Floats, list[Floats]]:
        """Return frequencies, and the curve of both channels, or where they differ of left and right."""
        frequency = _bins(rate, taps)
        own = condition.at_rate(rate)
        curve = condition_curve_db(own, self._job.playback, self._common, self._band, frequency)
        if condition.binaural is not None:  # its level comes with the matrix, which `_design` puts behind this filter
            curve = self._without(condition.binaural.level_db(frequency), curve, frequency)
        if not isinstance(condition.imbalance, ImbalanceStage):
            return frequency, [curve]
        return frequency, [curve + side for side in condition.imbalance.sides_db(frequency, self._band).T]


def _columns(firs: Sequence[Floats]) -> Floats:
    """Return one filter as it is (taps,), two as columns of left and right (taps, 2)."""
    return firs[0] if len(firs) == 1 else np.stack(firs, axis=1)


def _weighted(meter: Meter, fir: Floats) -> Floats:
    """Return a filter of any shape with the meter's behind it."""
    columns = [meter.weighted_after(one) for one in fir.reshape(len(fir), -1).T]
    return np.stack(columns, axis=1).reshape(-1, *fir.shape[1:]) if fir.ndim > 1 else columns[0]


def _through(fir: Floats | None, matrix: Floats) -> Floats:
    """Return a matrix (taps, ear, loudspeaker) behind a filter (taps,)."""
    from scipy.signal import fftconvolve

    assert fir is not None
    joined: Floats = fftconvolve(fir[:, None, None], matrix, axes=0)
    return joined


def _behind(fir: Floats | None, centred: Floats) -> Floats:
    """Return a chain's filter with a centred one behind it; its delay is what the programme is read ahead by."""
    if fir is None:
        return centred
    from scipy.signal import fftconvolve

    columns = fir[:, None] if fir.ndim == 1 else fir
    joined: Floats = fftconvolve(columns, centred[:, None], axes=0)
    return joined[:, 0] if fir.ndim == 1 else joined


def _bins(rate: int, taps: int) -> Floats:
    """Return the bins of the transform that a filter is designed on, 0 Hz left out: no reading between points."""
    length = max(SHORTEST_TRANSFORM, 1 << math.ceil(math.log2(8 * taps)))
    return np.arange(1, length // 2 + 1, dtype=np.float64) * (rate / length)
