"""Anchors and decoys as stages: renderings whose quality is known, and ones that were never named.

*Anchors* stand in the labelled and the blind phase alike: one plainly poor, one plainly good. The good one is the clip
as it is; the poor one is the clip through a low-pass of 3.5 kHz whose limits are those of the low anchor of ITU-R
BS.1534-3, 5.1: ripple of +-0.1 dB at most, 25 dB down at 4 kHz and 50 dB at 4.5 kHz at least. The mid anchor of that
standard is a low-pass of 7 kHz, for which it gives no limits: here they are those of the low one an octave higher, our
rule. A *decoy* tilts the spectrum gently about 1 kHz.

Both are designed, not measured: they hold at every frequency. The chain makes them minimum phase, as it does all else,
so that stimuli of a clip need no shift against each other.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["LOW_PASSES_HZ", "LOW_PASS_HZ", "MASK", "AnchorStage", "TiltStage", "low_pass_db"]

Floats = NDArray[np.float64]

LOW_PASS_HZ = 3500.0
LOW_PASSES_HZ = (LOW_PASS_HZ, 2 * LOW_PASS_HZ)
"""The low and the mid anchor of ITU-R BS.1534-3, 5.1."""
MASK: Mapping[str, tuple[float, float]] = {
    "ripple": (LOW_PASS_HZ, 0.1),
    "near": (4000.0, 25.0),
    "far": (4500.0, 50.0),
}
"""ITU-R BS.1534-3, 5.1: up to 3.5 kHz within +-0.1 dB; at 4 kHz and at 4.5 kHz down by at least so many dB."""
STOP_DB = 60.0
"""How far the low-pass goes down: 10 dB more than asked, and well above the 80 dB at which filters are floored."""
TILT_CENTRE_HZ = 1000.0
TILT_RANGE_HZ = (20.0, 20_000.0)
"""A tilt is held outside these: a straight line on log f has no end towards 0 Hz."""
STEEPEST_TILT_DB = 6.0
"""Steeper than this is no decoy but an anchor; our rule."""


def low_pass_db(frequency: Floats, low_pass_hz: float = LOW_PASS_HZ) -> Floats:
    """Return the level (bins,) in dB of an anchor that passes all up to `low_pass_hz`, at `frequency` (bins,) Hz.

    Of the low anchor: 0 dB up to 3.5 kHz, then half a cosine in dB on log f down to -60 dB at 4.5 kHz: flat at both
    ends, so that the filter made from it is short, and 33 dB down at 4 kHz. Of others the same, shifted on log f.
    """
    stop = MASK["far"][0] * (low_pass_hz / LOW_PASS_HZ)
    clipped = np.clip(np.asarray(frequency, dtype=np.float64), low_pass_hz, stop)
    way = np.log(clipped / low_pass_hz) / np.log(stop / low_pass_hz)
    level: Floats = -0.5 * STOP_DB * (1.0 - np.cos(np.pi * way))
    return level


@dataclass(frozen=True, slots=True, kw_only=True)
class AnchorStage:
    """A rendering of plainly poor or plainly good quality."""

    quality: Literal["poor", "good"]
    low_pass_hz: float = LOW_PASS_HZ
    """Of the poor one: up to where it passes all."""
    kind: ClassVar[str] = "anchor"
    designed: ClassVar[bool] = True

    def __post_init__(self) -> None:
        if self.quality not in ("poor", "good"):
            raise ValueError(f"quality must be 'poor' or 'good', got {self.quality!r}")
        if self.low_pass_hz not in LOW_PASSES_HZ:
            raise ValueError(f"the low-passes of anchors are {LOW_PASSES_HZ}, got {self.low_pass_hz!r}")

    def level_db(self, frequency: Floats) -> Floats:
        """Return the low-pass (bins,) in dB, or 0 dB for the good one."""
        return low_pass_db(frequency, self.low_pass_hz) if self.quality == "poor" else np.zeros(len(frequency))

    def facts(self) -> Mapping[str, object]:
        """Return the kind, and the numbers of the low-pass."""
        if self.quality == "good":
            return {"kind": self.kind, "quality": self.quality}
        return {"kind": self.kind, "quality": self.quality, "low_pass_hz": float(self.low_pass_hz), "stop_db": STOP_DB}


@dataclass(frozen=True, slots=True, kw_only=True)
class TiltStage:
    """A tilt of the whole spectrum about 1 kHz, held outside 20 Hz to 20 kHz: a decoy."""

    tilt_db_per_octave: float
    """Positive is brighter."""
    kind: ClassVar[str] = "tilt"
    designed: ClassVar[bool] = True

    def __post_init__(self) -> None:
        if not abs(self.tilt_db_per_octave) <= STEEPEST_TILT_DB:
            raise ValueError(f"a tilt is at most {STEEPEST_TILT_DB:g} dB an octave, got {self.tilt_db_per_octave}")

    def level_db(self, frequency: Floats) -> Floats:
        """Return the tilt (bins,) in dB, 0 dB at 1 kHz."""
        held = np.clip(np.asarray(frequency, dtype=np.float64), *TILT_RANGE_HZ)
        level: Floats = self.tilt_db_per_octave * np.log2(held / TILT_CENTRE_HZ)
        return level

    def facts(self) -> Mapping[str, object]:
        """Return the kind and the slope."""
        return {"kind": self.kind, "tilt_db_per_octave": float(self.tilt_db_per_octave)}
