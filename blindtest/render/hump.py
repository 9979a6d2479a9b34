"""A hump: one peaking section, the smallest change of timbre that has a place, a width and a height.

Source: Audio EQ Cookbook (W3C Working Group Note, 2021), peaking EQ: H(s) = (s^2 + s A/Q + 1) / (s^2 + s/(A Q) + 1)
with A = 10^(dB/40) and s in units of the centre. It is the prototype's magnitude that is applied: nothing narrows
towards half the sample rate, as a digital section made from it by the bilinear transform does. The chain makes it
minimum phase, which it is by itself.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

__all__ = ["HumpStage"]


@dataclass(frozen=True, slots=True, kw_only=True)
class HumpStage:
    """A peak (or, with a negative gain, a dip) of `gain_db` at `frequency_hz`, as wide as `q` says."""

    frequency_hz: float
    gain_db: float
    q: float
    kind: ClassVar[str] = "hump"
    designed: ClassVar[bool] = True

    def __post_init__(self) -> None:
        if not (self.frequency_hz > 0 and self.q > 0):
            raise ValueError(f"frequency and q are above 0, got {self.frequency_hz} and {self.q}")

    def level_db(self, frequency: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the hump (bins,) in dB at `frequency` (bins,) Hz."""
        w = np.asarray(frequency, dtype=np.float64) / self.frequency_hz
        width = 10.0 ** (self.gain_db / 40.0) / self.q, 10.0 ** (-self.gain_db / 40.0) / self.q
        above, below = ((1.0 - w**2) ** 2 + (w * each) ** 2 for each in width)
        level: NDArray[np.float64] = 10.0 * np.log10(above / below)
        return level

    def facts(self) -> Mapping[str, object]:
        """Return the kind and the three numbers."""
        return {
            "kind": self.kind,
            "frequency_hz": float(self.frequency_hz),
            "gain_db": float(self.gain_db),
            "q": float(self.q),
        }
