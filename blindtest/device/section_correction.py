"""A correction by a limited set of second-order sections: fitted, or the user's own, and what it leaves.

The fit aims at the curve of `correction_curve` (smoothed, its boost limited); how many sections there may be, how much
each may do and how narrow it may be is the user's to say. What they leave is counted as for the FIR, but for one thing:
a chain of sections may shift the whole curve a little, and since levels are matched that shift is no error. It is taken
out over the alignment band, and said (`level_db`).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault

from .correction import Band, Correction
from .correction_curve import (
    ALIGN_HZ,
    BAND_HZ,
    SMOOTHING_OCTAVES,
    UNLIMITED_DB,
    CorrectionCurve,
    correction_curve,
)
from .correction_limits import Limits
from .response import Response, SeatingAverage, level_between
from .section_fit import SectionLimits, fit_sections
from .sections import Section, section_level_db, sections_impulse, sections_sos

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["COUNT", "MAX_GAIN_DB", "MAX_Q", "SectionCorrection", "correction_sections", "sections_towards"]

Floats = NDArray[np.float64]

COUNT = 10
MAX_GAIN_DB = 12.0
MAX_Q = 8.0
"""A peak of 1/6 octave; what is narrower moves at the next seating; our rule."""
_FIT_POINTS_PER_OCTAVE = 24
_ALL_POINTS_PER_OCTAVE = 96
_LOWEST_HZ = 1.0
_LIMIT_ROUNDS = 4
_OVER_DB = 0.02
_NEAR_HALF = 0.49
_AS_GIVEN_DB = 0.25
"""R.m.s. error up to which a chain that also keeps the levels as they were given is taken; our rule."""
_AS_GIVEN_WEIGHT = 3.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SectionCorrection(Correction):
    """A correction as a chain of second-order sections."""

    chain: tuple[Section, ...]
    """By frequency; none at all changes nothing."""

    @property
    def kind(self) -> str:
        """What the filter is."""
        return "sections"

    @property
    def impulse(self) -> Floats:
        """The chain's impulse response (taps,) at `rate`, cut at -120 dB of its energy."""
        return sections_impulse(self.chain, self.rate)

    @property
    def sections(self) -> "pd.DataFrame":
        """A row for each section: type, frequency_hz, gain_db, q."""
        import pandas as pd  # slow to import

        columns = ("type", "frequency_hz", "gain_db", "q")
        return pd.DataFrame([[getattr(one, name) for name in columns] for one in self.chain], columns=list(columns))

    def sos(self, rate: float | None = None) -> Floats:
        """Return b0 b1 b2 1 a1 a2 of each section (sections, 6) at `rate` Hz, its own if left out.

        Raises
        ------
        ValueError
            A section lies at or above half the rate.
        """
        return sections_sos(self.chain, self.rate if rate is None else rate)

    def at_rate(self, rate: int) -> "SectionCorrection":
        """Return the same sections as they run at another rate: what they leave and need there.

        Raises
        ------
        BlindtestError
            A section lies at or above half of it.
        """
        _refuse_high(self.chain, rate)
        return self if rate == self.rate else _measured(self.chain, self.curve, rate)

    def to_dict(self) -> dict[str, object]:
        """Return what JSON can hold."""
        rows = [
            {"type": one.type, "frequency_hz": one.frequency_hz, "gain_db": one.gain_db, "q": one.q}
            for one in self.chain
        ]
        return {**Correction.to_dict(self), "sections": rows, "level_db": self.level_db}


