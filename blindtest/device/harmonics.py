"""Measured harmonics as a stage: a nonlinearity that gives a sine the harmonics that the bench found.

A parallel Hammerstein model with branches designed by Chebyshev polynomials. T_n(cos q) = cos nq, so a sine of the
drive A comes out of A T_n(x/A) as its n-th harmonic alone; one linear filter per order gives that harmonic its level at
every frequency (Novak et al. 2010, "Nonlinear system identification using exponential swept-sine signal"). At the one
level it is designed for the stage is exact; at other levels a polynomial has its slopes fixed, and `misfit` says by
how much it misses the table there.

What a table of harmonics does not hold, this model has to choose, and says so: the phases (cosine phase unless given),
hence the polarity, and how the orders mix two tones. Two models with the same harmonics, filtered before or after the
nonlinearity, differ by tens of dB in intermodulation; a claim about distortion stands only if it holds for both
topologies and both polarities.
"""

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .harmonic_branches import Branch, Topology, centred_response, designed_branches
from .harmonic_curves import curves_of, levels_of, remarks_of
from .harmonic_misfit import compromise, misfit_of
from .response import Response

if TYPE_CHECKING:
    from pandas import DataFrame

    from blindtest.audio import Frames

__all__ = ["HarmonicStage", "harmonic_stage"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]
RESAMPLING_TAPS = 255
"""Of the low-pass that the oversampled branch begins and ends with, in samples of the programme's rate."""
RESAMPLING_KAISER = 13.0
"""Stop band 130 dB down (Kaiser 1974)."""
HOLD_S = 0.05
"""Half width of the window over which the programme's own peak is taken where it exceeds the table."""
_BLOCK = 1 << 17


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class HarmonicStage:
    """A callable on frames: (n, channels) float64 in, the same with its harmonics added out.

    What exceeds the highest measured drive keeps the ratio of harmonics that was measured there.
    """

    rate: int
    orders: tuple[int, ...]
    drive: float
    """Sine peak at which the harmonics are as in the table, full scale = 1."""
    highest: float
    """Sine peak of the highest measured level: above it the ratio is held."""
    oversampling: int
    topology: Topology
    misfit: "DataFrame"
    """level_db, frequency_hz, order, wanted_db, made_db, error_db: what becomes of every number of the table."""
    remarks: tuple[str, ...]
    branches: tuple[Branch, ...]

    def __call__(self, frames: ArrayLike) -> Floats:
        """Return `frames` (n, channels) with the harmonics added, their mean taken out."""
        sound = np.asarray(frames, dtype=np.float64)
        flat = sound.ndim == 1
        if flat:
            sound = sound[:, None]
        if sound.ndim != 2:
            raise ValueError(f"frames must be (n, channels), got {sound.shape}")
        added = self.products(sound)
        added -= added.mean(axis=0) if len(added) else 0.0
        added += sound
        return added[:, 0] if flat else added

    def products(self, frames: Floats, before: Floats | None = None, after: Floats | None = None) -> Floats:
        """Return what the stage adds to `frames` (n, channels), constant part included.

        `before` and `after` are the programme on both sides; `context` frames of each count, so that a long programme
        can be worked through piece by piece and comes out the same. Where they are left out the programme goes on
        mirrored, so that a tone that was cut has no click at its ends to be distorted; empty arrays mean silence.
        """
        count, channels = frames.shape
        added = np.zeros((count, channels))
        if not count or not self.branches:
            return added
        edge = self.context
        ahead = frames[1 : edge + 1][::-1] if before is None else before
        behind = frames[-edge - 1 : -1][::-1] if after is None else after
        whole = np.concatenate(
            [_fitted(ahead, edge, channels, end=True), frames, _fitted(behind, edge, channels, end=False)]
        )
        strength = self._strength(whole)
        for channel in range(channels):
            column = np.ascontiguousarray(whole[:, channel])
            held = None if strength is None else np.ascontiguousarray(strength[:, channel])
            added[:, channel] = self._column(column, held, count)
        return added

    @property
    def context(self) -> int:
        """Frames on each side that a result depends on."""
        own = max((len(branch.fir) for branch in self.branches if branch.fir is not None), default=1)
        return own // 2 + RESAMPLING_TAPS + 2 * (math.ceil(HOLD_S * self.rate) + 1)

    def _strength(self, whole: Floats) -> Floats | None:
        """Return by how much the programme's own peak exceeds the table (n, channels), at least 1; None if nowhere."""
        sound = np.abs(whole)
        return None if float(sound.max(initial=0.0)) <= self.highest * (1 + 1e-9) else self._held(sound)

    def _held(self, sound: Floats) -> Floats:
        from scipy.ndimage import maximum_filter1d, uniform_filter1d

        width = 2 * math.ceil(HOLD_S * self.rate) + 1
        # The mean over the same window of the running maximum is smooth and never under the signal itself.
        peak = uniform_filter1d(maximum_filter1d(sound, width, axis=0, mode="nearest"), width, axis=0, mode="nearest")
        held: Floats = np.maximum(peak / self.highest, 1.0)
        return held

    def pieces(self, tape: "Frames", begin: int, end: int) -> Iterator[Callable[[], Floats]]:
        """Yield calls that make what the stage adds to the frames from `begin` to `end` of a tape, piece by piece.

        One after the other their results (n, channels) are those of `products`, with what the tape holds around those
        frames. Each reads the tape when it is yielded and may then be called in any thread.
        """
        count, channels, edge = end - begin, tape.shape[1], self.context
        work = self._work(count)
        exceeds = self._exceeds(tape, begin - edge, end + edge)
        for start in range(0, count, work.step):
            window = _window(tape, begin - edge + start, begin - edge + min(start + work.size, count + 2 * edge))
            held = None
            if exceeds:
                # As far around as both running windows reach; at the ends of the whole they repeat its last frame.
                far = 2 * math.ceil(HOLD_S * self.rate) + 1
                first, last = max(0, start - far), min(count + 2 * edge, start + len(window) + far)
                around = _window(tape, begin - edge + first, begin - edge + last)
                held = self._held(np.abs(around))[start - first : start - first + len(window)]
            yield partial(self._piece, work, window, held, min(work.step, count - start), channels)

    def _exceeds(self, tape: "Frames", first: int, last: int) -> bool:
        highest = self.highest * (1 + 1e-9)
        return any(
            float(np.abs(_window(tape, at, min(at + _BLOCK, last))).max(initial=0.0)) > highest
            for at in range(first, last, _BLOCK)
        )

    def _piece(self, work: "_Work", window: Floats, held: Floats | None, length: int, channels: int) -> Floats:
        if not self.branches:
            return np.zeros((length, channels))
        columns = [
            self._made(
                work,
                np.ascontiguousarray(window[:, channel]),
                None if held is None else np.ascontiguousarray(held[:, channel]),
                length,
            )
            for channel in range(channels)
        ]
        return np.stack(columns, axis=1)

    def _column(self, column: Floats, held: Floats | None, count: int) -> Floats:
        work = self._work(count)
        result = np.empty(count)
        for start in range(0, count, work.step):
            length = min(work.step, count - start)
            part = column[start : start + work.size]
            own = None if held is None else held[start : start + work.size]
            result[start : start + length] = self._made(work, part, own, length)
        return result

    def _work(self, count: int) -> "_Work":
        from scipy.fft import next_fast_len

        edge = self.context
        size = next_fast_len(min(max(_BLOCK, 4 * edge), count + 2 * edge), real=True)
        return _Work(
            size=size,
            step=size - 2 * edge,
            low_pass=_low_pass(size),
            responses=tuple(
                None if branch.fir is None else centred_response(branch.fir, size) for branch in self.branches
            ),
        )

    def _made(self, work: "_Work", part: Floats, held: Floats | None, length: int) -> Floats:
        """Return `length` products of a part (at most `size`,) that begins `context` frames ahead of them."""
        from scipy.fft import irfft, rfft

        edge, factor, size = self.context, self.oversampling, work.size
        piece = np.zeros(size)
        piece[: len(part)] = part
        strength = None
        if held is not None:
            strength = np.ones(size)
            strength[: len(part)] = held
            piece /= strength
        spectrum = rfft(piece)
        low = spectrum * work.low_pass
        total = np.zeros(len(spectrum), dtype=np.complex128)
        shared = None if self.topology == "before" else irfft(_padded(low, size, factor), factor * size) * factor
        for branch, response in zip(self.branches, work.responses, strict=True):
            if shared is not None:
                fine = shared
            else:
                filtered = low if response is None else low * response
                fine = irfft(_padded(filtered, size, factor), factor * size) * factor
            made = rfft(branch.bent(fine / self.drive))[: len(spectrum)] / factor
            if response is not None and self.topology == "after":
                made *= response
            total += (branch.gain * self.drive) * made
        made_here = irfft(total * work.low_pass, size)
        if strength is not None:
            made_here *= strength
        result: Floats = made_here[edge : edge + length]
        return result


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Work:
    """What all pieces of a programme share."""

    size: int
    step: int
    low_pass: Floats
    responses: tuple[Complex | None, ...]


