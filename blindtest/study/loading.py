"""Loading a study: from study.toml, the protocol and the presence of named files to a Study, or to all that is wrong.

`load_study` reads study.toml and the protocol and looks whether the named files are there; `check_study` (material.py)
reads the measurements and clips too. Both find all faults in one run. Nothing here writes.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from blindtest.design import DEFAULT_KEPT, METHODS, Claim, Protocol
from blindtest.errors import BlindtestError
from blindtest.study.binaural_checks import binaural_files
from blindtest.study.checks import check_tables
from blindtest.study.claim_checks import check_claims
from blindtest.study.comparing import asked_of
from blindtest.study.complaints import complaints
from blindtest.study.condition import (
    StudyCondition,
    StudyHarmonics,
    StudyHump,
    StudyShelf,
    StudySourceImpedance,
    StudyStage,
)
from blindtest.study.correction_stages import study_correction
from blindtest.study.deciding import primary_index, read_study_protocol
from blindtest.study.factorials import cells, without
from blindtest.study.findings import Findings
from blindtest.study.grids import spread
from blindtest.study.hardware import Connection, Hardware
from blindtest.study.hardware_checks import check_hardware, check_hardware_protocol, note_hardware, trims_wanted
from blindtest.study.hardware_tables import VOLTS_KEYS, volts_of
from blindtest.study.lines import Place
from blindtest.study.panel import panel_of
from blindtest.study.panel_checks import check_panel, check_panel_protocol, check_second_rate, note_panel
from blindtest.study.paths import matching
from blindtest.study.reading import pruned, read_toml
from blindtest.study.refutation import AnyReach
from blindtest.study.schema import (
    ClaimTable,
    ClipTable,
    ConditionTable,
    PlaybackTable,
    StageTable,
    StudyFile,
    UnitTable,
)
from blindtest.study.storage import storage_in
from blindtest.study.study import Listeners, Rendering, Study, StudyClip
from blindtest.study.unit import AmplifierSetting, Calibration, PlaybackSetting, Unit, UnitBinaural
from blindtest.study.variants import check_variants, say_variants, variant_claims, with_variants

__all__ = ["FILE_NAME", "Loaded", "load_study", "look_at_tables"]

FILE_NAME = "study.toml"


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
    source = replace(source, data=with_variants(source.data))
    found = Findings(source, faults=list(source.faults))
    file: StudyFile | None = None
    try:
        file = StudyFile.model_validate(source.data)
    except ValidationError as error:
        wrong = complaints(error, StudyFile, source)
        found.touched = {where for where, _ in wrong}
        # A number that was too large to be read is said already: its key is there, and isn't missing.
        found.faults += [
            fault for where, fault in wrong if not any(one[: len(where)] == where for one in source.oversized)
        ]
    if source.faults:
        file = None
        found.touched |= set(source.oversized)
    data = pruned(source.data, sorted(found.touched, key=_deepest_first))
    check_tables(data, path.parent, found)
    check_variants(data, found)
    check_hardware(data, found)
    check_panel(data, path.parent, found)
    check_second_rate(data, found)
    check_claims(data, found)
    protocol, reaches = read_study_protocol(data, path.parent, found)
    say_variants(data, reaches, found)
    check_hardware_protocol(data, protocol, found)
    check_panel_protocol(data, protocol, found)
    study = None
    if file is not None and protocol is not None and not found.faults:
        study = _study(file, path, protocol, reaches)
        _notes(study, found)
        note_hardware(data, study.hardware, found)
        note_panel(data, study.panel, found)
    return Loaded(study=study, found=found, data=data, folder=path.parent, path=path)


def _deepest_first(path: Place) -> int:
    return -len(path)


def _study(file: StudyFile, path: Path, protocol: Protocol, reaches: Mapping[str, AnyReach]) -> Study:
    folder = path.parent
    first = primary_index([{"primary": claim.primary} for claim in file.claim])
    added = variant_claims(file.model_dump(exclude_unset=True))
    claims = tuple(_claim(claim, index == first, reaches, added) for index, claim in enumerate(file.claim))
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
            second_rate_hz=file.rendering.second_rate_hz,
        ),
        conditions=tuple(one for condition in file.condition for one in _conditions(condition)),
        clips=tuple(_clip(clip) for clip in file.clip),
        claims=claims,
        protocol=_with_margins(protocol, claims),
        protocol_use=file.protocol.use,
        listeners=Listeners(
            planned=file.listeners.planned,
            consent=file.listeners.consent or "",
            keep_until=file.listeners.keep_until,
            language=file.listeners.language or "",
        ),
        reaches=dict(reaches),
        hardware=_hardware(file),
        panel=None if file.panel is None else panel_of(file.panel, file.listeners.planned),
        storage=storage_in(file.model_dump(include={"title", "reviewer", "storage"})),
    )


def _hardware(file: StudyFile) -> Hardware | None:
    table = file.hardware
    if table is None:
        return None
    connections: dict[str, Connection] = {}
    for condition in file.condition:
        own = condition.hardware
        assert own is not None
        connection = Connection(
            unit=own.unit,
            connect=own.connect or "",
            outputs=tuple(own.outputs or ()),
            volts={hz: volts_of(v) for hz, key in VOLTS_KEYS.items() if (v := getattr(own, key)) is not None},
        )
        connections |= {one.id: connection for one in _conditions(condition)}
    return Hardware(
        route=table.route,
        switch=table.switch,
        connections=connections,
        measured_with=table.measured_with or "",
        trim=trims_wanted({"route": table.route} if table.trim is None else {"trim": table.trim}),
        accept_unmatched=table.accept_unmatched or "",
        operator_knows=table.operator_knows,
        operator_place=table.operator_place or "",
        switch_s=table.switch_s,
    )


def _claim(table: ClaimTable, primary: bool, reaches: Mapping[str, AnyReach], added: Mapping[str, str]) -> Claim:
    reach = reaches.get(table.id)
    return Claim(
        id=table.id,
        kind=table.kind,
        device=table.device,
        comparator=table.comparator or table.device,
        clips="all" if table.clips == "all" else tuple(table.clips),
        margin=table.margin if table.margin is not None else reach.margin if reach else None,
        primary=primary,
        quote=table.quote or "",
        impression=table.impression or "",
        kept=DEFAULT_KEPT if table.kept is None else table.kept,
        attribute=table.attribute or "",
        direction=table.direction or "two-sided",
        stage=table.stage or "",
        effect=table.effect or "either",
        variant_of=added.get(table.id, ""),
    )


def _with_margins(protocol: Protocol, claims: tuple[Claim, ...]) -> Protocol:
    """Give each block the margin of the claim that it decides; of several, the primary one's, else the first's."""
    blocks = []
    for block in protocol.blocks:
        decided = [
            claim
            for claim in claims
            if block.counted
            and claim.kind in METHODS[block.method].decides
            and claim.attribute in ("", asked_of(block))
        ]
        margins = [claim.margin for claim in sorted(decided, key=lambda claim: not claim.primary) if claim.margin]
        blocks.append(replace(block, margin=margins[0]) if margins else block)
    return replace(protocol, blocks=tuple(blocks))


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
        seating_mean=table.seating_mean,
        sensitivity_mv_94db=table.sensitivity_mv_94db,
        sensitivity_db_per_volt=table.sensitivity_db_per_volt,
        sensitivity_db_per_mw=table.sensitivity_db_per_mw,
        sensitivity_hz=table.sensitivity_hz,
        rated_ohm=table.rated_ohm,
        impulse_responses=files(table.impulse_responses),
        window_s=None if table.window_s is None else (table.window_s[0], table.window_s[1]),
        binaural=_binaural(table),
        position=table.position or "",
        harmonics=table.harmonics or "",
        impedance=table.impedance or "",
        serial_suffix=table.serial_suffix or "",
        revision=table.revision or "",
        firmware=table.firmware or "",
        sample_of=table.sample_of or "",
        waived=tuple(table.waived.items()),
        measured=table.measured,
    )


def _binaural(table: UnitTable) -> UnitBinaural | None:
    own = table.binaural
    if own is None:
        return None
    return UnitBinaural(
        files=binaural_files(dict(own)),
        rig=own.rig,
        reference_point=own.reference_point,
        measurements=None if own.measurements is None else (own.measurements[0], own.measurements[1]),
        window_s=own.window_s,
    )


def _playback(table: PlaybackTable | None) -> PlaybackSetting | None:
    if table is None:
        return None
    return PlaybackSetting(
        unit=table.unit,
        field_curve=table.field_curve or "",
        max_boost_db=table.max_boost_db,
        full_scale_volts=table.full_scale_volts,
        amplifier=None if table.amplifier is None else AmplifierSetting(**dict(table.amplifier)),
        calibration=None if table.calibration is None else Calibration(**dict(table.calibration)),
    )


def _conditions(table: ConditionTable) -> tuple[StudyCondition, ...]:
    """Return the condition, the levels of its grid, or the combinations of its factors."""
    condition = _condition(table)
    if table.factors is not None:
        return tuple(
            replace(
                condition,
                id=name,
                stages=tuple(stage for one in without(table.stages, switches) for stage in _stages(one)),
                factorial=table.id,
                switches=switches,
            )
            for name, switches in cells({"id": table.id, "factors": table.factors.model_dump()})
        )
    return (condition,) if table.grid is None else spread(condition, table.grid.stage, table.grid.values)


def _condition(table: ConditionTable) -> StudyCondition:
    return StudyCondition(
        id=table.id,
        stages=tuple(stage for one in table.stages for stage in _stages(one)),
        label=table.label or "",
        anchor=table.anchor,
        decoy=table.decoy,
        reference=table.reference,
    )


def _stages(table: StageTable) -> tuple[StudyStage, ...]:
    """Return a stage, or the two that an impulse response stands for: level, and phase beyond it."""
    if table.impulse_response is None:
        return (_stage(table),)
    unit, phase = table.impulse_response.unit, table.impulse_response.phase
    level = () if phase == "excess only" else (StudyStage(response=unit),)
    return level if phase == "minimum" else (*level, StudyStage(excess_phase=unit))


def _stage(table: StageTable) -> StudyStage:
    return StudyStage(
        response=table.response if table.seating is None else table.seating.unit,
        seating=None if table.seating is None else table.seating.number,
        gain_db=table.gain_db,
        recording=None if table.recording is None else dict(table.recording.files),
        align=table.recording is not None and table.recording.align,
        correction=None if table.correction is None else study_correction(table.correction),
        lowpass_hz=table.lowpass_hz,
        tilt_db_per_octave=table.tilt_db_per_octave,
        excess_phase=table.excess_phase,
        imbalance=table.imbalance,
        binaural_response=table.binaural_response,
        harmonics=None if table.harmonics is None else StudyHarmonics(**dict(table.harmonics)),
        source_impedance=None
        if table.source_impedance is None
        else StudySourceImpedance(unit=table.source_impedance.unit, ohm=table.source_impedance.ohm),
        hump=None
        if table.hump is None
        else StudyHump(frequency_hz=table.hump.frequency_hz, gain_db=table.hump.gain_db, q=table.hump.q),
        shelf=None
        if table.shelf is None
        else StudyShelf(
            type=table.shelf.type,
            frequency_hz=table.shelf.frequency_hz,
            gain_db=table.shelf.gain_db,
            q=table.shelf.q,
        ),
    )


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
    used = {name for condition in study.conditions for stage in condition.stages for name in stage.units}
    if study.playback is not None:
        used.add(study.playback.unit)
    for index, unit in enumerate(study.units):
        if unit.id not in used:
            found.note(("unit", index), "no condition uses this unit")
        elif 0 < unit.seatings < 5:
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
