"""Real units of a study: where they are connected, how well they match, and what is trimmed.

Match: the voltages of all units at 100 Hz, 1 kHz and 10 kHz, channel by channel, lie within 0.1 dB of each other
(electrical matching to 0.1 dB is practice since Clark 1982, JAES 30, 330-338; the three frequencies are our rule). A
trim is one gain for all channels of a unit, so that what is between its channels stays.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import log10
from typing import Literal

__all__ = ["MATCH_DB", "TRIM_HZ", "Connection", "Hardware", "Mismatch", "apart_db", "mismatches", "trims_db"]

MATCH_DB = 0.1
"""How far apart units may be, at any of the three frequencies, in any channel."""
TRIM_HZ = 1000
_ROUNDING_DB = 1e-9
Volts = Mapping[int, tuple[float, ...]]
"""Frequency in Hz to the voltage of each channel."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Connection:
    """The unit that a condition is heard through, and where it is connected."""

    unit: str
    connect: str = ""
    """What the operator reads; '' where outputs are switched."""
    outputs: tuple[int, ...] = ()
    """Of the sound device, from 1; () where an operator connects."""
    volts: Volts = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Hardware:
    """How units are switched and how they were matched, with the connection of each condition."""

    route: Literal["operator", "outputs"]
    switch: str
    connections: Mapping[str, Connection]
    """By condition id."""
    measured_with: str = ""
    trim: bool = False
    accept_unmatched: str = ""
    operator_knows: bool | None = None
    operator_place: str = ""
    switch_s: float = 10.0

    @property
    def trims_db(self) -> dict[str, float]:
        """How far each condition is brought down, dB, never above 0; all 0 where nothing is trimmed."""
        volts = {name: one.volts for name, one in self.connections.items()}
        return trims_db(volts) if self.trim else dict.fromkeys(volts, 0.0)

    @property
    def apart_db(self) -> dict[int, float]:
        """How far apart the units are at each frequency (Hz) once trimmed, in the channel where it is most."""
        return apart_db({name: one.volts for name, one in self.connections.items()}, self.trims_db)

    def to_record(self) -> dict[str, object]:
        """Return what the study's seal commits to."""
        return {
            "route": self.route,
            "switch": self.switch,
            "measured_with": self.measured_with,
            "accept_unmatched": self.accept_unmatched,
            "operator_knows": self.operator_knows,
            "operator_place": self.operator_place,
            "switch_s": self.switch_s if self.route == "operator" else None,
            "connections": {
                name: {
                    "unit": one.unit,
                    "connect": one.connect,
                    "outputs": list(one.outputs),
                    "volts": {str(frequency): list(volts) for frequency, volts in one.volts.items()},
                    "trim_db": self.trims_db[name],
                }
                for name, one in self.connections.items()
            },
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Mismatch:
    """A unit that is further from the others than it may be."""

    condition: str
    against: str
    """The condition it is furthest from."""
    frequency: int
    """Hz."""
    channel: int
    """0-based."""
    apart_db: float
    """Above 0: louder than `against`."""


def trims_db(volts: Mapping[str, Volts]) -> dict[str, float]:
    """Return the gain (dB, at most 0, to 0.001 dB) that brings each unit to the softest at 1 kHz, mean over channels.

    The mean is that of the channels' levels in dB. Units without a voltage at 1 kHz are left as they are.
    """
    levels = {
        name: sum(_db(one) for one in own[TRIM_HZ]) / len(own[TRIM_HZ])
        for name, own in volts.items()
        if own.get(TRIM_HZ)
    }
    least = min(levels.values(), default=0.0)
    return {name: min(0.0, round(least - levels[name], 3)) + 0.0 if name in levels else 0.0 for name in volts}


def apart_db(volts: Mapping[str, Volts], trims: Mapping[str, float]) -> dict[int, float]:
    """Return by frequency (Hz) how far apart the units are, dB, in the channel where it is most."""
    apart: dict[int, float] = {}
    for frequency, channel in _places(volts):
        levels = [_level(volts, trims, name, frequency, channel) for name in volts]
        apart[frequency] = max(apart.get(frequency, 0.0), max(levels) - min(levels))
    return apart


def mismatches(volts: Mapping[str, Volts], trims: Mapping[str, float]) -> tuple[Mismatch, ...]:
    """Return where units are more than 0.1 dB apart: of each frequency the channel where it is most, loudest first.

    volts : condition to its voltages; all with the same frequencies and channels
    trims : condition to its trim, dB
    """
    worst: dict[int, Mismatch] = {}
    for frequency, channel in _places(volts):
        levels = {name: _level(volts, trims, name, frequency, channel) for name in volts}
        loudest, softest = max(levels, key=levels.__getitem__), min(levels, key=levels.__getitem__)
        apart = levels[loudest] - levels[softest]
        if apart > MATCH_DB + _ROUNDING_DB and (frequency not in worst or apart > worst[frequency].apart_db):
            worst[frequency] = Mismatch(
                condition=loudest, against=softest, frequency=frequency, channel=channel, apart_db=apart
            )
    return tuple(worst.values())


def _db(volts: float) -> float:
    return 20 * log10(volts)


def _level(volts: Mapping[str, Volts], trims: Mapping[str, float], name: str, frequency: int, channel: int) -> float:
    return _db(volts[name][frequency][channel]) + trims.get(name, 0.0)


def _places(volts: Mapping[str, Volts]) -> list[tuple[int, int]]:
    """Return (frequency, channel) of what all units were measured at."""
    own = list(volts.values())
    if not own:
        return []
    common = [frequency for frequency in own[0] if all(frequency in other for other in own)]
    return [(frequency, channel) for frequency in common for channel in range(min(len(o[frequency]) for o in own))]
