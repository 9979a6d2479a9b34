"""Corrections as stages: the target found or made, seatings read, the filter's kind chosen."""

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from blindtest.device import (
    Limits,
    Response,
    Section,
    field_target,
    flat_target,
    read_response,
    read_sections,
    shaped_target,
    spread_of,
    target_of_devices,
)
from blindtest.errors import BlindtestError
from blindtest.render import CorrectionStage, ImbalanceStage, SectionStage
from blindtest.study.condition import StudyCorrection
from blindtest.study.correction_tables import CorrectionTable
from blindtest.study.imbalance_stages import imbalance_stage
from blindtest.study.measurements import Averages, channels_mean, unit_averages
from blindtest.study.study import Study

__all__ = ["CorrectionStages", "limits_of", "study_correction", "target_of", "target_words"]

DESIGN_RATE = 48_000
"""At which sections are fitted where the study brings its clips to no rate of its own."""


def study_correction(table: CorrectionTable) -> StudyCorrection:
    """Return a correction as the study holds it."""
    points = () if table.max_boost_points is None else tuple((hz, db) for hz, db in table.max_boost_points)
    return StudyCorrection(
        unit=table.unit,
        target=table.target or "",
        target_field=table.target_field or "",
        target_units=tuple(table.target_units or ()),
        tilt_db_per_octave=table.tilt_db_per_octave,
        bass_db=table.bass_db,
        bass_hz=table.bass_hz,
        treble_db=table.treble_db,
        treble_hz=table.treble_hz,
        align_hz=(table.align_hz[0], table.align_hz[1]),
        band_hz=(table.band_hz[0], table.band_hz[1]),
        max_boost_db=table.max_boost_db,
        max_boost_points=points,
        seating_sd=table.seating_sd,
        without_hz=tuple((low, high) for low, high in table.without_hz or ()),
        smoothing=table.smoothing,
        sections=table.sections,
        max_gain_db=table.max_gain_db,
        max_q=table.max_q,
        phase=table.phase,
    )


def target_words(own: StudyCorrection) -> str:
    """Return what is aimed at, in words: a file, a field, units, and what was added to it."""
    if own.target:
        base = own.target
    elif own.target_field:
        base = "flat" if own.target_field == "flat" else f"the {own.target_field} field of ISO 11904-1"
    else:
        base = f"the mean of {' and '.join(own.target_units)}"
    added = [
        f"{own.tilt_db_per_octave:+g} dB an octave" if own.tilt_db_per_octave else "",
        f"{own.bass_db:+g} dB of bass ({own.bass_hz:g} Hz)" if own.bass_db else "",
        f"{own.treble_db:+g} dB of treble ({own.treble_hz:g} Hz)" if own.treble_db else "",
    ]
    return " with ".join([base, *([", ".join(one for one in added if one)] if any(added) else [])])


def target_of(own: StudyCorrection, folder: Path, units: Mapping[str, Response]) -> Response:
    """Return the target of a correction; `units` holds the responses of those that are averaged.

    Raises
    ------
    BlindtestError
        A file that can't be read, units of different rigs.
    """
    if own.target:
        base = _file_target(folder / own.target)
    elif own.target_units:
        base = target_of_devices([units[name] for name in own.target_units], align_hz=own.align_hz)
    else:
        base = flat_target() if own.target_field == "flat" else field_target(own.target_field)
    return shaped_target(
        base,
        tilt_db_per_octave=own.tilt_db_per_octave,
        bass_db=own.bass_db,
        bass_hz=own.bass_hz,
        treble_db=own.treble_db,
        treble_hz=own.treble_hz,
    )


def limits_of(own: StudyCorrection, spread: Response | None) -> Limits | None:
    """Return what holds a correction back beside its one limit; None where nothing does."""
    boost = None
    if own.max_boost_points:
        frequency, level = np.array(own.max_boost_points, dtype=np.float64).T
        boost = Response(frequency=frequency, magnitude=level[:, None])
    held = own.seating_sd if spread is not None else 0.0
    if boost is None and not own.without_hz and not held:
        return None
    return Limits(boost=boost, spread=spread if held else None, spread_sd=held, without_hz=own.without_hz)


class CorrectionStages:
    """The corrections of a study as stages; every file and every unit is read once.

    `averages` holds the units that were read already; what else is needed is read when it is.
    """

    def __init__(self, study: Study, averages: Mapping[str, Averages]) -> None:
        self._study = study
        self._averages = dict(averages)
        self._responses: dict[str, Response] = {}
        self._spreads: dict[str, Response | None] = {}
        self._own: dict[str, tuple[Section, ...]] = {}

    def stage(self, own: StudyCorrection) -> CorrectionStage | SectionStage:
        """Return a correction as a stage.

        Raises
        ------
        BlindtestError
            A measurement, target or list of sections that can't be read or combined.
        """
        for name in (own.unit, *own.target_units):
            self._read(name)
        target = target_of(own, self._study.folder, self._responses)
        spread = self._spreads[own.unit]
        limits = limits_of(own, spread)
        response = self._responses[own.unit]
        if own.sections is None:
            return CorrectionStage(
                unit_id=own.unit,
                response=response,
                target=target,
                align_hz=own.align_hz,
                band_hz=own.band_hz,
                max_boost_db=own.max_boost_db,
                smoothing=own.smoothing,
                limits=limits,
                seatings=spread,
            )
        return SectionStage(
            unit_id=own.unit,
            response=response,
            target=target,
            align_hz=own.align_hz,
            band_hz=own.band_hz,
            max_boost_db=own.max_boost_db,
            count=own.sections if isinstance(own.sections, int) else 0,
            own=self._list(own.sections) if isinstance(own.sections, str) else None,
            max_gain_db=own.max_gain_db,
            max_q=own.max_q,
            smoothing=own.smoothing,
            limits=limits,
            seatings=spread,
            rate=self._study.rendering.rate_hz or DESIGN_RATE,
        )

    def imbalance(self, name: str) -> ImbalanceStage:
        """Return what left and right of a unit differ by, as a stage. Raises as `stage`."""
        return imbalance_stage(name, self._averages[name])

    def _read(self, name: str) -> None:
        if name not in self._responses:
            averages = self._averages.get(name) or unit_averages(self._study, self._study.unit(name))
            self._responses[name] = channels_mean(averages)
            self._spreads[name] = spread_of(*averages.values())

    def _list(self, name: str) -> tuple[Section, ...]:
        if name not in self._own:
            self._own[name] = read_sections(self._study.folder / name)
        return self._own[name]


def _file_target(path: Path) -> Response:
    try:
        return read_response(path)
    except BlindtestError as error:
        raise BlindtestError(*(fault.in_file(str(path)) for fault in error.faults)) from None
