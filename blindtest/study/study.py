"""Study: the folder a user writes, loaded as values; everything that is wrong with it, found at once.

`load_study` reads study.toml and the protocol and looks whether the named files are there; `check_study` reads the
measurements and clips too. Both find all faults in one run. Nothing here writes.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any, Literal

from pydantic import ValidationError

from blindtest.design import Claim, Protocol
from blindtest.errors import BlindtestError, Fault
from blindtest.study import lines as places
from blindtest.study.checks import check_tables
from blindtest.study.complaints import complaints
from blindtest.study.deciding import read_study_protocol
from blindtest.study.findings import Findings
from blindtest.study.paths import matching
from blindtest.study.protocols import is_path, protocol_source
from blindtest.study.reading import pruned, read_toml
from blindtest.study.refutation import Reach
from blindtest.study.schema import ClipTable, ConditionTable, PlaybackTable, StageTable, StudyFile, UnitTable

__all__ = [
    "Listeners",
    "Loaded",
    "PlaybackSetting",
    "Rendering",
    "Study",
    "StudyClip",
    "StudyCondition",
    "StudyStage",
    "Unit",
    "compared",
    "load_study",
    "look_at_tables",
    "primary_claim",
    "study_files",
    "tested_clips",
]

FILE_NAME = "study.toml"


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
    serial_suffix: str = ""
    revision: str = ""
    measured: date | None = None

    @property
    def files(self) -> tuple[str, ...]:
        """Every response file."""
        return (*self.responses, *self.left, *self.right)

    @property
    def seatings(self) -> int:
        """How many seatings were measured."""
        return len(self.responses) or min(len(self.left), len(self.right))


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaybackSetting:
    """What the listener wears or sits before."""

    unit: str
    field_curve: str = ""
    max_boost_db: float = 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Rendering:
    """How conditions are made audible."""

    over: Literal["inverse", "worn"] = "inverse"
    match: Literal["heard", "file", "1khz"] = "heard"
    ceiling_dbtp: float = -1.0
    rate_hz: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyStage:
    """One stage as the study names it; exactly one of the first three is set."""

    response: str | None = None
    """The id of a unit."""
    gain_db: float | None = None
    recording: Mapping[str, str] | None = None
    """Clip id to audio file, relative to the study folder."""
    align: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyCondition:
    """What is compared: an ordered chain of stages; no stage is the clip as it is."""

    id: str
    stages: tuple[StudyStage, ...] = ()


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
    """What listeners are told, and how long their answers are kept."""

    consent: str = ""
    keep_until: date | None = None


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
    """As written; `primary_claim` also gives the one that two conditions alone imply."""
    protocol: Protocol
    """With the study's changes made, and the claim's margin where it has one."""
    protocol_use: str
    """As written: a name in protocols/ of the package, or the path of a file within the folder."""
    listeners: Listeners
    storage: None = None
    """study.db in the folder; a database by URL comes later."""
    reach: Reach | None = None
    """What the plan can show and refute."""

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """A study file as looked at: the study where it can be used at all, and what was found."""

    study: Study | None
    found: Findings
    data: dict[str, Any]
    """The file's tables without what the schema refused."""
    folder: Path
    path: Path


def load_study(folder: str | Path) -> Study:
    """Return the study in `folder` (or the study file at that path), without reading measurements or clips.

    Raises
    ------
    BlindtestError
        Everything that is wrong, at once: each fault with file, line, key, what was found and what is allowed.
    """
    loaded = look_at_tables(folder)
    if loaded.study is None or loaded.found.faults:
        raise BlindtestError(*loaded.found.sorted_faults())
    return loaded.study


def look_at_tables(folder: str | Path) -> Loaded:
    """Return what study.toml, the protocol and the presence of the named files tell.

    Raises
    ------
    BlindtestError
        The study file can't be read at all.
    """
    given = Path(folder)
    path = given if given.is_file() else given / FILE_NAME
    source = read_toml(path)
    found = Findings(source, faults=list(source.faults))
    file: StudyFile | None = None
    try:
        file = StudyFile.model_validate(source.data)
    except ValidationError as error:
        wrong = complaints(error, StudyFile, source)
        found.touched = {where for where, _ in wrong}
        found.faults += [fault for _, fault in wrong]
    if source.faults:
        file = None
    data = pruned(source.data, sorted(found.touched, key=_deepest_first))
    check_tables(data, path.parent, found)
    protocol, reach = read_study_protocol(data, path.parent, found)
    study = None
    if file is not None and protocol is not None and not found.faults:
        study = _study(file, path, protocol, reach)
        _notes(study, found)
    return Loaded(study=study, found=found, data=data, folder=path.parent, path=path)


def _deepest_first(path: places.Path) -> int:
    return -len(path)


