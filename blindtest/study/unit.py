"""Units, the files they were measured into, and what is worn or sat before: as the study names them."""

from dataclasses import dataclass
from datetime import date
from typing import Literal

__all__ = ["AmplifierSetting", "Calibration", "PlaybackSetting", "Unit", "UnitBinaural"]


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitBinaural:
    """Impulse responses of a pair of loudspeakers at two ears, files relative to the study folder."""

    files: tuple[str, ...]
    """One of four channels or SOFA, or four."""
    rig: str
    reference_point: str = "eardrum"
    measurements: tuple[int, int] | None = None
    window_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """A measured unit and the files it was measured into, relative to the study folder."""

    id: str
    name: str
    kind: Literal["headphone", "loudspeaker", "electronics"]
    rig: str
    level: Literal["spl", "relative"]
    reference_point: Literal["eardrum", "diffuse-field", "free-field", "electrical"]
    responses: tuple[str, ...] = ()
    left: tuple[str, ...] = ()
    right: tuple[str, ...] = ()
    trusted_band_hz: tuple[float, float] | None = None
    seating_mean: Literal["level", "power"] = "level"
    impulse_responses: tuple[str, ...] = ()
    window_s: tuple[float, float] | None = None
    """Seconds of an impulse response that are kept ahead of its peak and behind it."""
    sensitivity_mv_94db: float | None = None
    sensitivity_db_per_volt: float | None = None
    sensitivity_db_per_mw: float | None = None
    sensitivity_hz: float | None = None
    rated_ohm: float | None = None
    harmonics: str = ""
    """A file relative to the study folder, as the next."""
    impedance: str = ""
    binaural: UnitBinaural | None = None
    position: str = ""
    """Where it stood, and the listener, in words."""
    serial_suffix: str = ""
    revision: str = ""
    firmware: str = ""
    sample_of: str = ""
    """The unit that it is another sample or revision of."""
    waived: tuple[tuple[str, str], ...] = ()
    """What will not be captured before it goes back, and why."""
    measured: date | None = None

    @property
    def files(self) -> tuple[str, ...]:
        """Every response file."""
        return (*self.responses, *self.left, *self.right)

    @property
    def further_files(self) -> tuple[str, ...]:
        """What else was measured."""
        binaural = () if self.binaural is None else self.binaural.files
        return (*self.impulse_responses, *binaural, *(name for name in (self.harmonics, self.impedance) if name))

    @property
    def seatings(self) -> int:
        """How many seatings were measured."""
        return len(self.responses) or min(len(self.left), len(self.right)) or len(self.impulse_responses)


@dataclass(frozen=True, slots=True, kw_only=True)
class AmplifierSetting:
    """What drives the playback unit."""

    volts: float | None = None
    """Its greatest sine, V r.m.s."""
    into_ohm: float | None = None
    """The load that holds for; None: open."""
    output_ohm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """One reading of a tone through the chain as it stands: a voltage across the unit, or a sound pressure level."""

    tone_dbfs: float
    tone_hz: float = 1000.0
    volts: float | None = None
    spl_db: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaybackSetting:
    """What the listener wears or sits before."""

    unit: str
    field_curve: str = ""
    max_boost_db: float = 12.0
    full_scale_volts: float | None = None
    """What the source puts out for a full-scale sine, V r.m.s., unloaded."""
    amplifier: AmplifierSetting | None = None
    calibration: Calibration | None = None
