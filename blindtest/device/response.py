"""Responses: level over frequency, as measured."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Response"]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Response:
    """A measured response: frequency (bins,) Hz ascending, magnitude (bins, channels) dB, phase rad or None."""

    frequency: NDArray[np.float64]
    magnitude: NDArray[np.float64]
    phase: NDArray[np.float64] | None = None
    channels: tuple[str, ...] = ("both",)
    """'left', 'right', or 'both' for a single column."""
    remarks: tuple[str, ...] = ()
    """What the reading noticed: rows dropped, units taken from the header."""
    sources: tuple[str, ...] = ()
    """Files this came from."""

    def __post_init__(self) -> None:
        for name in ("frequency", "magnitude", "phase"):
            value = getattr(self, name)
            if value is not None:
                view = np.asarray(value, dtype=np.float64).view()
                view.flags.writeable = False
                object.__setattr__(self, name, view)
        if self.magnitude.shape != (len(self.frequency), len(self.channels)):
            raise ValueError(
                f"magnitude must be {(len(self.frequency), len(self.channels))}, got {self.magnitude.shape}"
            )
