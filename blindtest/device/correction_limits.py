"""What holds a correction back beside its one limit: a limit over frequency, the spread over seatings, a part left out.

*Spread.* A dip that lies elsewhere at every seating can't be filled: the boost would be heard where the dip isn't. So
a boost of b dB is made b^2 / (b + k s) with s the standard deviation over the seatings: nearly all of it where the
seatings agree, b - k s where they don't (the inverse of the response's upper curve, mean plus k standard deviations:
Masiero and Fels 2011, AES 130th convention, with k = 2; from memory), and next to nothing where b is less than the
seatings' own noise. Cuts are left: a peak is heard wherever it lies. s is taken as mean variance over 1/3 octave, since
a few seatings give no more.

*Too uncertain.* Where s is above 2.5 dB, the difference at which IEC 60268-7 has a pair of measurements repeated (as
cited; the standard was not opened), the measurement doesn't say what there is to correct; such bands are named, whether
the spread limits the boost or not.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .response import Response, SeatingAverage, interpolated, level_at, smooth

__all__ = [
    "SPREAD_SD",
    "UNCERTAIN_DB",
    "Limits",
    "Uncertain",
    "band_weight",
    "spread_of",
    "surely_missing",
    "uncertain_bands",
]

Floats = NDArray[np.float64]
Band = tuple[float, float]

SPREAD_SD = 2.0
"""How many standard deviations a boost is held back by, where the spread is known."""
UNCERTAIN_DB = 2.5
BLEND_OCTAVES = 1 / 3
"""Outside each edge of a band that is corrected, or left out."""
_SPREAD_OCTAVES = 1 / 3
_LEAST_VARIANCE = 1e-6
_APART_OCTAVES = 1 / 6


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Limits:
    """What holds a correction back beside `max_boost_db`; nothing does by default."""

    boost: Response | None = None
    """The largest boost over frequency, dB: the mean of its channels, its ends held."""
    spread: Response | None = None
    """The standard deviation over the seatings, dB, one column."""
    spread_sd: float = SPREAD_SD
    """How many of them a boost is held back by; 0 leaves the boost alone."""
    without_hz: tuple[Band, ...] = ()
    """Where nothing is corrected."""
    notches: bool = True
    """Whether narrow dips are left unfilled."""

    def __post_init__(self) -> None:
        if not 0 <= self.spread_sd < np.inf:
            raise ValueError(f"spread_sd must be 0 or more, got {self.spread_sd}")
        for low, high in self.without_hz:
            if not 0 < low < high < np.inf:
                raise ValueError(f"without_hz must be pairs of frequencies, the lower first, got {(low, high)}")

    def knowing(self, spread: Response | None) -> "Limits":
        """Return the same limits, the spread known but holding nothing back: it only says what is uncertain."""
        return replace(self, spread=spread, spread_sd=0.0)

    def boost_db(self, frequency: Floats, most_db: float) -> Floats:
        """Return the largest boost (bins,) in dB at `frequency` (bins,) Hz, `most_db` at most, 0 at least."""
        if self.boost is None:
            return np.full(len(frequency), most_db)
        own = interpolated(self.boost, frequency).mean(axis=1)
        return np.asarray(np.clip(own, 0.0, most_db), dtype=np.float64)

    def spread_db(self, frequency: Floats) -> Floats | None:
        """Return the standard deviation (bins,) in dB at `frequency` (bins,) Hz, or None where it isn't known."""
        return None if self.spread is None else np.maximum(interpolated(self.spread, frequency)[:, 0], 0.0)

    def applied(self, frequency: Floats) -> Floats:
        """Return how much of the correction is left on (bins,): 0 inside what is left out, 1 from 1/3 octave off."""
        share = np.ones(len(frequency))
        for band in self.without_hz:
            share = share * (1.0 - band_weight(frequency, band))
        return share


@dataclass(frozen=True, slots=True, kw_only=True)
class Uncertain:
    """A band in which the seatings lie too far apart to say what there is to correct."""

    low_hz: float
    high_hz: float
    worst_db: float
    """The largest standard deviation over the seatings there."""

    def to_dict(self) -> dict[str, object]:
        """Return what JSON can hold."""
        return {"low_hz": self.low_hz, "high_hz": self.high_hz, "worst_db": self.worst_db}


def spread_of(*averages: SeatingAverage) -> Response | None:
    """Return the standard deviation over seatings (bins, 1) in dB, or None where there was one seating only.

    Of several channels, or several averages (left and right), the root of the mean variance: the spread of one ear as
    it is to be expected, not that of their mean, since a correction is heard at each ear. Smoothed over 1/3 octave.
    """
    known = [one for one in averages if one.seatings > 1]
    if not known:
        return None
    frequency = max((one.response.frequency for one in known), key=len)
    variance = np.mean(
        [level_at(one.response.frequency, np.mean(one.spread**2, axis=1), frequency) for one in known], axis=0
    )
    raw = Response(frequency=frequency, magnitude=10 * np.log10(np.maximum(variance, _LEAST_VARIANCE))[:, None])
    smoothed = raw if len(frequency) < 3 else smooth(raw, _SPREAD_OCTAVES)
    return Response(
        frequency=frequency,
        magnitude=10 ** (smoothed.magnitude / 20),
        sources=tuple(source for one in known for source in one.response.sources),
    )


def surely_missing(gain_db: Floats, spread_db: Floats, count: float) -> Floats:
    """Return a gain (bins,) in dB whose boosts b are b^2 / (b + count x spread), its cuts as they were."""
    boost = np.maximum(gain_db, 0.0)
    held = count * spread_db
    with np.errstate(invalid="ignore", divide="ignore"):
        kept = np.where(boost > 0, boost**2 / (boost + held), 0.0)
    return np.asarray(np.where(gain_db > 0, kept, gain_db), dtype=np.float64)


def uncertain_bands(frequency: Floats, spread_db: Floats | None, band: Band) -> tuple[Uncertain, ...]:
    """Return where inside `band`, Hz, the spread (bins,) in dB at `frequency` (bins,) Hz is above 2.5 dB."""
    if spread_db is None:
        return ()
    wide = (spread_db > UNCERTAIN_DB) & (frequency >= band[0] * (1 - 1e-9)) & (frequency <= band[1] * (1 + 1e-9))
    return tuple(
        Uncertain(
            low_hz=float(frequency[first]),
            high_hz=float(frequency[end - 1]),
            worst_db=float(spread_db[first:end].max()),
        )
        for first, end in runs(frequency, wide, _APART_OCTAVES)
    )


def band_weight(frequency: Floats, band: Band) -> Floats:
    """Return 1 inside a band, 0 from 1/3 octave outside it, half a cosine between (bins,)."""
    outside = np.maximum(np.log2(band[0] / frequency), np.log2(frequency / band[1]))
    weight: Floats = 0.5 * (1.0 + np.cos(np.pi * np.clip(outside / BLEND_OCTAVES, 0.0, 1.0)))
    return weight


def runs(frequency: Floats, where: NDArray[np.bool_], apart_octaves: float) -> Sequence[tuple[int, int]]:
    """Return first and past-the-last bins of the stretches where `where` holds, near ones joined."""
    marked = np.concatenate(([False], where, [False]))
    edges: Iterable[int] = np.flatnonzero(marked[1:] != marked[:-1]).tolist()
    found: list[tuple[int, int]] = []
    for first, end in zip(*[iter(edges)] * 2, strict=True):
        if found and frequency[first] < frequency[found[-1][1] - 1] * 2**apart_octaves:
            found[-1] = (found[-1][0], end)
        else:
            found.append((first, end))
    return found