def _window(tape: "Frames", first: int, last: int) -> Floats:
    """Return the frames (n, channels) of a tape from `first` to `last`, silence outside its ends."""
    window = np.zeros((last - first, tape.shape[1]))
    inside = slice(max(0, first), max(0, min(last, tape.shape[0])))
    if inside.start < inside.stop:
        window[inside.start - first : inside.stop - first] = tape[inside]
    return window


def harmonic_stage(
    table: "Mapping[int, float] | DataFrame",
    rate: int,
    *,
    phase: Mapping[int, float] | None = None,
    drive: float = 1.0,
    design_level_db: float | None = None,
    scale_db: float = 0.0,
    polarity: Literal[1, -1] = 1,
    topology: Topology = "after",
    response: Response | None = None,
    fit: Literal["level", "levels"] = "level",
) -> HarmonicStage:
    """Return the stage that gives a sine the harmonics of `table`.

    Parameters
    ----------
    table : {order: dB re fundamental}, alike at all frequencies, or a DataFrame with frequency_hz, level_db, order and
        distortion_db (and phase_deg), as `read_harmonics` returns it
    rate : int, Hz
    phase : {order: rad}, optional
        Of each harmonic where a cosine fundamental has its peak; 0 where left out and not in the table. pi inverts.
    drive : float
        Sine peak, full scale = 1, at which the table holds: of its level `design_level_db`.
    design_level_db : float, optional
        The level of the table that is met exactly; the nearest one is taken; the highest if left out.
    scale_db : float
        Turns all distortion up or down, for thresholds.
    polarity : 1 or -1
        -1 turns the device round: even orders change their sign.
    topology : "after" or "before"
        Where the filters stand: behind the nonlinearity, or ahead of it.
    response : Response, optional
        Of the device, where the table was measured acoustically behind it and the stage stands ahead of it: order n
        is referred back by response(f) / response(nf).
    fit : "level" or "levels"
        Exact at the one level, or the least-squares compromise over all levels of the table (no coefficient more than
        20 dB from the exact one).

    Raises
    ------
    ValueError
        Unknown arguments, orders or levels that no harmonic can have.

    Notes
    -----
    Oversampling by (N + 1)/2 or more keeps every alias of order N out of the programme's band, since what folds back
    at the higher rate ends above it; the low-pass at both ends is 130 dB down. The highest 5 % of the band drive no
    harmonics: those would lie far above it. The constant that even orders bring is taken out.
    """
    _refuse_arguments(rate, drive, polarity, topology, fit)
    curves = curves_of(table)
    if not curves:
        raise ValueError("the table holds no harmonics")
    remarks = list(remarks_of(table))
    levels = levels_of(curves)
    design = levels[-1] if design_level_db is None else min(levels, key=lambda one: abs(one - design_level_db))
    if design_level_db is not None and design != design_level_db:
        remarks.append(f"designed at {design:g} dB, the measured level nearest to {design_level_db:g} dB")
    wanted = {order: curve for (level, order), curve in curves.items() if level == design}
    wanted = {order: curve.turned((phase or {}).get(order), polarity) for order, curve in wanted.items()}
    asked = dict(wanted)
    if fit == "levels" and len(levels) > 1:
        wanted = compromise(curves, wanted, design)
        remarks.append("a compromise over all levels of the table: exact at none")
    scaled = {order: curve.raised(scale_db) for order, curve in wanted.items()}
    branches = designed_branches(scaled, rate, topology=topology, response=response)
    for order, curve in wanted.items():
        if order * curve.lowest_hz > rate / 2:
            remarks.append(f"order {order} lies above half the rate at every frequency and can't be rendered")
    misfit = misfit_of(
        branches, curves, asked, rate, topology=topology, design=design, scale_db=scale_db, response=response
    )
    return HarmonicStage(
        rate=rate,
        orders=tuple(sorted(wanted)),
        drive=drive,
        highest=drive * 10 ** ((levels[-1] - design) / 20),
        oversampling=max(2, math.ceil((max(wanted) + 1) / 2)),
        topology=topology,
        misfit=misfit,
        remarks=tuple(remarks),
        branches=branches,
    )


