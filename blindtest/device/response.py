"""Responses: level over frequency, as measured, and what follows from one alone.

Conventions: frequency in Hz, ascending, (bins,); levels in dB, (bins, channels); phase in rad, (bins, channels), as
measured and not unwrapped. Curves are read between their points by a monotone cubic (PCHIP, Fritsch and Butland
1984) in dB on the logarithm of frequency, which never overshoots a measured point, and hold their end values outside
the measured range. What a level is relative to (dB SPL, dB re 1 kHz) is the study's business.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blindtest.errors import BlindtestError, Fault

if TYPE_CHECKING:
    from scipy.interpolate import PchipInterpolator

__all__ = [
    "Response",
    "SeatingAverage",
    "average_seatings",
    "channel_mean",
    "interpolated",
    "level_at",
    "level_between",
    "smooth",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Response:
    """A measured response: frequency (bins,) Hz ascending, magnitude (bins, channels) dB, phase rad or None."""

    frequency: Floats
    magnitude: Floats
    phase: Floats | None = None
    channels: tuple[str, ...] = ("both",)
    """'left', 'right', or 'both' for a single column."""
    remarks: tuple[str, ...] = ()
    """What the reading noticed: rows dropped, units taken from the header."""
    sources: tuple[str, ...] = ()
    """Files this came from."""
    rig: str = ""
    """The measurement rig, where known; responses of different rigs are never combined."""

    def __post_init__(self) -> None:
        for name in ("frequency", "magnitude", "phase"):
            value = getattr(self, name)
            if value is not None:
                view = np.asarray(value, dtype=np.float64).view()
                view.flags.writeable = False
                object.__setattr__(self, name, view)
        shape = (len(self.frequency), len(self.channels))
        if self.magnitude.shape != shape:
            raise ValueError(f"magnitude must be {shape}, got {self.magnitude.shape}")
        if self.phase is not None and self.phase.shape != shape:
            raise ValueError(f"phase must be {shape}, got {self.phase.shape}")
        if not np.all(np.diff(self.frequency) > 0) or not np.all(self.frequency > 0):
            raise ValueError("frequency must be positive and strictly ascending")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SeatingAverage:
    """The mean of several seatings, and how far they lie apart."""

    response: Response
    spread: Floats
    """Standard deviation over the seatings (ddof = 1), (bins, channels), dB; NaN for a single seating."""
    range: Floats
    """Highest minus lowest seating, (bins, channels), dB."""
    seatings: int
    mean: Literal["level", "power"] = "level"
    """How the mean was taken: of the levels in dB, or of the powers."""
    difference_spread: Floats | None = None
    """Of two channels seated together: standard deviation of their difference, (bins,), dB."""

    def __post_init__(self) -> None:
        for name in ("spread", "range", "difference_spread"):
            value = getattr(self, name)
            if value is not None:
                view = np.asarray(value, dtype=np.float64).view()
                view.flags.writeable = False
                object.__setattr__(self, name, view)


def average_seatings(responses: Sequence[Response], *, mean: Literal["level", "power"] = "level") -> SeatingAverage:
    """Return the mean of seatings of one device on one rig, with spread and range.

    `mean` is "level" (arithmetic mean of the dB, the default) or "power" (10 lg of the mean power). Seatings on
    different grids are read on the finest of them, within the range that all of them cover. The phase is left out:
    a mean level has none.

    Raises
    ------
    BlindtestError
        No seatings, different rigs or channels, or no common range of frequencies.
    ValueError
        An unknown `mean`.
    """
    if mean not in ("level", "power"):
        raise ValueError(f"mean must be 'level' or 'power', got {mean!r}")
    _refuse_mixtures(responses)
    frequency, remarks = _common_grid(responses)
    levels = np.stack([interpolated(response, frequency) for response in responses])
    if mean == "level":
        average = levels.mean(axis=0)
    else:
        highest = levels.max(axis=0)
        average = highest + 10 * np.log10(np.mean(10 ** ((levels - highest) / 10), axis=0))
    spread = levels.std(axis=0, ddof=1) if len(levels) > 1 else np.full(levels.shape[1:], np.nan)
    first = responses[0]
    response = Response(
        frequency=frequency,
        magnitude=average,
        channels=first.channels,
        remarks=_distinct([remark for one in responses for remark in one.remarks] + remarks),
        sources=tuple(source for one in responses for source in one.sources),
        rig=next((one.rig for one in responses if one.rig), ""),
    )
    return SeatingAverage(
        response=response,
        spread=spread,
        range=np.ptp(levels, axis=0),
        seatings=len(levels),
        mean=mean,
        difference_spread=(levels[:, :, 0] - levels[:, :, 1]).std(axis=0, ddof=1)
        if len(levels) > 1 and levels.shape[2] == 2
        else None,
    )


def channel_mean(response: Response) -> Response:
    """Return the mean over the channels in dB as one column, "both"; phase only where there was one channel.

    Filters of each ear would turn seating noise into image shifts, so both ears get this mean (common practice).
    """
    single = len(response.channels) == 1
    return Response(
        frequency=response.frequency,
        magnitude=response.magnitude.mean(axis=1, keepdims=True),
        phase=response.phase if single else None,
        channels=("both",),
        remarks=response.remarks,
        sources=response.sources,
        rig=response.rig,
    )


def interpolated(response: Response, frequency: ArrayLike) -> Floats:
    """Return the levels at `frequency` (Hz, any order), (len(frequency), channels), dB; ends held."""
    return level_at(response.frequency, response.magnitude, frequency)


def level_at(frequency: ArrayLike, magnitude_db: ArrayLike, at: ArrayLike) -> Floats:
    """Return a curve's level at other frequencies: monotone cubic in dB on log f, ends held.

    Parameters
    ----------
    frequency : (bins,) array_like, Hz
        Positive and strictly ascending.
    magnitude_db : (bins,) or (bins, channels) array_like, dB
    at : (points,) array_like, Hz
        Any order; 0 is read as the lowest frequency.

    Returns
    -------
    (points,) or (points, channels) float64, dB
    """
    known = np.asarray(frequency, dtype=np.float64)
    levels = np.asarray(magnitude_db, dtype=np.float64)
    wanted = np.clip(np.asarray(at, dtype=np.float64), known[0], known[-1])
    if len(known) == 1:
        return np.repeat(levels, len(wanted), axis=0)
    if np.array_equal(wanted, known):
        return levels.copy()
    return np.asarray(_curve(known, levels)(np.log(wanted)), dtype=np.float64)


def level_between(frequency: ArrayLike, db: ArrayLike, lo: float, hi: float) -> Floats:
    """Return the mean level in dB between `lo` and `hi` Hz, every octave counting alike.

    `db` is (bins,), giving a scalar array, or (bins, channels), giving (channels,). The mean is the exact integral of
    the curve that `level_at` reads, over log f.
    """
    if not 0 < lo <= hi:
        raise ValueError(f"need 0 < lo <= hi, got {lo} and {hi}")
    known = np.asarray(frequency, dtype=np.float64)
    levels = np.asarray(db, dtype=np.float64)
    if len(known) == 1 or lo == hi:
        return np.asarray(level_at(known, levels, [lo])[0], dtype=np.float64)
    start, end = np.log(known[[0, -1]])
    low, high = np.log(lo), np.log(hi)
    inside = np.clip([low, high], start, end)
    total = (
        np.asarray(_curve(known, levels).integrate(inside[0], inside[1]), dtype=np.float64)
        + levels[0] * max(0.0, min(high, start) - low)
        + levels[-1] * max(0.0, high - max(low, end))
    )
    return np.asarray(total / (high - low), dtype=np.float64)


def smooth(response: Response, fraction: float) -> Response:
    """Return the response smoothed over a fraction of an octave (1/48 ... 1), by power, without phase.

    The mean power over f 2^(-fraction/2) ... f 2^(fraction/2), every octave counting alike (Hatziantoniou and
    Mourjopoulos 2000; symmetric on log f: Tylka et al. 2017). Near the ends the window narrows on both sides alike, so
    that a slope is not bent there. For display and comparison: a device's own filter is made from the unsmoothed data.

    Raises
    ------
    ValueError
        `fraction` outside 1/48 ... 1.
    """
    if not 1 / 48 - 1e-12 <= fraction <= 1:
        raise ValueError(f"fraction must be 1/48 to 1 octave, got {fraction}")
    if len(response.frequency) == 1:
        return replace(response, phase=None)
    x = np.log2(response.frequency)
    half = np.minimum(fraction / 2, np.minimum(x - x[0], x[-1] - x))
    reference = response.magnitude.max(axis=0)
    power = 10 ** ((response.magnitude - reference) / 10)
    area = np.vstack([np.zeros(power.shape[1]), np.cumsum(np.diff(x)[:, None] * (power[1:] + power[:-1]) / 2, axis=0)])
    upper, lower = _area_to(x + half, x, power, area), _area_to(x - half, x, power, area)
    wide = half > 1e-9
    mean = power.copy()
    mean[wide] = (upper - lower)[wide] / (2 * half[wide, None])
    mean = np.clip(mean, power.min(axis=0), 1.0)
    width = "1 octave" if fraction == 1 else f"1/{1 / fraction:.3g} octave"
    return Response(
        frequency=response.frequency,
        magnitude=10 * np.log10(mean) + reference,
        channels=response.channels,
        remarks=(*response.remarks, f"smoothed over {width}, mean power"),
        sources=response.sources,
        rig=response.rig,
    )


def _area_to(at: Floats, x: Floats, power: Floats, area: Floats) -> Floats:
    """Area under the straight lines between (x, power) from x[0] to `at`."""
    left = np.clip(np.searchsorted(x, at, side="right") - 1, 0, len(x) - 2)
    step = (at - x[left])[:, None]
    slope = (power[left + 1] - power[left]) / (x[left + 1] - x[left])[:, None]
    return np.asarray(area[left] + step * (power[left] + slope * step / 2), dtype=np.float64)


def _curve(frequency: Floats, levels: Floats) -> "PchipInterpolator":
    from scipy.interpolate import PchipInterpolator  # slow to import

    with np.errstate(over="ignore"):  # where one slope is tiny, their harmonic mean is rightly 0
        return PchipInterpolator(np.log(frequency), levels, axis=0)


def _refuse_mixtures(responses: Sequence[Response]) -> None:
    if not responses:
        raise BlindtestError(
            Fault(problem="no seatings to average", remedy="name at least one response file of this unit")
        )
    first = responses[0]
    faults = []
    for response in responses[1:]:
        if response.channels != first.channels:
            faults.append(
                Fault(
                    file=", ".join(response.sources),
                    problem="this seating has other channels than the first one",
                    got=", ".join(response.channels),
                    allowed=", ".join(first.channels),
                    remedy="export every seating of a unit in the same way",
                )
            )
    rigs = [response for response in responses if response.rig]
    for response in rigs:
        if response.rig != rigs[0].rig:
            faults.append(
                Fault(
                    file=", ".join(response.sources),
                    problem="responses of different rigs are never combined",
                    got=response.rig,
                    allowed=rigs[0].rig,
                    remedy="average the seatings of one rig only",
                )
            )
    if faults:
        raise BlindtestError(*faults)


def _common_grid(responses: Sequence[Response]) -> tuple[Floats, list[str]]:
    first = responses[0].frequency
    if all(np.array_equal(response.frequency, first) for response in responses):
        return first, []
    low = max(response.frequency[0] for response in responses)
    high = min(response.frequency[-1] for response in responses)
    parts = [one.frequency[(one.frequency >= low) & (one.frequency <= high)] for one in responses]
    finest = max(parts, key=len)
    if len(finest) < 2:
        raise BlindtestError(
            Fault(
                problem="the seatings have no common range of frequencies",
                got="; ".join(f"{one.frequency[0]:g} to {one.frequency[-1]:g} Hz" for one in responses),
                remedy="leave out the seating that covers another range",
            )
        )
    return finest, [f"seatings on different grids: read on the finest, from {low:g} to {high:g} Hz"]


def _distinct(texts: Sequence[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(texts))
