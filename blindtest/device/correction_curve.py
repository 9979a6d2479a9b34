"""The level curve of a correction: what would bring a device to its target, and where that is held back.

Everything is counted in dB from a common level: response and target are each brought to a mean of 0 dB over the
alignment band (every octave counting alike), so that a constant added to either changes nothing. With r the response
less the target, a correction would be -r; it is held back, and only held back, where

- r dips narrowly: it is followed down to 0.5 dB under its surroundings and no further (`notches`),
- the seatings lie too far apart to be sure of a dip (`correction_limits`, where the spread is known),
- the boost would pass its limit, which is approached by a knee of 2 dB (narrower where the limit is under 2 dB),
- the frequency lies outside the band: 0 dB from 1/3 octave outside it, blended in between by half a cosine; and so
  inside a band that is left out.

In the words of regularised inversion, C = H / (H^2 + beta) with H the response over the target (Kirkeby and Nelson
1999, "Digital filter design for inversion problems in sound reproduction", JAES 47, 583-595): beta is 0 where the
inverse is full, and grows where it is held back. A beta that is the same everywhere would take from every frequency
(0.5 dB at r = 0 for a limit of 6 dB).
"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blindtest.errors import BlindtestError, Fault

from .correction_limits import (
    BLEND_OCTAVES,
    Limits,
    Uncertain,
    band_weight,
    runs,
    spread_of,
    surely_missing,
    uncertain_bands,
)
from .notches import notch_floor_db, smooth_minimum
from .response import Response, SeatingAverage, channel_mean, interpolated, level_at, level_between, smooth

__all__ = [
    "ALIGN_HZ",
    "BAND_HZ",
    "MAX_BOOST_DB",
    "SMOOTHING_OCTAVES",
    "UNLIMITED_DB",
    "CorrectionCurve",
    "HeldBack",
    "WantedCorrection",
    "correction_curve",
    "limited_curve",
    "wanted_correction",
]

Floats = NDArray[np.float64]
Band = tuple[float, float]

ALIGN_HZ: Band = (300.0, 3000.0)
BAND_HZ: Band = (20.0, 10_000.0)
"""Where a response taken on an ear simulator can be trusted (IEC 60318-4)."""
MAX_BOOST_DB = 6.0
UNLIMITED_DB = 120.0
"""Stands for no limit of the boost."""
SMOOTHING_OCTAVES = 1 / 12
"""Ripple narrower than this is not the device's but the seating's; our rule."""
BOOST_KNEE_DB = 1.0
NOTCH_KNEE_DB = 0.25
HELD_BACK_DB = 1.0
"""A correction that falls short of the full one by more than this is reported; our rule."""

_POINTS_PER_OCTAVE = 96
_MARGIN_OCTAVES = 1.0
_LEAST_OCTAVES = 1 / 3
_APART_OCTAVES = 1 / 8
"""Bands nearer than this are reported as one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldBack:
    """A band in which a correction stays short of the full one."""

    by: Literal["notch", "boost", "spread"]
    """A dip too narrow to be filled, the limit of the boost, or seatings too far apart to be sure of the dip."""
    low_hz: float
    high_hz: float
    worst_db: float
    """How deep a dip is left of the measured response, at the worst frequency; positive."""

    def to_dict(self) -> dict[str, object]:
        """Return what JSON can hold."""
        return {"by": self.by, "low_hz": self.low_hz, "high_hz": self.high_hz, "worst_db": self.worst_db}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CorrectionCurve:
    """The level curve of a correction, before it is made a filter of any rate."""

    frequency: Floats
    """(bins,) Hz in equal steps on log f, from 1/3 octave under the band to 1/3 octave above it."""
    gain_db: Floats
    """(bins,) dB; 0 at both ends, and outside."""
    response_db: Floats
    """(bins,) dB, as measured: mean of the channels, 0 dB on average over `align_hz`, its ends held."""
    target_db: Floats
    """(bins,) dB, alike."""
    beta: Floats
    """(bins,) The regularisation that the rules amount to, of the full inverse's 1; outside the band it is blended."""
    held_back: tuple[HeldBack, ...]
    """Inside the band, by frequency."""
    align_hz: Band
    band_hz: Band
    """As used: what both curves cover of the band that was asked for."""
    max_boost_db: float
    remarks: tuple[str, ...] = ()
    uncertain: tuple[Uncertain, ...] = ()
    """Where the seatings lie too far apart to say what there is to correct."""
    without_hz: tuple[Band, ...] = ()
    """Where the correction was switched off."""

    def __post_init__(self) -> None:
        for name in ("frequency", "gain_db", "response_db", "target_db", "beta"):
            view = np.asarray(getattr(self, name), dtype=np.float64).view()
            view.flags.writeable = False
            object.__setattr__(self, name, view)

    def gain_at(self, frequency: ArrayLike) -> Floats:
        """Return the gain (points,) in dB at `frequency` (points,) Hz, any order; 0 dB outside the curve."""
        return level_at(self.frequency, self.gain_db, frequency)

    @property
    def inside(self) -> NDArray[np.bool_]:
        """Which bins lie inside the band, (bins,)."""
        low, high = self.band_hz
        return (self.frequency >= low * (1 - 1e-9)) & (self.frequency <= high * (1 + 1e-9))


