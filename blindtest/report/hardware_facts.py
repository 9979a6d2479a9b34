"""Real units as a report tells them: where they were connected, how they were matched, who switched them and when.

Levels are dB, times s, frequencies Hz.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

__all__ = ["ConnectedUnit", "HardwareFacts"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ConnectedUnit:
    """The real unit behind a condition."""

    condition: str
    unit: str
    connect: str = ""
    outputs: tuple[int, ...] = ()
    volts: Mapping[int, tuple[float, ...]] = field(default_factory=dict)
    """Frequency to the voltage of each channel, as entered."""
    trim_db: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HardwareFacts:
    """How real units were switched, and what is on record of it."""

    route: Literal["operator", "outputs"]
    switch: str
    units: tuple[ConnectedUnit, ...]
    apart_db: Mapping[int, float] = field(default_factory=dict)
    """Frequency to how far apart the units were, once trimmed, in the channel where it was most."""
    measured_with: str = ""
    trimmed: bool = False
    accept_unmatched: str = ""
    operator_knows: bool | None = None
    operator_place: str = ""
    switch_s: float | None = None
    """From what the listener asked for to its sound, the same for all."""
    connections: tuple[float, ...] = ()
    """Seconds that the operator took for each connection of all sittings."""
    late: int = 0
    """Connections that took longer than the time that is the same for all."""
    mistakes: int = 0
    """Wrong connections that the operator reported."""
