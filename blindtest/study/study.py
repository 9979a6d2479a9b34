"""Study: the folder a user writes, as values; `loading.py` makes them, `comparing.py` says what meets what."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Literal

from blindtest.design import Claim, Protocol
from blindtest.errors import BlindtestError, Fault
from blindtest.study.hardware import Hardware
from blindtest.study.panel import Panel
from blindtest.study.protocols import is_path, protocol_source
from blindtest.study.refutation import AnyReach, Reach
from blindtest.study.storage import Storage

__all__ = [
    "AmplifierSetting",
    "Calibration",
    "Listeners",
    "PlaybackSetting",
    "Rendering",
    "Study",
    "StudyClip",
    "StudyCondition",
    "StudyCorrection",
    "StudyHarmonics",
    "StudyHump",
    "StudyShelf",
    "StudySourceImpedance",
    "StudyStage",
    "Unit",
    "UnitBinaural",
    "study_files",
]

ORIGIN_NAME = "origin.toml"
"""What `blindtest new --from` leaves: which study this one came from."""


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Rendering:
    """How conditions are made audible."""

    over: Literal["inverse", "worn"] = "inverse"
    match: Literal["heard", "file", "1khz"] = "heard"
    ceiling_dbtp: float = -1.0
    rate_hz: int | None = None
    second_rate_hz: int | None = None


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


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyClip:
    """A piece of programme material."""

    id: str
    file: str
    """Relative to the study folder, which it may leave."""
    in_s: float = 0.0
    out_s: float | None = None
    """None: to the end of the file."""
    title: str = ""
    chosen_by: str = ""
    chosen: date | None = None
    licence: str = ""
    loudness_lufs: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Listeners:
    """How many are planned, what they are told, and how long their answers are kept."""

    planned: int = 1
    consent: str = ""
    keep_until: date | None = None
    language: str = ""
    """Of the pages, for listeners who choose none there; '' to follow their browsers."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """A study as loaded. Paths of files are texts relative to `folder`."""

    folder: Path
    path: Path
    """The study file."""
    title: str
    reviewer: str
    units: tuple[Unit, ...]
    playback: PlaybackSetting | None
    rendering: Rendering
    conditions: tuple[StudyCondition, ...]
    clips: tuple[StudyClip, ...]
    claims: tuple[Claim, ...]
    """As written, exactly one of them primary; `primary_claim` also gives the one that two conditions alone imply."""
    protocol: Protocol
    """With the study's changes made, the claims' margins where they have one, and trials of ratings from the clips."""
    protocol_use: str
    """As written: a name in protocols/ of the package, or the path of a file within the folder."""
    listeners: Listeners
    hardware: Hardware | None = None
    """Real units, and how they are switched; None where all that sounds is rendered."""
    panel: Panel | None = None
    """How many listeners take it over the web; None where it has no panel."""
    storage: Storage | None = None
    """A database by URL; None for study.db in the folder."""
    reaches: Mapping[str, AnyReach] = field(default_factory=dict)
    """By claim id: what the plan can show and refute, and how often."""

    @property
    def reach(self) -> Reach | None:
        """What the plan can show and refute of the claim that something is heard; None without one."""
        return next((one for one in self.reaches.values() if isinstance(one, Reach)), None)

    @property
    def protocol_file(self) -> str:
        """Where the protocol came from: 'protocols/abx.toml' of the package, or a path within the folder."""
        return self.protocol_use if is_path(self.protocol_use) else f"protocols/{self.protocol_use}.toml"

    def unit(self, name: str) -> Unit:
        """Return the unit of this id."""
        return next(unit for unit in self.units if unit.id == name)

    def clip(self, name: str) -> StudyClip:
        """Return the clip of this id."""
        return next(clip for clip in self.clips if clip.id == name)

    @property
    def grids(self) -> dict[str, tuple[StudyCondition, ...]]:
        """The levels of each grid in ascending order, by the id of the condition that spans it."""
        names = dict.fromkeys(condition.grid for condition in self.conditions if condition.grid)
        return {name: tuple(one for one in self.conditions if one.grid == name) for name in names}

    @property
    def factorials(self) -> dict[str, tuple[StudyCondition, ...]]:
        """The combinations of each factorial in their order, by the id of the condition that spans it."""
        names = dict.fromkeys(condition.factorial for condition in self.conditions if condition.factorial)
        return {name: tuple(one for one in self.conditions if one.factorial == name) for name in names}

    def condition(self, name: str) -> StudyCondition:
        """Return the condition of this id."""
        return next(condition for condition in self.conditions if condition.id == name)


def protocol_text(study: Study) -> str:
    """Return the text of the protocol file that the study uses, as its hash in `study_files` is taken."""
    return protocol_source(study.protocol_use, folder=study.folder).text


def study_files(study: Study) -> dict[str, str]:
    """Return the SHA-256 (hex) of everything the study reads, by path as the study names it.

    Raises
    ------
    BlindtestError
        A file has gone or can't be read.
    """
    names = [study.path.name, *(name for unit in study.units for name in (*unit.files, *unit.further_files))]
    names += [study.playback.field_curve] if study.playback and study.playback.field_curve else []
    names += [clip.file for clip in study.clips]
    names += [
        file
        for condition in study.conditions
        for stage in condition.stages
        for file in (stage.recording or {}).values()
    ]
    names += [
        name
        for condition in study.conditions
        for stage in condition.stages
        if stage.correction is not None
        for name in stage.correction.files
    ]
    names += [study.listeners.consent] if study.listeners.consent else []
    names += [ORIGIN_NAME] if (study.folder / ORIGIN_NAME).exists() else []
    faults = []
    hashes: dict[str, str] = {}
    for name in dict.fromkeys(names):
        place = study.folder / Path(name).expanduser()
        try:
            with place.open("rb") as stream:
                hashes[name] = hashlib.file_digest(stream, "sha256").hexdigest()
        except OSError as error:
            faults.append(Fault(problem=f"can't be read: {error.strerror}", file=str(place)))
    if faults:
        raise BlindtestError.of(faults)
    hashes[study.protocol_file] = hashlib.sha256(protocol_text(study).encode()).hexdigest()
    return hashes