def correction_curve(
    response: Response | SeatingAverage,
    target: Response,
    *,
    align_hz: Band = ALIGN_HZ,
    band_hz: Band = BAND_HZ,
    max_boost_db: float = MAX_BOOST_DB,
    smoothing: float | None = SMOOTHING_OCTAVES,
    limits: Limits | None = None,
) -> CorrectionCurve:
    """Return the level curve that brings `response` towards `target`, by the rules of this module.

    Parameters
    ----------
    response : Response or SeatingAverage
        Of an average over several seatings the spread is known, and holds boosts back (`limits` may say otherwise).
    align_hz : (low, high), Hz
        Where both are brought to the same mean level; both have to cover it.
    band_hz : (low, high), Hz
        What is corrected. Where one of the curves doesn't cover it, it is narrowed, and a remark says so.
    max_boost_db : float, dB
        Largest gain; 0 cuts only.
    smoothing : float or None, octaves
        What is narrower than this is left alone; None corrects the curve as it is. The mean power over the window, and
        once more of what that left, so that the peaks of resonances aren't flattened (Tukey 1977, "twicing": a
        resonance of 10 dB and Q 3 loses 0.001 dB instead of 0.05 dB).
    limits : Limits
        What holds it back beside that: a limit over frequency, the spread over seatings, bands that are left out.

    Raises
    ------
    BlindtestError
        The curves are of different rigs, or don't cover the alignment band or enough of the band.
    """
    wanted = wanted_correction(response, target, align_hz, band_hz, max_boost_db, smoothing, limits)
    return limited_curve(wanted, max_boost_db, max_boost_db)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class WantedCorrection:
    """What a correction would be, before its boost is limited."""

    frequency: Floats
    """(bins,) Hz, an octave beyond the band on both sides."""
    step: float
    response_db: Floats
    target_db: Floats
    difference_db: Floats
    """Response less target, smoothed."""
    filled_db: Floats
    """The gain that inverts it but for narrow dips."""
    sure_db: Floats
    """Of that, what the seatings agree on."""
    limits: Limits
    align_hz: Band
    band_hz: Band
    remarks: tuple[str, ...]


def wanted_correction(
    response: Response | SeatingAverage,
    target: Response,
    align_hz: Band,
    band_hz: Band,
    max_boost_db: float,
    smoothing: float | None,
    limits: Limits | None = None,
) -> WantedCorrection:
    """Return what would be corrected if boost had no limit; arguments and errors as for `correction_curve`."""
    limits = Limits() if limits is None else limits
    if isinstance(response, SeatingAverage):
        if limits.spread is None:
            limits = replace(limits, spread=spread_of(response))
        response = response.response
    _refuse_numbers(align_hz, band_hz, max_boost_db, response, target)
    band, remarks = _covered(response, target, align_hz, band_hz)
    work, step = _grid(band)
    device, goal = (_aligned(one, align_hz) for one in (response, target))
    difference = _smoothed_difference(device, goal, work, smoothing)
    filled = -difference
    if limits.notches:
        filled = smooth_minimum(filled, -notch_floor_db(work, difference), NOTCH_KNEE_DB)
    spread = limits.spread_db(work)
    return WantedCorrection(
        frequency=work,
        step=step,
        response_db=interpolated(device, work)[:, 0],
        target_db=interpolated(goal, work)[:, 0],
        difference_db=difference,
        filled_db=filled,
        sure_db=filled if spread is None else surely_missing(filled, spread, limits.spread_sd),
        limits=limits,
        align_hz=align_hz,
        band_hz=band,
        remarks=remarks,
    )


