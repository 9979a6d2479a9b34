"""Each harmonic of a table as a curve over the fundamental's frequency, one for every level and order."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .harmonic_table import COLUMNS, HIGHEST_ORDER, as_orders
from .response import level_at

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["Curves", "HarmonicCurve", "curves_of", "levels_of", "remarks_of"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class HarmonicCurve:
    """One order at one level: its strength over the frequency of the fundamental."""

    frequency: Floats
    """(points,) Hz ascending."""
    level_db: Floats
    """(points,) dB re the fundamental."""
    phase: Floats
    """(points,) rad where a cosine fundamental has its peak."""
    order: int

    @property
    def lowest_hz(self) -> float:
        """The lowest frequency of a fundamental it was measured with."""
        return float(self.frequency[0])

    @property
    def alike(self) -> bool:
        """Whether it is the same at all frequencies."""
        return len(self.frequency) == 1

    def level_at(self, frequency: Floats) -> Floats:
        """Return the strength (bins,) in dB for fundamentals at `frequency`; ends held."""
        if self.alike:
            return np.full(len(frequency), self.level_db[0])
        return level_at(self.frequency, self.level_db, frequency)

    def phase_at(self, frequency: Floats) -> Floats:
        """Return the phase (bins,) in rad for fundamentals at `frequency`; ends held."""
        return np.interp(np.log(frequency), np.log(self.frequency), np.unwrap(self.phase))

    @property
    def real(self) -> bool:
        """Whether the harmonic is in cosine phase, upright or inverted, at all frequencies."""
        turns = self.phase / np.pi
        return bool(np.all(np.abs(turns - np.round(turns)) < 1e-9) and np.ptp(np.cos(self.phase)) < 1e-6)

    @property
    def sign(self) -> int:
        """Of a harmonic in cosine phase: -1 where it is inverted."""
        return 1 if np.cos(self.phase[0]) > 0 else -1

    def turned(self, phase: float | None, polarity: int) -> "HarmonicCurve":
        """Return the curve with `phase` in rad in place of its own (None keeps it), of a device turned round by -1."""
        angle = self.phase if phase is None else np.full(len(self.phase), float(phase))
        if polarity < 0 and self.order % 2 == 0:
            angle = angle + np.pi
        return replace(self, phase=angle)

    def raised(self, decibels: float) -> "HarmonicCurve":
        """Return the curve `decibels` higher."""
        return replace(self, level_db=self.level_db + decibels)


Curves = Mapping[tuple[float, int], HarmonicCurve]
"""By level in dB (0 where the table names none) and order."""


def curves_of(table: "Mapping[int, float] | DataFrame") -> dict[tuple[float, int], HarmonicCurve]:
    """Return the curves of a table: {order: dB}, or a DataFrame as `read_harmonics` returns it."""
    if isinstance(table, Mapping):
        return {
            (0.0, order): HarmonicCurve(
                frequency=np.array([1000.0]), level_db=np.array([decibels]), phase=np.zeros(1), order=order
            )
            for order, decibels in as_orders(table).items()
        }
    missing = [name for name in COLUMNS if name not in table.columns and name != "level_db"]
    if missing:
        raise ValueError(f"the table has no column {', '.join(missing)}")
    frame = table.dropna(subset=["distortion_db"]).copy()
    if "level_db" not in frame:
        frame["level_db"] = 0.0
    if frame.level_db.isna().any() and not frame.level_db.isna().all():
        raise ValueError("level_db is missing in some rows")
    frame["level_db"] = frame.level_db.fillna(0.0)
    _refuse_numbers(frame)
    curves = {}
    for _, rows in frame.groupby(["level_db", "order"]):
        level, order = float(rows.level_db.iloc[0]), int(rows.order.iloc[0])
        sorted_rows = rows.sort_values("frequency_hz")
        frequency = sorted_rows.frequency_hz.to_numpy(dtype=np.float64)
        if np.any(np.diff(frequency) <= 0):
            raise ValueError(f"order {order} at {level:g} dB stands in the table twice at the same frequency")
        phase = np.zeros(len(frequency))
        if "phase_deg" in sorted_rows:
            phase = np.deg2rad(sorted_rows.phase_deg.fillna(0.0).to_numpy(dtype=np.float64))
        curves[(level, order)] = HarmonicCurve(
            frequency=frequency,
            level_db=sorted_rows.distortion_db.to_numpy(dtype=np.float64),
            phase=phase,
            order=order,
        )
    return curves


def levels_of(curves: Curves) -> list[float]:
    """Return the levels of a table, ascending."""
    return sorted({level for level, _ in curves})


def remarks_of(table: "Mapping[int, float] | DataFrame") -> tuple[str, ...]:
    """Return what its reading assumed."""
    return () if isinstance(table, Mapping) else tuple(table.attrs.get("remarks", ()))


def _refuse_numbers(frame: "DataFrame") -> None:
    if not len(frame):
        raise ValueError("the table is empty")
    order = frame.order.to_numpy(dtype=np.float64)
    if not np.all((order == np.round(order)) & (order >= 2) & (order <= HIGHEST_ORDER)):
        raise ValueError(f"orders are whole numbers from 2 to {HIGHEST_ORDER}")
    if not np.all(frame.frequency_hz > 0):
        raise ValueError("frequencies must be above 0 Hz")
    if not np.all(frame.distortion_db < 0):
        worst = int(np.argmax(frame.distortion_db.to_numpy()))
        level, hertz = float(frame.distortion_db.iloc[worst]), float(frame.frequency_hz.iloc[worst])
        raise ValueError(f"distortion must lie below the fundamental, got {level:g} dB at {hertz:g} Hz")
