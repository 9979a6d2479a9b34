"""The channel imbalance of a unit as a stage: half of what left and right differ by on each ear.

All other stages do the same to both ears, since filters per ear would turn the noise of seating into shifts of the
image. Here that difference is the question, so it can be switched on and off by itself; the mean of both ears in dB
stays as it was. Outside the trusted band it fades out within 1/3 octave. The noise of seating is in it still: the
standard error over the seatings says how much.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from blindtest.device import Imbalance

from .curves import trusted_weight

__all__ = ["ImbalanceStage"]

RULES = 1
"""Goes into the facts: raised when the same inputs come out as another filter."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ImbalanceStage:
    """What left and right of a unit differ by, seatings averaged before."""

    unit_id: str
    imbalance: Imbalance
    kind: ClassVar[str] = "imbalance"
    designed: ClassVar[bool] = True

    def level_db(self, frequency: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return 0 dB: the mean of both ears stays as it was."""
        return np.zeros(len(frequency))

    def sides_db(self, frequency: NDArray[np.float64], band_hz: tuple[float, float]) -> NDArray[np.float64]:
        """Return what is added to left and right (bins, 2) in dB at `frequency` (bins,) Hz, within the trusted band."""
        held = np.maximum(frequency, 1e-3)
        sides: NDArray[np.float64] = self.imbalance.at(held) * trusted_weight(held, band_hz)[:, None]
        return sides

    def facts(self) -> Mapping[str, object]:
        """Return the kind and a hash of the difference; no name of a unit is in it."""
        digest = hashlib.sha256()
        for values in (self.imbalance.frequency, self.imbalance.difference_db):
            digest.update(np.ascontiguousarray(values, dtype="<f8").tobytes())
        return {"kind": self.kind, "rules": RULES, "difference": digest.hexdigest()}
