"""Stages made from what a bench knows beside the response: harmonics and impedance, read once for each file."""

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from blindtest.device import (
    Impedance,
    Response,
    mean_excess_phase,
    read_binaural,
    read_harmonics,
    read_impedance,
)
from blindtest.errors import BlindtestError, Fault
from blindtest.render import BinauralStage, DistortionStage, ExcessPhaseStage, SourceImpedanceStage, Stage
from blindtest.study.condition import StudyCondition, StudyHarmonics
from blindtest.study.measurements import read_impulses
from blindtest.study.study import Study

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["BenchStages", "is_behind"]


WHOLE_BAND_HZ = (20.0, 20_000.0)
"""Of an excess phase, where the unit names no band that is to be trusted."""


def is_behind(study: Study, condition: StudyCondition, number: int, unit: str) -> bool:
    """Return whether what stage `number` adds is heard through the response of `unit`.

    Either the chain applies it further on (that of a pair in its room, too), or the unit itself is worn.
    """
    if study.rendering.over == "worn":
        return study.playback is not None and study.playback.unit == unit
    return any(unit in (stage.response, stage.binaural_response) for stage in condition.stages[number + 1 :])


class BenchStages:
    """The stages of a study that come from harmonics and impedances; equal ones are one object."""

    def __init__(self, study: Study) -> None:
        self._study = study
        self._tables: dict[str, DataFrame] = {}
        self._phases: dict[str, ExcessPhaseStage] = {}
        self._rooms: dict[str, BinauralStage] = {}
        self._loads: dict[str, Impedance] = {}
        self._made: dict[tuple[StudyHarmonics, bool], DistortionStage] = {}

    def stage(self, condition: StudyCondition, number: int, responses: Mapping[str, Response]) -> Stage | None:
        """Return stage `number` of a condition if it is one of these.

        Raises
        ------
        BlindtestError
            A file that can't be read, or a level that the table doesn't hold.
        """
        stage = condition.stages[number]
        if stage.excess_phase is not None:
            return self._excess(stage.excess_phase)
        if stage.binaural_response is not None:
            return self._room(stage.binaural_response)
        if stage.source_impedance is not None:
            unit = self._study.unit(stage.source_impedance.unit)
            if unit.id not in self._loads:
                self._loads[unit.id] = read_impedance(self._path(unit.impedance))
            return SourceImpedanceStage(
                unit_id=unit.id, impedance=self._loads[unit.id], source_ohm=stage.source_impedance.ohm
            )
        if stage.harmonics is None:
            return None
        own = stage.harmonics
        behind = is_behind(self._study, condition, number, own.unit) and own.unit in responses
        if (own, behind) not in self._made:
            self._made[(own, behind)] = self._distortion(own, responses[own.unit] if behind else None)
        return self._made[(own, behind)]

    def _room(self, name: str) -> BinauralStage:
        if name not in self._rooms:
            own = self._study.unit(name).binaural
            assert own is not None
            read = read_binaural(
                [self._path(file) for file in own.files], measurements=own.measurements, after_s=own.window_s
            )
            self._rooms[name] = BinauralStage(unit_id=name, response=read)
        return self._rooms[name]

    def _excess(self, name: str) -> ExcessPhaseStage:
        if name not in self._phases:
            unit = self._study.unit(name)
            impulses = read_impulses([self._path(file) for file in unit.impulse_responses], unit.window_s)
            band = unit.trusted_band_hz or WHOLE_BAND_HZ
            try:
                excess = mean_excess_phase(impulses, band_hz=band)
            except BlindtestError as error:
                file = str(self._path(unit.impulse_responses[0]))
                raise BlindtestError(*(fault.in_file(file) for fault in error.faults)) from None
            self._phases[name] = ExcessPhaseStage(unit_id=name, excess=excess)
        return self._phases[name]

    def _distortion(self, own: StudyHarmonics, response: Response | None) -> DistortionStage:
        unit = self._study.unit(own.unit)
        if unit.id not in self._tables:
            self._tables[unit.id] = read_harmonics(self._path(unit.harmonics))
        table = self._tables[unit.id]
        if own.at_db is not None and not (table.level_db == own.at_db).any():
            levels = sorted({f"{level:g}" for level in table.level_db.dropna()})
            raise BlindtestError(
                Fault(
                    problem="the table of harmonics holds no such level",
                    file=str(self._path(unit.harmonics)),
                    key="at_db",
                    got=own.at_db,
                    allowed=", ".join(levels) or "none: it names no levels",
                    remedy="take one of its levels, or leave at_db out",
                )
            )
        return DistortionStage(
            unit_id=unit.id,
            table=table,
            full_scale_db=own.full_scale_db,
            design_level_db=own.at_db,
            scale_db=own.scale_db,
            polarity=1 if own.polarity == "as measured" else -1,
            topology=own.filters,
            response=response,
        )

    def _path(self, name: str) -> Path:
        return self._study.folder / name
