"""Conditions and their stages, as the study names them; `job.py` makes those of `render` from them."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

__all__ = [
    "StudyCondition",
    "StudyCorrection",
    "StudyHarmonics",
    "StudyHump",
    "StudyShelf",
    "StudySourceImpedance",
    "StudyStage",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyCorrection:
    """The correction of a unit towards a target, as the study names it."""

    unit: str
    target: str = ""
    """A file relative to the study folder; '' where a field or units stand in its place."""
    target_field: Literal["diffuse", "free", "flat", ""] = ""
    target_units: tuple[str, ...] = ()
    tilt_db_per_octave: float = 0.0
    bass_db: float = 0.0
    bass_hz: float = 105.0
    treble_db: float = 0.0
    treble_hz: float = 2500.0
    align_hz: tuple[float, float] = (300.0, 3000.0)
    band_hz: tuple[float, float] = (20.0, 8000.0)
    max_boost_db: float = 6.0
    max_boost_points: tuple[tuple[float, float], ...] = ()
    seating_sd: float = 0.0
    without_hz: tuple[tuple[float, float], ...] = ()
    smoothing: float = 1 / 12
    sections: int | str | None = None
    """How many second-order sections at most, or a file of them; None for an FIR filter."""
    max_gain_db: float = 12.0
    max_q: float = 8.0
    phase: Literal["minimum"] = "minimum"

    @property
    def files(self) -> tuple[str, ...]:
        """What it reads beside the unit's measurements."""
        return tuple(name for name in (self.target, self.sections) if isinstance(name, str) and name)


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyHump:
    """One peaking section."""

    frequency_hz: float
    gain_db: float
    q: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyShelf:
    """One shelving section."""

    type: Literal["low", "high"]
    frequency_hz: float
    gain_db: float
    q: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyHarmonics:
    """The harmonics of a unit as a stage, as the study names them."""

    unit: str
    full_scale_db: float
    at_db: float | None = None
    scale_db: float = 0.0
    polarity: Literal["as measured", "inverted"] = "as measured"
    filters: Literal["after", "before"] = "after"


@dataclass(frozen=True, slots=True, kw_only=True)
class StudySourceImpedance:
    """A source's output impedance ahead of a unit."""

    unit: str
    ohm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyStage:
    """One stage as the study names it; exactly one of its kinds is set, `align` goes with a recording."""

    response: str | None = None
    """The id of a unit."""
    seating: int | None = None
    """Of a response: one seating, counted from 1, in place of their mean."""
    gain_db: float | None = None
    recording: Mapping[str, str] | None = None
    """Clip id to audio file, relative to the study folder."""
    align: bool = False
    correction: StudyCorrection | None = None
    lowpass_hz: float | None = None
    tilt_db_per_octave: float | None = None
    hump: StudyHump | None = None
    shelf: StudyShelf | None = None
    harmonics: StudyHarmonics | None = None
    source_impedance: StudySourceImpedance | None = None
    excess_phase: str | None = None
    """The id of a unit with impulse responses."""
    imbalance: str | None = None
    """The id of a unit measured on both channels."""
    binaural_response: str | None = None
    """The id of a pair of loudspeakers measured at two ears."""

    @property
    def unit(self) -> str | None:
        """The id of the unit whose response the stage needs, if any."""
        return self.correction.unit if self.correction is not None else self.response or self.imbalance

    @property
    def units(self) -> tuple[str, ...]:
        """The ids of all units whose measurements the stage reads."""
        bare = (self.excess_phase, self.binaural_response)
        own = (self.unit, *bare, *(one.unit for one in (self.harmonics, self.source_impedance) if one))
        targets = () if self.correction is None else self.correction.target_units
        return (*(name for name in own if name is not None), *targets)


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyCondition:
    """What is compared: an ordered chain of stages; no stage is the clip as it is."""

    id: str
    stages: tuple[StudyStage, ...] = ()
    label: str = ""
    """What listeners read where names are shown, as written; `labels` gives the one of every condition."""
    anchor: Literal["low", "mid", "high"] | None = None
    decoy: bool = False
    reference: bool = False
    """The original that ratings against one give openly and hide once more."""
    grid: str = ""
    """The condition of the study file whose grid it is a level of; '' if it is none."""
    level: float | None = None
    """Of a grid: how much of the stage there is, without its sign."""
    value: float | None = None
    """Of a grid: the number of the stage."""
    unit: str = ""
    """Of a grid: of that number."""

    factorial: str = ""
    """The condition of the study file whose stages are switched on and off in it; '' if there is none."""
    switches: tuple[tuple[str, bool], ...] = ()
    """Of a factorial: its stages, and whether each is on."""

    @property
    def plain(self) -> bool:
        """Whether it is neither anchor, decoy nor one of a grid or factorial: something a claim of two can speak of."""
        return self.anchor is None and not self.decoy and not self.grid and not self.factorial
