"""What was applied to make a condition, stage by stage, as a report shows it. Levels are dB, frequencies Hz."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blindtest.report.correction_facts import column

__all__ = ["ChainFacts", "DelayFacts", "HarmonicsFacts", "LoadFacts", "MisfitLine", "RoomFacts", "StageCurve"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class StageCurve:
    """What one stage adds to the level (bins,) dB, over the frequencies of its chain."""

    name: str
    level_db: Floats

    def __post_init__(self) -> None:
        object.__setattr__(self, "level_db", column(self.level_db))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DelayFacts:
    """What a chain's phase has beyond minimum phase and delay: group delay (points,) ms over frequency (points,) Hz."""

    name: str
    frequency: Floats
    delay_ms: Floats

    def __post_init__(self) -> None:
        for name in ("frequency", "delay_ms"):
            object.__setattr__(self, name, column(getattr(self, name)))
        if len(self.frequency) != len(self.delay_ms):
            raise ValueError(f"{len(self.frequency)} frequencies, but {len(self.delay_ms)} delays")


@dataclass(frozen=True, slots=True, kw_only=True)
class MisfitLine:
    """How far one order lies from its table at one of the table's levels, over all its frequencies."""

    level_db: float | None
    """None: the table names no level."""
    order: int
    rms_db: float
    worst_db: float
    """Made less measured, where they are farthest apart."""
    worst_hz: float
    exact: bool
    """Whether this is the level that the stage is designed to meet."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HarmonicsFacts:
    """Harmonics that were added, at the level they are designed for."""

    name: str
    level_db: float | None
    """Of the table; None where it names none."""
    full_scale_db: float
    """Level of the table at which a full-scale sine of the clip is reproduced."""
    scale_db: float
    made: tuple[tuple[int, float, float, float], ...]
    """(order, Hz of the fundamental, dB re fundamental as measured and scaled, dB as made)."""
    misfit: tuple[MisfitLine, ...]
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LoadFacts:
    """A source's output impedance and what it drives: |Z| (points,) ohm over frequency (points,) Hz."""

    name: str
    source_ohm: float
    frequency: Floats
    ohm: Floats
    phase_measured: bool

    def __post_init__(self) -> None:
        for name in ("frequency", "ohm"):
            object.__setattr__(self, name, column(getattr(self, name)))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class RoomFacts:
    """A pair of loudspeakers at two ears: level (points,) dB of each path over frequency (points,) Hz, 1/3 octave."""

    name: str
    frequency: Floats
    paths: tuple[StageCurve, ...]
    """Left to left ear, left to right, right to left, right to right."""
    interaural_ms: tuple[float, float]
    """By how much the direct sound of the left and of the right loudspeaker comes later to the far ear."""
    crosstalk_db: tuple[float, float]
    """Its level there re the near ear."""
    length_s: float
    common_delay_ms: float
    """Taken out, alike for all four paths."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "frequency", column(self.frequency))
        if any(len(one.level_db) != len(self.frequency) for one in self.paths):
            raise ValueError(f"paths of other lengths than {len(self.frequency)} frequencies")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ChainFacts:
    """All that was applied to the clips for one condition, level matching apart."""

    condition: str
    frequency: Floats
    """(bins,) Hz ascending, of all its curves of level."""
    stages: tuple[StageCurve, ...] = ()
    """They add up to `sum_db`."""
    sum_db: Floats
    ears: tuple[StageCurve, ...] = ()
    """What left and right get beside the sum; () where both get the same."""
    offset_db: float = 0.0
    """Deliberate difference from the matched loudness."""
    recording: bool = False
    """An existing recording stands in for the clip."""
    measured: bool = False
    """A unit's response is among the stages."""
    delays: tuple[DelayFacts, ...] = ()
    harmonics: tuple[HarmonicsFacts, ...] = ()
    loads: tuple[LoadFacts, ...] = ()
    rooms: tuple[RoomFacts, ...] = ()

    def __post_init__(self) -> None:
        for name in ("frequency", "sum_db"):
            object.__setattr__(self, name, column(getattr(self, name)))
        for curve in (self.sum_db, *(one.level_db for one in (*self.stages, *self.ears))):
            if len(curve) != len(self.frequency):
                raise ValueError(f"{len(self.frequency)} frequencies, but {len(curve)} levels")

    @property
    def empty(self) -> bool:
        """Whether the clip was left as it is, level matching apart."""
        return not (self.stages or self.ears or self.offset_db or self.recording or self.delays or self.harmonics)

    @property
    def several(self) -> bool:
        """Whether there is more to draw than the filter as a whole."""
        return bool(len(self.stages) > 1 or self.ears or self.delays or self.harmonics or self.loads or self.rooms)
