"""Study: the folder a user writes, as values; `loading.py` makes them, `comparing.py` says what meets what."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Literal

from blindtest.design import Claim, Protocol
from blindtest.errors import BlindtestError, Fault
from blindtest.study.condition import StudyCondition
from blindtest.study.hardware import Hardware
from blindtest.study.panel import Panel
from blindtest.study.protocols import is_path, protocol_source
from blindtest.study.refutation import AnyReach, Reach
from blindtest.study.storage import Storage
from blindtest.study.unit import PlaybackSetting, Unit

__all__ = ["Listeners", "Rendering", "Study", "StudyClip", "study_files"]

ORIGIN_NAME = "origin.toml"
"""What `blindtest new --from` leaves: which study this one came from."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rendering:
    """How conditions are made audible."""

    over: Literal["inverse", "worn"] = "inverse"
    match: Literal["heard", "file", "1khz"] = "heard"
    ceiling_dbtp: float = -1.0
    rate_hz: int | None = None
    second_rate_hz: int | None = None


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