def correction_sections(
    response: Response | SeatingAverage,
    target: Response,
    rate: int,
    *,
    count: int = COUNT,
    max_gain_db: float = MAX_GAIN_DB,
    max_q: float = MAX_Q,
    band: Band = BAND_HZ,
    align_hz: Band = ALIGN_HZ,
    max_boost_db: float | None = None,
    smoothing: float | None = SMOOTHING_OCTAVES,
    limits: Limits | None = None,
) -> SectionCorrection:
    """Return at most `count` sections that together bring `response` towards `target`, and what they leave.

    Parameters
    ----------
    response, target : Response
        The device as measured, and what it shall become; of several channels the mean in dB is taken. Of the average
        of several seatings the spread holds boosts back (`correction_limits`).
    rate : int, Hz
        Of the programme, at which the fit holds; `.sos(rate)` gives the coefficients at others too.
    count : int
        Fewer are made where fewer do.
    max_gain_db, max_q : float
        Of each section; a gain counts up and down. A shelf's Q is 0.4 to 1.2 at most.
    band : (low, high), Hz
        What is corrected, and where sections may lie. It ends at 0.49 of the rate.
    max_boost_db : float, dB, or None
        The largest boost of all together, at any frequency; None leaves it to the sections' own limits.
    align_hz, smoothing
        As for `correction_curve`.
    limits : Limits
        What holds it back beside that. Narrow dips are filled as far as `max_q` lets it, other than by the FIR; a
        `Limits(notches=True)` leaves them. Of bands that are left out, the sections that lie in them are taken away.

    Raises
    ------
    BlindtestError
        As `correction_curve`.
    ValueError
        Limits that leave nothing to fit with.
    """
    if rate <= 0 or count < 0:
        raise ValueError(f"rate must be positive and count 0 or more, got {rate} and {count}")
    if not (0 <= max_gain_db < np.inf and 0 < max_q < np.inf):
        raise ValueError(f"max_gain_db must be 0 or more and max_q above 0, got {max_gain_db} and {max_q}")
    limits = Limits(notches=False) if limits is None else limits
    curve = correction_curve(
        response,
        target,
        align_hz=align_hz,
        band_hz=(band[0], min(band[1], _NEAR_HALF * rate)),
        max_boost_db=UNLIMITED_DB if max_boost_db is None else max_boost_db,
        smoothing=smoothing,
        limits=replace(limits, without_hz=()),
    )
    allowed = SectionLimits(
        count=count, max_gain_db=max_gain_db, max_q=max_q, band_hz=curve.band_hz, max_boost_db=max_boost_db
    )
    chain = _within_boost(curve, rate, allowed, _level_apart(response, target, align_hz))
    kept = tuple(one for one in chain if not _left_out(one, limits.without_hz))
    return _measured(kept, replace(curve, without_hz=limits.without_hz), rate)


def sections_towards(
    sections: Sequence[Section],
    response: Response | SeatingAverage,
    target: Response,
    rate: int,
    *,
    band: Band = BAND_HZ,
    align_hz: Band = ALIGN_HZ,
    limits: Limits | None = None,
) -> SectionCorrection:
    """Return the user's own sections as a correction of `response` towards `target`: what they leave and need.

    The sections are taken as they are, but for those that lie in a band that is left out. Arguments and errors as for
    `correction_sections`; a section at or above half the rate is a BlindtestError too.
    """
    _refuse_high(sections, rate)
    limits = Limits(notches=False) if limits is None else limits
    curve = correction_curve(
        response,
        target,
        align_hz=align_hz,
        band_hz=(band[0], min(band[1], _NEAR_HALF * rate)),
        max_boost_db=UNLIMITED_DB,
        smoothing=None,
        limits=Limits(notches=False, spread=limits.spread, spread_sd=0.0),
    )
    kept = tuple(one for one in sections if not _left_out(one, limits.without_hz))
    by_frequency = tuple(sorted(kept, key=lambda one: one.frequency_hz))
    return _measured(by_frequency, replace(curve, without_hz=limits.without_hz), rate)


def _refuse_high(sections: Sequence[Section], rate: int) -> None:
    above = [one for one in sections if not one.frequency_hz < rate / 2]
    if above:
        raise BlindtestError(
            Fault(
                key="sections",
                problem="a section lies at or above half the sample rate",
                got=f"{above[0].frequency_hz:g} Hz at {rate} Hz",
                allowed=f"below {rate / 2:g} Hz",
                remedy="take the section out, or bring the clips to a higher rate (rate_hz)",
            )
        )


def _left_out(section: Section, bands: Sequence[Band]) -> bool:
    return any(low <= section.frequency_hz <= high for low, high in bands)


