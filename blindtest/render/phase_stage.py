"""The excess phase of a unit as a stage: an all-pass, so that a claim about group delay can be tested alone.

The level of a chain is minimum phase; this adds what a measured phase has beyond it, the delay left out. A filter that
is not minimum phase needs what follows in the programme, so that the stage reads ahead by half its length and no
condition is shifted against another.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from blindtest.device import ExcessPhase

from .programme import Programme

__all__ = ["ExcessPhaseStage", "read_ahead"]

RULES = 1
"""Goes into the facts: raised when the same inputs come out as another filter."""
DISPLAYED_HZ = 2.0 ** (np.arange(12 * 12 + 1) / 12) * 10.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ExcessPhaseStage:
    """What a unit's measured phase has beyond minimum phase and delay, seatings and ears averaged before."""

    unit_id: str
    excess: ExcessPhase
    kind: ClassVar[str] = "excess_phase"

    def level_db(self, frequency: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return 0 dB: an all-pass changes no level."""
        return np.zeros(len(frequency))

    def fir(self, rate: int, taps: int) -> NDArray[np.float64]:
        """Return the all-pass (taps + 1,), its middle at time 0; `taps` is even. Raises as `ExcessPhase.fir`."""
        return self.excess.fir(rate, taps + 1)

    def facts(self) -> Mapping[str, object]:
        """Return the kind and a hash of the phase, to a millionth of a radian; no name of a unit is in it."""
        phase = np.round(self.excess.phase_at(DISPLAYED_HZ) * 1e6).astype("<i8")
        band = [float(edge) for edge in self.excess.band_hz]
        return {
            "kind": self.kind,
            "rules": RULES,
            "phase": hashlib.sha256(phase.tobytes()).hexdigest(),
            "band_hz": band,
        }


def read_ahead(programme: Programme, frames: int) -> Programme:
    """Return a programme that begins and ends `frames` later, so that a centred filter comes out without delay."""
    if not frames:
        return programme
    following = np.zeros((frames, programme.frames.shape[1]))
    following[: min(frames, len(programme.after))] = programme.after[:frames]
    whole = np.concatenate([programme.frames, following])
    return replace(
        programme,
        frames=np.asfortranarray(whole[frames:]),
        before=np.concatenate([programme.before, whole[:frames]]),
        after=programme.after[frames:],
    )