def _study(file: StudyFile, path: Path, protocol: Protocol, reach: Reach | None) -> Study:
    folder = path.parent
    claims = tuple(
        Claim(
            id=claim.id,
            kind=claim.kind,
            device=claim.device,
            comparator=claim.comparator,
            clips="all" if claim.clips == "all" else tuple(claim.clips),
            margin=claim.margin if claim.margin is not None else reach.margin if reach else None,
            primary=claim.primary,
        )
        for claim in file.claim
    )
    if claims and claims[0].margin is not None:
        blocks = tuple(replace(block, margin=claims[0].margin) if block.counted else block for block in protocol.blocks)
        protocol = replace(protocol, blocks=blocks)
    return Study(
        folder=folder,
        path=path,
        title=file.title,
        reviewer=file.reviewer,
        units=tuple(_unit(unit, folder) for unit in file.unit),
        playback=_playback(file.playback),
        rendering=Rendering(
            over=file.rendering.over,
            match=file.rendering.match,
            ceiling_dbtp=file.rendering.ceiling_dbtp,
            rate_hz=file.rendering.rate_hz,
        ),
        conditions=tuple(_condition(condition) for condition in file.condition),
        clips=tuple(_clip(clip) for clip in file.clip),
        claims=claims,
        protocol=protocol,
        protocol_use=file.protocol.use,
        listeners=Listeners(consent=file.listeners.consent or "", keep_until=file.listeners.keep_until),
        reach=reach,
    )


def _unit(table: UnitTable, folder: Path) -> Unit:
    def files(patterns: list[str] | None) -> tuple[str, ...]:
        return tuple(name for pattern in patterns or () for name in matching(folder, pattern))

    band = table.trusted_band_hz
    return Unit(
        id=table.id,
        name=table.name,
        kind=table.kind,
        rig=table.rig,
        level=table.level,
        reference_point=table.reference_point,
        responses=files(table.responses),
        left=files(table.left),
        right=files(table.right),
        trusted_band_hz=None if band is None else (band[0], band[1]),
        serial_suffix=table.serial_suffix or "",
        revision=table.revision or "",
        measured=table.measured,
    )


def _playback(table: PlaybackTable | None) -> PlaybackSetting | None:
    if table is None:
        return None
    return PlaybackSetting(unit=table.unit, field_curve=table.field_curve or "", max_boost_db=table.max_boost_db)


def _condition(table: ConditionTable) -> StudyCondition:
    def stage(one: StageTable) -> StudyStage:
        if one.recording is None:
            return StudyStage(response=one.response, gain_db=one.gain_db)
        return StudyStage(recording=dict(one.recording.files), align=one.recording.align)

    return StudyCondition(id=table.id, stages=tuple(stage(one) for one in table.stages))


def _clip(table: ClipTable) -> StudyClip:
    return StudyClip(
        id=table.id,
        file=table.file,
        in_s=table.in_s,
        out_s=table.out_s,
        title=table.title or "",
        chosen_by=table.chosen_by or "",
        chosen=table.chosen,
        licence=table.licence or "",
        loudness_lufs=table.loudness_lufs,
    )


def _notes(study: Study, found: Findings) -> None:
    used = {stage.response for condition in study.conditions for stage in condition.stages}
    if study.playback is not None:
        used.add(study.playback.unit)
    for index, unit in enumerate(study.units):
        if unit.id not in used:
            found.note(("unit", index), "no condition uses this unit")
        elif unit.seatings < 5:
            some = "one seating" if unit.seatings == 1 else f"{unit.seatings} seatings"
            found.note(
                ("unit", index),
                f"{some} only: five or more show how much of a difference is no more than reseating",
            )
    playback = study.playback
    if playback and not playback.field_curve and study.unit(playback.unit).reference_point == "eardrum":
        found.note(
            ("playback",),
            "no field_curve: ISO 11904-1 stands in for the rig's own when loudness as heard is matched",
        )
    first = min((unit.measured for unit in study.units if unit.id in used and unit.measured), default=None)
    for index, clip in enumerate(study.clips):
        if clip.chosen is not None and first is not None and clip.chosen > first:
            found.note(("clip", index, "chosen"), f"chosen after a unit was measured ({first.isoformat()})")


def primary_claim(study: Study) -> Claim:
    """Return the primary claim; where none is written, that the only two conditions can be told apart."""
    for claim in study.claims:
        if claim.primary:
            return claim
    first, second = (condition.id for condition in study.conditions)
    margin = next((block.margin for block in study.protocol.blocks if block.counted and block.margin is not None), None)
    return Claim(id="heard", kind="heard", device=first, comparator=second, margin=margin)


def compared(study: Study) -> tuple[str, str]:
    """Return the ids of the two conditions that are compared."""
    claim = primary_claim(study)
    return claim.device, claim.comparator


def tested_clips(study: Study) -> tuple[str, ...]:
    """Return the ids of the clips that the claim is tested on, in the order of the study file."""
    clips = primary_claim(study).clips
    return tuple(clip.id for clip in study.clips if clips == "all" or clip.id in clips)


def study_files(study: Study) -> dict[str, str]:
    """Return the SHA-256 (hex) of everything the study reads, by path as the study names it.

    Raises
    ------
    BlindtestError
        A file has gone or can't be read.
    """
    names = [study.path.name, *(name for unit in study.units for name in unit.files)]
    names += [study.playback.field_curve] if study.playback and study.playback.field_curve else []
    names += [clip.file for clip in study.clips]
    names += [
        file
        for condition in study.conditions
        for stage in condition.stages
        for file in (stage.recording or {}).values()
    ]
    names += [study.listeners.consent] if study.listeners.consent else []
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
    text = protocol_source(study.protocol_use, folder=study.folder).text
    hashes[study.protocol_file] = hashlib.sha256(text.encode()).hexdigest()
    return hashes
