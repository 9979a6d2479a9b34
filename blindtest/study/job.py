"""A study as a job for `render`: seatings averaged, field curve chosen, files found."""

from collections.abc import Mapping
from math import inf
from pathlib import Path

from blindtest.device import Response, channel_mean, diffuse_field_curve, read_response
from blindtest.errors import BlindtestError, Fault
from blindtest.render import (
    AnchorStage,
    ClipSource,
    Condition,
    GainStage,
    HumpStage,
    Playback,
    RecordingStage,
    RenderJob,
    ResponseStage,
    ShelfStage,
    Stage,
    TiltStage,
)
from blindtest.study.bench_stages import BenchStages, is_behind
from blindtest.study.condition import StudyStage
from blindtest.study.correction_stages import CorrectionStages
from blindtest.study.measurements import Averages, channels_mean, unit_averages
from blindtest.study.reseating import seating_response
from blindtest.study.study import Study

__all__ = ["render_job"]

EAR_SIMULATOR_HZ = (20.0, 10_000.0)
"""Where no band is given and responses are at the eardrum (IEC 60318-4 is specified to 10 kHz, from memory)."""
FIELD_HZ = (20.0, 20_000.0)


def render_job(study: Study) -> RenderJob:
    """Return what `render` makes stimuli from: seatings averaged, left and right as their mean, field curve chosen.

    Raises
    ------
    BlindtestError
        Measurements that can't be read or combined; all that is wrong with them at once.
    """
    used = {stage.unit for condition in study.conditions for stage in condition.stages if stage.unit}
    used |= {
        stage.harmonics.unit
        for one in study.conditions
        for number, stage in enumerate(one.stages)
        if stage.harmonics is not None and is_behind(study, one, number, stage.harmonics.unit)
    }
    if study.playback is not None:
        used.add(study.playback.unit)
    faults: list[Fault] = []
    responses: dict[str, Response] = {}
    averages: dict[str, Averages] = {}
    bench = BenchStages(study)
    for unit in study.units:
        if unit.id not in used:
            continue
        try:
            averages[unit.id] = unit_averages(study, unit)
            responses[unit.id] = channels_mean(averages[unit.id])
        except BlindtestError as error:
            faults += error.faults
    field, field_named = None, ""
    try:
        field, field_named = _field_curve(study)
    except BlindtestError as error:
        faults += error.faults
    conditions = []
    corrections = CorrectionStages(study, averages)
    for one in study.conditions:
        try:
            stages = tuple(
                bench.stage(one, number, responses) or _stage(stage, responses, study, corrections)
                for number, stage in enumerate(one.stages)
                if _is_known(stage, responses)
            )
        except BlindtestError as error:
            faults += error.faults
            continue
        conditions.append(Condition(id=one.id, stages=stages))
    if faults:
        raise BlindtestError.of(faults)
    return RenderJob(
        clips=tuple(_clip_source(study, clip.id) for clip in study.clips),
        conditions=tuple(conditions),
        playback=_playback(study, responses, field, field_named),
        over=study.rendering.over,
        match=study.rendering.match,
        ceiling_dbtp=study.rendering.ceiling_dbtp,
        rate_hz=study.rendering.rate_hz,
    )


def _clip_source(study: Study, name: str) -> ClipSource:
    clip = study.clip(name)
    path = study.folder / Path(clip.file).expanduser()
    return ClipSource(id=clip.id, path=path, in_s=clip.in_s, out_s=clip.out_s, loudness_lufs=clip.loudness_lufs)


def _is_known(stage: StudyStage, responses: Mapping[str, Response]) -> bool:
    """Return whether the stage's unit could be read; where it couldn't, that has been said."""
    return stage.unit is None or stage.unit in responses


def _stage(stage: StudyStage, responses: Mapping[str, Response], study: Study, corrections: CorrectionStages) -> Stage:
    if stage.response is not None and stage.seating is not None:
        one = seating_response(study, study.unit(stage.response), stage.seating)
        return ResponseStage(unit_id=stage.response, response=one)
    if stage.response is not None:
        return ResponseStage(unit_id=stage.response, response=responses[stage.response])
    if stage.imbalance is not None:
        return corrections.imbalance(stage.imbalance)
    if stage.correction is not None:
        return corrections.stage(stage.correction)
    if stage.gain_db is not None:
        return GainStage(gain_db=stage.gain_db)
    if stage.lowpass_hz is not None:
        return AnchorStage(quality="poor", low_pass_hz=float(stage.lowpass_hz))
    if stage.tilt_db_per_octave is not None:
        return TiltStage(tilt_db_per_octave=stage.tilt_db_per_octave)
    if (hump := stage.hump) is not None:
        return HumpStage(frequency_hz=hump.frequency_hz, gain_db=hump.gain_db, q=hump.q)
    if (shelf := stage.shelf) is not None:
        return ShelfStage(type=shelf.type, frequency_hz=shelf.frequency_hz, gain_db=shelf.gain_db, q=shelf.q)
    files = {clip: study.folder / Path(file).expanduser() for clip, file in (stage.recording or {}).items()}
    return RecordingStage(files=files, align=stage.align)


def _field_curve(study: Study) -> tuple[Response | None, str]:
    playback = study.playback
    if playback is None or study.unit(playback.unit).reference_point != "eardrum":
        return None, ""
    if not playback.field_curve:
        return diffuse_field_curve(), "ISO 11904-1 diffuse field, an average of real ears"
    path = study.folder / playback.field_curve
    try:
        curve = channel_mean(read_response(path))
    except BlindtestError as error:
        raise BlindtestError(*(fault.in_file(str(path)) for fault in error.faults)) from None
    return curve, f"the rig's own diffuse-field curve ({playback.field_curve})"


def _playback(
    study: Study, responses: Mapping[str, Response], field: Response | None, field_named: str
) -> Playback | None:
    setting = study.playback
    if setting is None:
        return None
    return Playback(
        unit_id=setting.unit,
        response=responses[setting.unit],
        field=field,
        field_named=field_named,
        max_boost_db=setting.max_boost_db,
        trusted_band_hz=_trusted_band(study, responses),
    )


def _trusted_band(study: Study, responses: Mapping[str, Response]) -> tuple[float, float]:
    """Return the band that all units in use trust: what each says, else what it was measured over, within limits."""
    low, high = 0.0, inf
    for name, response in responses.items():
        unit = study.unit(name)
        least, most = EAR_SIMULATOR_HZ if unit.reference_point == "eardrum" else FIELD_HZ
        measured = max(least, float(response.frequency[0])), min(most, float(response.frequency[-1]))
        own = unit.trusted_band_hz or measured
        low, high = max(low, own[0]), min(high, own[1])
    if high < 2 * low:
        raise BlindtestError(
            Fault(
                problem="the units' trusted bands have less than an octave in common",
                file=str(study.path),
                key="unit.trusted_band_hz",
                got=f"{low:g} to {high:g} Hz",
                remedy="widen trusted_band_hz, or measure over a wider range",
            )
        )
    return low, high
