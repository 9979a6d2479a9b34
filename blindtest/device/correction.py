"""Corrections: the filter that brings a measured device towards a target, and what it leaves.

Its level curve is that of `correction_curve`. The filter is minimum phase, so that it also takes back the phase of a
minimum-phase device, and doesn't ring before the event. Left and right get the same: per-ear filters would turn the
noise of seating into shifts of the image.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .correction_curve import (
    ALIGN_HZ,
    BAND_HZ,
    MAX_BOOST_DB,
    SMOOTHING_OCTAVES,
    UNLIMITED_DB,
    CorrectionCurve,
    HeldBack,
    WantedCorrection,
    limited_curve,
    wanted_correction,
)
from .correction_limits import Limits, Uncertain
from .fir import LengthCheck, check_length, minimum_phase_fir, taps_for
from .response import Response, SeatingAverage

__all__ = ["BandError", "Correction", "FirCorrection", "correction_fir"]

Floats = NDArray[np.float64]
Band = tuple[float, float]

_SHORTEST_TRANSFORM = 1 << 18
_OVERSHOOT_DB = 0.005
_LIMIT_ROUNDS = 4


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class BandError:
    """What a correction leaves in an octave."""

    low_hz: float
    high_hz: float
    rms_db: float
    worst_db: float
    """Of the largest size, with its sign."""

    def to_dict(self) -> dict[str, object]:
        """Return what JSON can hold."""
        return {"low_hz": self.low_hz, "high_hz": self.high_hz, "rms_db": self.rms_db, "worst_db": self.worst_db}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Correction:
    """A correction as a filter: what it does, and what it leaves, inside its band.

    All curves stand over `frequency`; `curve` goes on outside the band.
    """

    frequency: Floats
    """(bins,) Hz in equal steps on log f, both edges of the band included."""
    response_db: Floats
    """(bins,) dB, as measured, 0 dB on average over the alignment band."""
    target_db: Floats
    """(bins,) dB, alike, plus `level_db`."""
    gain_db: Floats
    """(bins,) dB: what the filter itself does, its length included."""
    error_db: Floats
    """(bins,) dB: response + gain - target; negative where too little is left to be heard."""
    rate: int
    """Hz"""
    headroom_db: float
    """Highest gain of the filter at any frequency, at least 0: how far the programme has to be lowered before it."""
    curve: CorrectionCurve
    """What was aimed at within the limits."""
    level_db: float = 0.0
    """By how much the filter shifts the curve as a whole, which matching levels takes out again."""

    def __post_init__(self) -> None:
        for name in ("frequency", "response_db", "target_db", "gain_db", "error_db"):
            view = np.asarray(getattr(self, name), dtype=np.float64).view()
            view.flags.writeable = False
            object.__setattr__(self, name, view)

    @property
    def impulse(self) -> Floats:
        """The filter's impulse response (taps,)."""
        raise NotImplementedError

    @property
    def kind(self) -> str:
        """What the filter is: "fir" or "sections"."""
        raise NotImplementedError

    @property
    def rms_error_db(self) -> float:
        """Root mean square of the remaining error over the band, every octave counting alike, dB."""
        return float(np.sqrt(np.mean(self.error_db**2)))

    @property
    def worst_error_db(self) -> float:
        """The remaining error of the largest size, with its sign, dB."""
        return float(self.error_db[np.argmax(np.abs(self.error_db))])

    @property
    def worst_error_hz(self) -> float:
        """Where that is, Hz."""
        return float(self.frequency[np.argmax(np.abs(self.error_db))])

    @property
    def rms_before_db(self) -> float:
        """Root mean square of response - target over the band, dB: the error without the correction."""
        return float(np.sqrt(np.mean((self.response_db - (self.target_db - self.level_db)) ** 2)))

    @property
    def bands(self) -> tuple[BandError, ...]:
        """The remaining error octave by octave, from the lower edge of the band."""
        low, high = self.band_hz
        count = max(1, round(float(np.log2(high / low))))
        edges = np.geomspace(low, high, count + 1)
        places = np.searchsorted(self.frequency, edges * (1 + 1e-9))
        return tuple(
            BandError(
                low_hz=float(edges[index]),
                high_hz=float(edges[index + 1]),
                rms_db=float(np.sqrt(np.mean(part**2))),
                worst_db=float(part[np.argmax(np.abs(part))]),
            )
            for index in range(count)
            if len(part := self.error_db[places[index] - (index == 0) : places[index + 1]])
        )

    @property
    def held_back(self) -> tuple[HeldBack, ...]:
        """Where a limit acted, inside the band, by frequency."""
        return self.curve.held_back

    @property
    def uncertain(self) -> tuple[Uncertain, ...]:
        """Where the seatings lie too far apart to say what there is to correct, by frequency."""
        return self.curve.uncertain

    @property
    def band_hz(self) -> Band:
        """The band that is corrected."""
        return self.curve.band_hz

    @property
    def align_hz(self) -> Band:
        """The band over which response and target are brought to the same level."""
        return self.curve.align_hz

    @property
    def max_boost_db(self) -> float | None:
        """The largest boost that was allowed; None without a limit."""
        return None if self.curve.max_boost_db >= UNLIMITED_DB else self.curve.max_boost_db

    @property
    def without_hz(self) -> tuple[Band, ...]:
        """Where the correction was switched off."""
        return self.curve.without_hz

    @property
    def remarks(self) -> tuple[str, ...]:
        """What its making noticed, in words."""
        return self.curve.remarks

    def to_dict(self) -> dict[str, object]:
        """Return what JSON can hold; the filter itself is exported as WAV."""
        return {
            "filter": self.kind,
            "rate_hz": self.rate,
            "align_hz": list(self.align_hz),
            "band_hz": list(self.band_hz),
            "max_boost_db": self.max_boost_db,
            "headroom_db": self.headroom_db,
            "rms_before_db": self.rms_before_db,
            "rms_error_db": self.rms_error_db,
            "worst_error_db": self.worst_error_db,
            "worst_error_hz": self.worst_error_hz,
            "bands": [band.to_dict() for band in self.bands],
            "held_back": [band.to_dict() for band in self.held_back],
            "uncertain": [band.to_dict() for band in self.uncertain],
            "without_hz": [list(band) for band in self.without_hz],
            "remarks": list(self.remarks),
            "frequency_hz": self.frequency.tolist(),
            "response_db": self.response_db.tolist(),
            "target_db": self.target_db.tolist(),
            "gain_db": self.gain_db.tolist(),
            "error_db": self.error_db.tolist(),
        }


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class FirCorrection(Correction):
    """A correction as a minimum-phase FIR filter."""

    fir: Floats
    """(taps,) The filter, minimum phase."""
    length: LengthCheck
    """Whether the filter is long enough for its curve."""

    def __post_init__(self) -> None:
        Correction.__post_init__(self)
        view = np.asarray(self.fir, dtype=np.float64).view()
        view.flags.writeable = False
        object.__setattr__(self, "fir", view)

    @property
    def kind(self) -> str:
        """What the filter is."""
        return "fir"

    @property
    def impulse(self) -> Floats:
        """The filter (taps,)."""
        return self.fir

    @property
    def taps(self) -> int:
        """Length of the filter."""
        return len(self.fir)

    def to_dict(self) -> dict[str, object]:
        """Return what JSON can hold; the filter itself is exported as WAV."""
        return {**Correction.to_dict(self), "taps": self.taps, "long_enough": self.length.holds}


