"""What a unit's folder holds: each file, and each curve in it."""

from dataclasses import dataclass, field
from typing import Any

from blindtest.device import HarmonicLevel, Impedance, ImpulseResponse, Response
from blindtest.errors import Fault

__all__ = ["Curve", "SortedFile", "UnitFiles"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SortedFile:
    """One file, and what became of it."""

    file: str
    """Within the unit's folder."""
    taken_for: str
    """A kind of `device.taking`, or "copy"."""
    why: str
    channels: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Curve:
    """One channel of one seating."""

    file: str
    channel: str
    """left, right, or both where nothing tells."""
    response: Response


@dataclass(slots=True, eq=False, kw_only=True)
class UnitFiles:
    """All of a unit's folder."""

    files: list[SortedFile] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    curves: list[Curve] = field(default_factory=list)
    impulses: list[tuple[str, ImpulseResponse]] = field(default_factory=list)
    harmonics: list[tuple[str, tuple[HarmonicLevel, ...]]] = field(default_factory=list)
    impedances: list[tuple[str, Impedance]] = field(default_factory=list)

    @property
    def empty(self) -> bool:
        """Whether nothing in it can be used."""
        return not (self.curves or self.impulses or self.harmonics or self.impedances)
