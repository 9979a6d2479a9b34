"""A shelf: everything below a corner, or above it, raised or lowered; the plainest audible control there is.

Source: Audio EQ Cookbook (W3C Working Group Note, 2021), low and high shelf:
H(s) = A (s^2 + sqrt(A)/Q s + A) / (A s^2 + sqrt(A)/Q s + 1) and its mirror, with A = 10^(dB/40) and s in units of the
corner, at which half of the gain (in dB) is reached. As with the hump it is the prototype's magnitude that is applied,
so nothing narrows towards half the sample rate, and the chain makes it minimum phase, which it is by itself.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["ShelfStage", "ShelfType"]

ShelfType = Literal["low", "high"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelfStage:
    """A shelf of `gain_db` below ('low') or above ('high') `frequency_hz`; `q` says how it gets there."""

    type: ShelfType
    frequency_hz: float
    gain_db: float
    q: float
    kind: ClassVar[str] = "shelf"
    designed: ClassVar[bool] = True

    def __post_init__(self) -> None:
        if self.type not in ("low", "high"):
            raise ValueError(f"a shelf is low or high, got {self.type!r}")
        if not (self.frequency_hz > 0 and self.q > 0):
            raise ValueError(f"frequency and q are above 0, got {self.frequency_hz} and {self.q}")

    def level_db(self, frequency: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the shelf (bins,) in dB at `frequency` (bins,) Hz, 0 Hz among them."""
        a = 10.0 ** (self.gain_db / 40.0)
        w = np.asarray(frequency, dtype=np.float64) / self.frequency_hz
        bend = a * w**2 / self.q**2
        flat, steep = (a - w**2) ** 2 + bend, (1.0 - a * w**2) ** 2 + bend
        above, below = (flat, steep) if self.type == "low" else (steep, flat)
        level: NDArray[np.float64] = self.gain_db / 2.0 + 10.0 * np.log10(above / below)
        return level

    def facts(self) -> Mapping[str, object]:
        """Return the kind, which side, and the three numbers."""
        return {
            "kind": self.kind,
            "type": self.type,
            "frequency_hz": float(self.frequency_hz),
            "gain_db": float(self.gain_db),
            "q": float(self.q),
        }
