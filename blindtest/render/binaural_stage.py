"""Two loudspeakers in a room over a headphone: a measured binaural impulse response as a stage.

Each ear gets what both loudspeakers send it, so that the stage is a matrix of four filters and not one. It stands where
a device's response stands in other chains: the playback unit is divided out once, and outside the trusted band all
conditions share one curve of level. Delays are the matrix's own: none of the four paths is moved against another, and
the first arrival lies at time 0 in every condition, so that none is late against another.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from blindtest.device import BinauralResponse, at_rate_binaural, binaural_level_db

__all__ = ["BinauralStage"]

Floats = NDArray[np.float64]

RULES = 1
"""Goes into the facts: raised when the same inputs come out as another filter."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class BinauralStage:
    """Both loudspeakers of a pair at both ears."""

    unit_id: str
    response: BinauralResponse
    kind: ClassVar[str] = "binaural_response"
    measured: ClassVar[bool] = True
    """It counts as a response: the playback unit's inverse goes with it."""

    def level_db(self, frequency: Floats) -> Floats:
        """Return the power mean of the four paths (bins,) in dB, over 1/3 octave: what is held against other levels."""
        return binaural_level_db(self.response, frequency)

    def matrix(self, rate: int) -> Floats:
        """Return the filters (taps, ear, loudspeaker) at `rate` Hz."""
        return _at(self.response, rate).frames

    def ahead(self, rate: int) -> int:
        """Return how many frames of the matrix lie ahead of the first arrival."""
        return _at(self.response, rate).onset

    def facts(self) -> Mapping[str, object]:
        """Return the kind and a hash of the impulse responses; no name of a unit is in it."""
        digest = hashlib.sha256(f"{self.response.rate} {self.response.onset} {self.response.frames.shape}".encode())
        digest.update(np.ascontiguousarray(self.response.frames, dtype="<f8").tobytes())
        return {"kind": self.kind, "rules": RULES, "response": digest.hexdigest()}


@lru_cache(maxsize=8)
def _at(response: BinauralResponse, rate: int) -> BinauralResponse:
    return at_rate_binaural(response, rate)