def _within_boost(curve: CorrectionCurve, rate: int, allowed: SectionLimits, apart_db: float) -> tuple[Section, ...]:
    """Return the fitted sections, their common boost within the limit at every frequency."""
    most, chain = allowed.max_boost_db, _fitted(curve, rate, allowed, apart_db)
    if most is None:
        return chain
    for _ in range(_LIMIT_ROUNDS):
        passed = _highest(chain, rate) - most
        if passed <= _OVER_DB or allowed.max_boost_db is None:
            return chain
        allowed = replace(allowed, max_boost_db=max(0.0, allowed.max_boost_db - passed))
        chain = _fitted(curve, rate, allowed, apart_db)
    return _lowered(chain, rate, most)


def _fitted(curve: CorrectionCurve, rate: int, allowed: SectionLimits, apart_db: float) -> tuple[Section, ...]:
    """Return sections that also keep the level as given where that costs nothing, else the nearest ones.

    A device made of sections has an inverse that does both; of a measured one the levels mostly mean nothing.
    """
    low = min(curve.band_hz[0] / 2, curve.align_hz[0])
    high = min(max(2 * curve.band_hz[1], curve.align_hz[1]), _NEAR_HALF * rate)
    at = np.geomspace(low, high, int(np.ceil(float(np.log2(high / low)) * _FIT_POINTS_PER_OCTAVE)) + 1)
    wanted = curve.gain_at(at)
    aligned = (at >= curve.align_hz[0]) & (at <= curve.align_hz[1])
    inside = (at >= curve.band_hz[0]) & (at <= curve.band_hz[1])

    def left_db(chain: tuple[Section, ...]) -> float:
        error = section_level_db(chain, at, rate) - wanted
        return float(np.sqrt(np.mean((error[inside] - error[aligned].mean()) ** 2)))

    if abs(apart_db) <= 2 * allowed.max_gain_db:
        given = fit_sections(
            at, wanted, rate, allowed, aligned=aligned, shift_db=-apart_db, shift_weight=_AS_GIVEN_WEIGHT
        )
        if left_db(given) <= _AS_GIVEN_DB:
            return given
    return fit_sections(at, wanted, rate, allowed, aligned=aligned)


def _level_apart(response: Response | SeatingAverage, target: Response, align_hz: Band) -> float:
    """Return how far the response lies over the target as given, dB."""
    one = response.response if isinstance(response, SeatingAverage) else response
    means = [float(level_between(each.frequency, each.magnitude.mean(axis=1), *align_hz)) for each in (one, target)]
    return means[0] - means[1]


def _lowered(chain: tuple[Section, ...], rate: int, most: float) -> tuple[Section, ...]:
    """Return the chain with its boosts made smaller alike, until the whole is within its limit."""
    share = 1.0
    while _highest(chain, rate) > most + _OVER_DB and share > 0.01:
        share *= 0.97
        chain = tuple(replace(one, gain_db=one.gain_db * 0.97) if one.gain_db > 0 else one for one in chain)
    return chain if share > 0.01 else tuple(one for one in chain if one.gain_db <= 0)


def _highest(chain: Sequence[Section], rate: int) -> float:
    return float(section_level_db(chain, _everywhere(rate), rate).max()) if chain else 0.0


def _everywhere(rate: int) -> Floats:
    points = int(np.log2(rate / 2 / _LOWEST_HZ) * _ALL_POINTS_PER_OCTAVE)
    return np.concatenate((np.geomspace(_LOWEST_HZ, rate / 2, points), [1e-3]))


def _measured(chain: tuple[Section, ...], curve: CorrectionCurve, rate: int) -> SectionCorrection:
    inside = curve.inside
    frequency, response, target = curve.frequency[inside], curve.response_db[inside], curve.target_db[inside]
    gain = section_level_db(chain, frequency, rate)
    around = np.unique(np.concatenate((curve.frequency, np.geomspace(*curve.align_hz, 400))))
    level = float(level_between(around, section_level_db(chain, around, rate), *curve.align_hz))
    return SectionCorrection(
        frequency=frequency,
        response_db=response,
        target_db=target + level,
        gain_db=gain,
        error_db=response + gain - target - level,
        rate=rate,
        headroom_db=max(0.0, _highest(chain, rate)),
        curve=curve,
        level_db=level,
        chain=chain,
    )