def _refuse_arguments(rate: int, drive: float, polarity: int, topology: str, fit: str) -> None:
    if rate <= 0:
        raise ValueError(f"rate must be positive, got {rate}")
    if not drive > 0:
        raise ValueError(f"drive must be a sine's peak above 0, got {drive}")
    if polarity not in (1, -1):
        raise ValueError(f"polarity must be 1 or -1, got {polarity!r}")
    if topology not in ("after", "before"):
        raise ValueError(f"topology must be 'after' or 'before', got {topology!r}")
    if fit not in ("level", "levels"):
        raise ValueError(f"fit must be 'level' or 'levels', got {fit!r}")


def _low_pass(size: int) -> Floats:
    """Return the zero-phase low-pass (size/2 + 1,) of both ends: flat to 45 % of the rate, nothing from half of it."""
    places = np.arange(RESAMPLING_TAPS) - RESAMPLING_TAPS // 2
    taps = 0.95 * np.sinc(0.95 * places) * np.kaiser(RESAMPLING_TAPS, RESAMPLING_KAISER)
    return centred_response(taps / taps.sum(), size).real


def _padded(spectrum: Complex, size: int, factor: int) -> Complex:
    padded = np.zeros(factor * size // 2 + 1, dtype=np.complex128)
    padded[: len(spectrum)] = spectrum
    return padded


def _fitted(frames: Floats, count: int, channels: int, *, end: bool) -> Floats:
    """Return `count` frames: the last (`end`) or the first of `frames`, silence where there are fewer."""
    fitted = np.zeros((count, channels))
    part = frames[-count:] if end else frames[:count]
    fitted[slice(count - len(part), count) if end else slice(0, len(part))] = part
    return fitted