def correction_fir(
    response: Response | SeatingAverage,
    target: Response,
    rate: int,
    taps: int | None = None,
    *,
    align_hz: Band = ALIGN_HZ,
    band_hz: Band = BAND_HZ,
    max_boost_db: float = MAX_BOOST_DB,
    smoothing: float | None = SMOOTHING_OCTAVES,
    limits: Limits | None = None,
) -> FirCorrection:
    """Return the minimum-phase filter that brings `response` towards `target`, and what it leaves.

    Parameters
    ----------
    response, target : Response
        The device as measured, and what it shall become; of several channels the mean in dB is taken. Of the average
        of several seatings the spread holds boosts back (`correction_limits`).
    rate : int, Hz
        Of the programme. A band that goes beyond half of it ends there.
    taps : int
        Length of the filter; if left out, the shortest power of two, from `taps_for(rate)` to 8 times that, that is
        long enough for the curve. Whether it is, `length` says: a shorter filter does less in the bass, its error is
        that of the filter itself, and its boost still stays within the limit.
    align_hz, band_hz, max_boost_db, smoothing, limits
        As for `correction_curve`.

    Raises
    ------
    BlindtestError
        As `correction_curve`.
    """
    if rate <= 0:
        raise ValueError(f"rate must be positive, got {rate}")
    low, high = band_hz
    wanted = wanted_correction(response, target, align_hz, (low, min(high, rate / 2)), max_boost_db, smoothing, limits)
    if taps is None:
        taps = _enough_taps(limited_curve(wanted, max_boost_db, max_boost_db), rate)
    curve, fir = _within_limit(wanted, rate, taps, max_boost_db)
    bins, level = _level_of(fir, rate)
    inside = curve.inside
    frequency = curve.frequency[inside]
    gain = np.interp(frequency, bins, level)  # 0.2 Hz apart and finer: under 0.003 dB off on a slope of 36 dB/octave
    return FirCorrection(
        frequency=frequency,
        response_db=curve.response_db[inside],
        target_db=curve.target_db[inside],
        gain_db=gain,
        error_db=curve.response_db[inside] + gain - curve.target_db[inside],
        fir=fir,
        rate=rate,
        headroom_db=max(0.0, float(level.max())),
        curve=curve,
        length=check_length(fir, curve.frequency, curve.gain_db, rate),
    )