def limited_curve(wanted: WantedCorrection, limit_db: float, max_boost_db: float, *remarks: str) -> CorrectionCurve:
    """Return the curve whose boost is held under `limit_db`, and which is 0 dB outside the band."""
    full, filled, band, limits = -wanted.difference_db, wanted.filled_db, wanted.band_hz, wanted.limits
    knee = min(BOOST_KNEE_DB, max_boost_db / 2)
    if limits.boost is None:
        limited = smooth_minimum(wanted.sure_db, np.full(len(filled), limit_db), knee)
    else:
        limited = _under(wanted.sure_db, limits.boost_db(wanted.frequency, limit_db), knee)
    applied = limits.applied(wanted.frequency)
    gain = limited * band_weight(wanted.frequency, band) * applied
    left = wanted.target_db - wanted.response_db - gain
    held_back = [
        *_held_back("notch", wanted.frequency, (full - filled) * applied, left, band),
        *_held_back("spread", wanted.frequency, (filled - wanted.sure_db) * applied, left, band),
        *_held_back("boost", wanted.frequency, (wanted.sure_db - limited) * applied, left, band),
    ]
    kept = _kept(wanted)
    return CorrectionCurve(
        frequency=wanted.frequency[kept],
        gain_db=gain[kept],
        response_db=wanted.response_db[kept],
        target_db=wanted.target_db[kept],
        beta=10 ** (-full[kept] / 10) * (10 ** ((full - limited)[kept] / 20) - 1),
        held_back=tuple(sorted(held_back, key=lambda one: one.low_hz)),
        align_hz=wanted.align_hz,
        band_hz=band,
        max_boost_db=float(max_boost_db),
        remarks=(*wanted.remarks, *remarks),
        uncertain=uncertain_bands(wanted.frequency, limits.spread_db(wanted.frequency), band),
        without_hz=limits.without_hz,
    )


def _under(gain: Floats, limit: Floats, knee_db: float) -> Floats:
    """Return a gain held under a limit that depends on frequency, (bins,) dB, rounded off where both are near.

    As `smooth_minimum`, but where the limit is low the knee is narrow, so that a cut stays as it is.
    """
    knee = np.minimum(knee_db, limit / 2)
    narrow = knee < 1e-9
    rounded = np.where(narrow, 1.0, knee)
    near = np.maximum(rounded - np.abs(gain - limit), 0.0)
    smaller = np.minimum(gain, limit)
    return np.asarray(np.where(narrow, smaller, smaller - near**2 / (4 * rounded)), dtype=np.float64)


def _refuse_numbers(align: Band, band: Band, max_boost_db: float, response: Response, target: Response) -> None:
    for name, (low, high) in (("align_hz", align), ("band_hz", band)):
        if not 0 < low < high < np.inf:
            raise ValueError(f"{name} must be two frequencies, the lower first, got {(low, high)}")
    if not 0 <= max_boost_db < np.inf:
        raise ValueError(f"max_boost_db must be 0 or more, got {max_boost_db}")
    for one in (response, target):
        if not np.all(np.isfinite(one.magnitude)):
            raise ValueError("all levels must be finite")


