"""A correction as a report shows it: what the device does, what was aimed at, what the filter gives, what is left."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from blindtest.device.correction import Correction

__all__ = ["CorrectionFacts", "HeldBackFacts", "column"]

Band = tuple[float, float]


def column(values: ArrayLike) -> NDArray[np.float64]:
    """Return the values as one read-only column of floats; ValueError for any other shape."""
    view = np.array(values, dtype=np.float64)
    if view.ndim != 1:
        raise ValueError(f"a curve is one column, got shape {view.shape}")
    view.flags.writeable = False
    return view


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldBackFacts:
    """A band in which the correction stays short of the full one."""

    by: str
    """'notch': a dip too narrow to be filled; 'boost': the limit of the boost; 'spread': seatings too far apart."""
    low_hz: float
    high_hz: float
    worst_db: float
    """How deep a dip is left there; positive."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CorrectionFacts:
    """One correction. Curves stand over `frequency` (bins,) Hz ascending and are (bins,) dB.

    Response and target are each relative to their own mean level over `align_hz`.
    """

    condition: str
    """Id of the condition it belongs to."""
    unit: str = ""
    """Name of the unit corrected."""
    target: str = ""
    """Name or file of the target."""
    frequency: NDArray[np.float64]
    response_db: NDArray[np.float64]
    target_db: NDArray[np.float64]
    gain_db: NDArray[np.float64]
    """Of the filter itself."""
    error_db: NDArray[np.float64]
    """response + gain - target."""
    headroom_db: float
    """How far the programme has to be lowered before it."""
    align_hz: Band
    band_hz: Band
    max_boost_db: float | None
    """None without a limit."""
    rms_before_db: float
    rms_error_db: float
    worst_error_db: float
    worst_error_hz: float
    held_back: tuple[HeldBackFacts, ...] = ()
    rate_hz: int | None = None
    taps: int | None = None
    phase: str = "minimum phase"
    files: tuple[str, ...] = ()
    """Where the filter was exported to."""
    remarks: tuple[str, ...] = ()
    sections: tuple[tuple[str, float, float, float], ...] | None = None
    """Type, Hz, dB and Q of each second-order section; None for an FIR filter."""
    bands: tuple[tuple[float, float, float, float], ...] = ()
    """What is left octave by octave: from and to in Hz, r.m.s. and worst in dB."""
    uncertain: tuple[tuple[float, float, float], ...] = ()
    """Where seatings lie too far apart to say what to correct: from and to in Hz, largest standard deviation in dB."""
    without_hz: tuple[Band, ...] = ()
    """Where the correction was switched off."""

    def __post_init__(self) -> None:
        for name in ("frequency", "response_db", "target_db", "gain_db", "error_db"):
            object.__setattr__(self, name, column(getattr(self, name)))
            if len(getattr(self, name)) != len(self.frequency):
                raise ValueError(f"{len(self.frequency)} frequencies, but {len(getattr(self, name))} of {name}")

    @classmethod
    def of(
        cls,
        correction: "Correction",
        *,
        condition: str,
        unit: str = "",
        target: str = "",
        files: tuple[str, ...] = (),
    ) -> "CorrectionFacts":
        """Return the facts of a correction of `blindtest.device`."""
        chain = getattr(correction, "chain", None)
        return cls(
            condition=condition,
            unit=unit,
            target=target,
            frequency=correction.frequency,
            response_db=correction.response_db,
            target_db=correction.target_db,
            gain_db=correction.gain_db,
            error_db=correction.error_db,
            headroom_db=correction.headroom_db,
            align_hz=correction.align_hz,
            band_hz=correction.band_hz,
            max_boost_db=correction.max_boost_db,
            rms_before_db=correction.rms_before_db,
            rms_error_db=correction.rms_error_db,
            worst_error_db=correction.worst_error_db,
            worst_error_hz=correction.worst_error_hz,
            held_back=tuple(
                HeldBackFacts(by=one.by, low_hz=one.low_hz, high_hz=one.high_hz, worst_db=one.worst_db)
                for one in correction.held_back
            ),
            rate_hz=correction.rate,
            taps=None if chain is not None else len(correction.impulse),
            files=files,
            remarks=correction.remarks,
            sections=None if chain is None else tuple((s.type, s.frequency_hz, s.gain_db, s.q) for s in chain),
            bands=tuple((one.low_hz, one.high_hz, one.rms_db, one.worst_db) for one in correction.bands),
            uncertain=tuple((one.low_hz, one.high_hz, one.worst_db) for one in correction.uncertain),
            without_hz=correction.without_hz,
        )
