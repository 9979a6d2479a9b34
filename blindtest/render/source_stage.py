"""A source impedance as a stage: what the voltage divider of an amplifier and a unit does to the response.

Z / (Z + Rs) is minimum phase as Z is, so that its level alone is applied and the chain makes the phase. What the
divider takes from the level as a whole is taken away again when stimuli are made equally loud: only the change of the
response is heard.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from blindtest.device import Impedance, Response, divider_response, interpolated

__all__ = ["SourceImpedanceStage"]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SourceImpedanceStage:
    """A unit driven from `source_ohm` instead of from 0 ohm."""

    unit_id: str
    impedance: Impedance
    source_ohm: float
    divider: Response = field(init=False)
    """What the divider does, over the impedance's own frequencies."""
    kind: ClassVar[str] = "source_impedance"
    designed: ClassVar[bool] = True

    def __post_init__(self) -> None:
        object.__setattr__(self, "divider", divider_response(self.impedance, self.source_ohm))

    def level_db(self, frequency: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the divider (bins,) in dB at `frequency` (bins,) Hz, its ends held; 0 dB is the source's voltage."""
        level: NDArray[np.float64] = interpolated(self.divider, frequency)[:, 0]
        return level

    def facts(self) -> Mapping[str, object]:
        """Return the kind, the source impedance and a hash of the unit's; no name of a unit is in it."""
        own = self.impedance
        digest = hashlib.sha256(repr((own.frequency.shape, own.phase is not None)).encode())
        for values in (own.frequency, own.magnitude, own.phase):
            if values is not None:
                digest.update(np.ascontiguousarray(values, dtype="<f8").tobytes())
        return {"kind": self.kind, "impedance": digest.hexdigest(), "source_ohm": float(self.source_ohm)}
