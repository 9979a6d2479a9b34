"""The chain of every condition, taken apart for the report: what each stage does, and whether they add up."""

import numpy as np
from numpy.typing import NDArray

from blindtest.device import PATHS, ear_levels_db, loudspeaker_facts
from blindtest.render import (
    BinauralStage,
    Condition,
    DistortionStage,
    ExcessPhaseStage,
    ImbalanceStage,
    RecordingStage,
    Rendered,
    RenderJob,
    SourceImpedanceStage,
    measured_shares_db,
)
from blindtest.report import ChainFacts, DelayFacts, LoadFacts, RoomFacts, StageCurve
from blindtest.steps.harmonics import harmonics_facts
from blindtest.study import Study, compared, planned_conditions

__all__ = ["chains"]

Floats = NDArray[np.float64]
WORTH_DB = 0.005
"""What is left beside the stages and is smaller anywhere is rounding."""
_NAMES = {
    "anchor": "anchor",
    "tilt": "tilt",
    "hump": "hump",
    "shelf": "shelf",
    "correction": "correction",
    "sections": "correction",
}
_MEASURED = {"response": "response", "binaural_response": "both ears' mean"}
_SPAN_HZ = (20.0, 20_000.0)


def chains(study: Study, job: RenderJob, rendered: Rendered) -> tuple[ChainFacts, ...]:
    """Return the chain of every condition that was heard; of a grid the largest level stands for all."""
    largest = {levels[-1].id for levels in study.grids.values()}
    levels = {level.id for own in study.grids.values() for level in own}
    heard = {*compared(study), *planned_conditions(study)}
    rate = next(iter(rendered.rates.values()), 48_000)
    real = set() if study.hardware is None else set(study.hardware.connections)
    return tuple(
        _chain(study, job, rendered, condition, rate)
        for condition in job.conditions
        if condition.id in heard - real and (condition.id not in levels or condition.id in largest)
    )


def _chain(study: Study, job: RenderJob, rendered: Rendered, condition: Condition, rate: int) -> ChainFacts:
    applied = rendered.filters[condition.id]
    f = applied.frequency
    stages: list[StageCurve] = []
    ears: list[StageCurve] = []
    if condition.measured:
        playback, responses = measured_shares_db(condition, job.playback, rendered.trusted_band_hz, f)
        stages += [
            StageCurve(name=f"{_MEASURED.get(own.kind, 'response')} of {_unit_of(study, own)}", level_db=share)
            for own, share in responses
        ]
        if playback is not None and job.playback is not None:
            unit = study.unit(job.playback.unit_id).name
            stages.append(StageCurve(name=f"shared inverse of {unit}", level_db=playback))
    for stage in condition.at_rate(rate).designed:
        if isinstance(stage, ImbalanceStage):
            sides = stage.sides_db(f, rendered.trusted_band_hz)
            ears += [
                StageCurve(name=f"{side} ear", level_db=own)
                for side, own in zip(("left", "right"), sides.T, strict=True)
            ]
        else:
            stages.append(StageCurve(name=_name(study, stage), level_db=stage.level_db(f)))
    total = np.array(applied.magnitude_db)
    rest = total - sum((one.level_db for one in stages), np.zeros(len(f)))
    if condition.measured and np.abs(rest).max() > WORTH_DB:
        stages.append(StageCurve(name="shared outside the trusted band", level_db=rest))
    return ChainFacts(
        condition=condition.id,
        frequency=f,
        stages=tuple(stages),
        sum_db=total,
        ears=tuple(ears),
        offset_db=condition.offset_db,
        recording=any(isinstance(stage, RecordingStage) for stage in condition.stages),
        measured=condition.measured,
        delays=tuple(_delay(study, one) for one in condition.stages if isinstance(one, ExcessPhaseStage)),
        harmonics=tuple(
            harmonics_facts(study, one, rate) for one in condition.stages if isinstance(one, DistortionStage)
        ),
        rooms=tuple(_room(study, one, f) for one in condition.stages if isinstance(one, BinauralStage)),
        loads=tuple(_load(study, one) for one in condition.stages if isinstance(one, SourceImpedanceStage)),
    )


def _unit_of(study: Study, stage: object) -> str:
    return study.unit(str(getattr(stage, "unit_id", ""))).name


def _room(study: Study, stage: BinauralStage, frequency: Floats) -> RoomFacts:
    left, right = loudspeaker_facts(stage.response)
    levels = ear_levels_db(stage.response, frequency)
    shown = levels - levels.max()
    sides = [(ear, side) for side in (0, 1) for ear in (0, 1)]  # in the order of PATHS
    return RoomFacts(
        name=f"{study.unit(stage.unit_id).name} at both ears",
        frequency=frequency,
        paths=tuple(
            StageCurve(name=f"{name.replace('_', ' ')} ear", level_db=shown[:, ear, side])
            for name, (ear, side) in zip(PATHS, sides, strict=True)
        ),
        interaural_ms=(left.interaural_ms, right.interaural_ms),
        crosstalk_db=(left.crosstalk_db, right.crosstalk_db),
        length_s=max(left.length_s, right.length_s),
        common_delay_ms=1e3 * stage.response.common_delay_s,
    )


def _name(study: Study, stage: object) -> str:
    kind = str(getattr(stage, "kind", ""))
    unit = getattr(stage, "unit_id", "")
    if isinstance(stage, SourceImpedanceStage):
        return f"source of {stage.source_ohm:g} ohm"
    name = _NAMES.get(kind, kind.replace("_", " "))
    return f"{name} of {study.unit(unit).name}" if unit else name


def _delay(study: Study, stage: ExcessPhaseStage) -> DelayFacts:
    # Two bins inside its band: at the very edge the slope is that of the way out of it.
    edge = 2.0 * float(stage.excess.frequency[1])
    low, high = max(_SPAN_HZ[0], stage.excess.band_hz[0] + edge), min(_SPAN_HZ[1], stage.excess.band_hz[1] - edge)
    points = np.geomspace(low, high, max(2, int(48 * np.log2(high / low))))
    return DelayFacts(
        name=f"excess group delay of {study.unit(stage.unit_id).name}",
        frequency=points,
        delay_ms=1e3 * stage.excess.group_delay_s(points),
    )


def _load(study: Study, stage: SourceImpedanceStage) -> LoadFacts:
    own = stage.impedance
    inside = (own.frequency >= _SPAN_HZ[0]) & (own.frequency <= _SPAN_HZ[1])
    if inside.sum() < 2:
        inside[:] = True
    return LoadFacts(
        name=f"impedance of {study.unit(stage.unit_id).name}, and its source",
        source_ohm=stage.source_ohm,
        frequency=own.frequency[inside],
        ohm=own.magnitude[inside],
        phase_measured=own.phase is not None,
    )
