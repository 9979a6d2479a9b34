"""A table of harmonics seen level by level: every order over frequency, and their sum."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from .harmonic_table import db_to_percent

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["HarmonicLevel", "harmonic_levels"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class HarmonicLevel:
    """The harmonics that were measured at one level."""

    level_db: float | None
    """None where the table names no level."""
    frequency: Floats
    """(bins,) Hz, of the fundamental."""
    orders: tuple[int, ...]
    distortion_db: Floats
    """(bins, orders) dB re the fundamental; NaN where the table has no number."""

    def __post_init__(self) -> None:
        for name in ("frequency", "distortion_db"):
            view = np.asarray(getattr(self, name), dtype=np.float64).view()
            view.flags.writeable = False
            object.__setattr__(self, name, view)

    @property
    def thd_percent(self) -> Floats:
        """(bins,) % of the fundamental: root of the summed squares of the orders in the table (IEC 60268-3)."""
        return np.asarray(np.sqrt(np.nansum(db_to_percent(self.distortion_db) ** 2, axis=1)), dtype=np.float64)


def harmonic_levels(table: "DataFrame") -> tuple[HarmonicLevel, ...]:
    """Return a table of harmonics, as `read_harmonics` gives it, level by level from the lowest."""
    made = []
    for _, rows in table.groupby("level_db", dropna=False, sort=True):
        wide = rows.pivot(index="frequency_hz", columns="order", values="distortion_db").sort_index()
        known = float(rows["level_db"].iloc[0])
        made.append(
            HarmonicLevel(
                level_db=None if np.isnan(known) else known,
                frequency=wide.index.to_numpy(dtype=np.float64),
                orders=tuple(int(order) for order in wide.columns),
                distortion_db=wide.to_numpy(dtype=np.float64),
            )
        )
    return tuple(made)