def _within_limit(
    wanted: WantedCorrection, rate: int, taps: int, max_boost_db: float
) -> tuple[CorrectionCurve, Floats]:
    """Return curve and filter, the filter's own gain nowhere above the limit.

    A filter that is too short for its curve overshoots (0.3 dB with 4096 taps at 48 kHz on a boost of 6 dB at 30 Hz):
    its curve then is limited by so much more, and what is still over is taken off as a whole.
    """
    limit = max_boost_db
    remarks: tuple[str, ...] = ()
    for _ in range(_LIMIT_ROUNDS):
        curve = limited_curve(wanted, limit, max_boost_db, *remarks)
        fir = minimum_phase_fir(curve.frequency, curve.gain_db, rate, taps)
        over = float(_level_of(fir, rate)[1].max()) - max_boost_db
        if over <= _OVERSHOOT_DB:
            break
        limit -= over
        remarks = (f"boost limited to {limit:.2f} dB: {taps} taps are few for this curve, and overshoot",)
    return curve, fir * 10 ** (-max(0.0, over) / 20)


def _enough_taps(curve: CorrectionCurve, rate: int) -> int:
    taps = taps_for(rate)
    for doubled in (taps, 2 * taps, 4 * taps):
        fir = minimum_phase_fir(curve.frequency, curve.gain_db, rate, doubled)
        if check_length(fir, curve.frequency, curve.gain_db, rate).holds:
            return doubled
    return 8 * taps


def _level_of(fir: Floats, rate: int) -> tuple[Floats, Floats]:
    """Return the bins (Hz) of a long transform of a filter, and its level on them, dB."""
    n = max(_SHORTEST_TRANSFORM, 1 << int(np.ceil(np.log2(8 * len(fir)))))
    bins = np.asarray(np.arange(n // 2 + 1) * (rate / n), dtype=np.float64)
    return bins, np.asarray(20 * np.log10(np.abs(np.fft.rfft(fir, n))), dtype=np.float64)