def _covered(response: Response, target: Response, align: Band, band: Band) -> tuple[Band, tuple[str, ...]]:
    """Return what of `band` both curves cover, and a remark where that is less."""
    faults = []
    if response.rig and target.rig and response.rig != target.rig:
        faults.append(
            Fault(
                file=", ".join(target.sources),
                problem="responses of different rigs are never combined",
                got=target.rig,
                allowed=response.rig,
                remedy="use a target made for the rig that the unit was measured on",
            )
        )
    for what, one in (("response", response), ("target", target)):
        lowest, highest = float(one.frequency[0]), float(one.frequency[-1])
        if lowest > align[0] * (1 + 1e-6) or highest < align[1] * (1 - 1e-6):
            faults.append(
                Fault(
                    file=", ".join(one.sources),
                    key="align_hz",
                    problem=f"the {what} doesn't cover the band over which levels are aligned",
                    got=list(align),
                    allowed=f"within {lowest:g} to {highest:g} Hz",
                    remedy="align over a band that response and target both cover",
                )
            )
    low = max(band[0], float(response.frequency[0]), float(target.frequency[0]))
    high = min(band[1], float(response.frequency[-1]), float(target.frequency[-1]))
    if high <= low * 2**_LEAST_OCTAVES:
        faults.append(
            Fault(
                key="band_hz",
                problem="there is less than 1/3 octave to correct",
                got=list(band),
                allowed=f"more, within what response and target cover: "
                f"{max(response.frequency[0], target.frequency[0]):g} to "
                f"{min(response.frequency[-1], target.frequency[-1]):g} Hz",
                remedy="widen the band, or measure more of the unit",
            )
        )
    if faults:
        raise BlindtestError.of(faults)
    if low > band[0] * 1.01 or high < band[1] * 0.99:
        return (low, high), (
            f"corrected from {low:g} to {high:g} Hz, not from {band[0]:g} to {band[1]:g} Hz: "
            "response and target cover no more",
        )
    return (low, high), ()


def _grid(band: Band) -> tuple[Floats, float]:
    """Return frequencies in equal steps on log f that hold both edges, an octave beyond each; and the step, octaves."""
    octaves = float(np.log2(band[1] / band[0]))
    steps = int(np.ceil(octaves * _POINTS_PER_OCTAVE))
    step = octaves / steps
    beyond = int(np.ceil(_MARGIN_OCTAVES / step))
    grid = np.asarray(band[0] * 2.0 ** (np.arange(-beyond, steps + beyond + 1) * step), dtype=np.float64)
    grid[beyond + steps] = band[1]
    return grid, step


def _kept(wanted: WantedCorrection) -> slice:
    """Which bins of the working grid the curve keeps: up to the first on each side where the gain is 0 dB."""
    beyond = int(np.ceil(BLEND_OCTAVES / wanted.step))
    first, last = (int(np.argmin(np.abs(np.log(wanted.frequency / edge)))) for edge in wanted.band_hz)
    return slice(first - beyond, last + beyond + 1)


def _aligned(response: Response, align: Band) -> Response:
    mean = channel_mean(response)
    return Response(
        frequency=mean.frequency,
        magnitude=mean.magnitude - level_between(mean.frequency, mean.magnitude[:, 0], *align),
    )


def _smoothed_difference(device: Response, wanted: Response, work: Floats, smoothing: float | None) -> Floats:
    if smoothing is None:
        plain: Floats = interpolated(device, work)[:, 0] - interpolated(wanted, work)[:, 0]
        return plain
    # Every measured point counts in the means, wherever it lies between those of the working grid.
    points = np.concatenate((device.frequency, wanted.frequency))
    points = points[(points > work[0]) & (points < work[-1])]
    fine = np.union1d(work, points)
    raw = Response(frequency=fine, magnitude=interpolated(device, fine) - interpolated(wanted, fine))
    once = smooth(raw, smoothing)
    left = smooth(Response(frequency=fine, magnitude=raw.magnitude - once.magnitude), smoothing)
    return np.asarray((once.magnitude + left.magnitude)[np.searchsorted(fine, work), 0], dtype=np.float64)


def _held_back(
    by: Literal["notch", "boost", "spread"], frequency: Floats, short: Floats, left: Floats, band: Band
) -> list[HeldBack]:
    """Return the bands in which one rule takes over 1 dB, each with the deepest dip that is `left` in it."""
    inside = (frequency >= band[0]) & (frequency <= band[1])
    return [
        HeldBack(
            by=by,
            low_hz=float(frequency[first]),
            high_hz=float(frequency[end - 1]),
            worst_db=float(left[first:end].max()),
        )
        for first, end in runs(frequency, (short > HELD_BACK_DB) & inside, _APART_OCTAVES)
    ]
