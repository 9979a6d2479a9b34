"""What must hold of a correction: between its keys, with the units it names, and with the files it reads."""

from collections.abc import Iterator, Mapping
from itertools import pairwise
from pathlib import Path
from typing import Any

from blindtest.device import (
    Response,
    SeatingAverage,
    correction_curve,
    read_response,
    read_sections,
    sections_towards,
    spread_of,
)
from blindtest.errors import BlindtestError, did_you_mean
from blindtest.study.condition import StudyCorrection
from blindtest.study.correction_stages import DESIGN_RATE, limits_of, study_correction, target_of
from blindtest.study.correction_tables import CorrectionTable
from blindtest.study.findings import Findings
from blindtest.study.lines import Place
from blindtest.study.named_files import check_named_file, is_there

__all__ = ["check_correction_files", "check_correction_keys", "corrections"]

TARGETS = ("target", "target_field", "target_units")
FITTED_ONLY = ("max_gain_db", "max_q", "max_boost_db", "max_boost_points", "seating_sd", "smoothing")
"""Keys that the user's own sections know nothing of."""
_SMALL_DB = 0.05


def corrections(data: Mapping[str, Any]) -> Iterator[tuple[Place, dict[str, Any]]]:
    """Yield the corrections of a study's tables with their places."""
    for index, condition in enumerate(data.get("condition", ())):
        stages = condition.get("stages", ()) if isinstance(condition, dict) else ()
        for number, stage in enumerate(stages):
            own = stage.get("correction") if isinstance(stage, dict) else None
            if isinstance(own, dict):
                yield ("condition", index, "stages", number, "correction"), own


def check_correction_keys(
    data: Mapping[str, Any], own: Mapping[str, Any], path: Place, folder: Path, found: Findings
) -> None:
    """Gather what is wrong between a correction's keys, and with the names in them; no file is read."""
    _target(data, own, path, folder, found)
    for key, problem, got, allowed in _number_problems(own):
        found.fault((*path, *key), problem, got=got, allowed=allowed)
    _sections(own, path, folder, found)


def _number_problems(own: Mapping[str, Any]) -> Iterator[tuple[Place, str, object, str]]:
    """Yield what is wrong with the numbers of a correction: key, problem, what was found, what is allowed."""
    for key in ("align_hz", "band_hz"):
        if (band := own.get(key)) and band[1] < 2 * band[0]:
            problem = "the band ends before it begins" if band[1] <= band[0] else "the band is narrower than an octave"
            yield (key,), problem, band, "the lower frequency first, an octave wide at least"
    for number, band in enumerate(own.get("without_hz", ())):
        if band[1] <= band[0]:
            yield ("without_hz", number), "the band ends before it begins", band, "the lower frequency first"
    points = own.get("max_boost_points", ())
    falls = any(later[0] <= earlier[0] for earlier, later in pairwise(points))
    if falls or any(hz <= 0 or db < 0 for hz, db in points):
        yield (
            ("max_boost_points",),
            "not a limit over frequency",
            [list(point) for point in points],
            "frequencies above 0 in ascending order, each with a boost of 0 dB or more",
        )


def check_correction_files(
    data: Mapping[str, Any],
    folder: Path,
    measured: Mapping[object, Response],
    averages: Mapping[object, Mapping[str, SeatingAverage]],
    found: Findings,
) -> None:
    """Read every target and list of sections once, and design the curve of every correction that is in order."""
    unreadable: set[str] = set()
    for place, table in corrections(data):
        for key, read in (("target", read_response), ("sections", read_sections)):
            name = table.get(key)
            if not isinstance(name, str) or name in unreadable or not is_there(folder, name):
                continue
            try:
                read(folder / name)
            except BlindtestError as error:
                unreadable.add(name)
                found.faults += [fault.in_file(str(folder / name)) for fault in error.faults]
        if unreadable & {table.get("target"), table.get("sections")} or found.is_touched(*place):
            continue
        if any(_number_problems(table)) or sum(key in table for key in TARGETS) != 1:
            continue
        names = [table.get("unit"), *table.get("target_units", ())]
        if any(name not in measured for name in names) or not all(
            is_there(folder, name) for name in (table.get("target"), table.get("sections")) if isinstance(name, str)
        ):
            continue
        own = study_correction(CorrectionTable.model_validate(table))
        rate = data.get("rendering", {}).get("rate_hz") or DESIGN_RATE
        _design(own, folder, measured, spread_of(*averages[own.unit].values()), place, rate, found)


def _target(data: Mapping[str, Any], own: Mapping[str, Any], path: Place, folder: Path, found: Findings) -> None:
    given = [key for key in TARGETS if key in own]
    if len(given) > 1:
        got = ", ".join(given)
        found.fault((*path, given[1]), "a correction has one target", got=got, allowed=" or ".join(TARGETS))
    elif not given and not any(found.is_touched(*path, key) for key in TARGETS):
        found.fault(
            (*path, "target"),
            "missing",
            allowed="a path relative to the study file, with /",
            remedy="write the path of the target: a file of frequency and level like a response; or target_field = "
            "'diffuse', 'free' or 'flat', or target_units = ['...']",
        )
    if isinstance(target := own.get("target"), str):
        check_named_file(target, (*path, "target"), folder, found)
    units = {one["id"]: one for one in data.get("unit", ()) if isinstance(one, dict) and "id" in one}
    for number, name in enumerate(own.get("target_units", ())):
        place = (*path, "target_units", number)
        if name not in units:
            if not found.is_touched("unit"):
                allowed = ", ".join(units) or "none: the file has no [[unit]]"
                found.fault(place, "no unit has this id", got=name, allowed=allowed, remedy=did_you_mean(name, units))
            continue
        corrected = units.get(own.get("unit", ""), {})
        for key, words in (("rig", "rigs"), ("reference_point", "reference points")):
            if key in corrected and units[name].get(key, corrected[key]) != corrected[key]:
                found.fault(
                    place,
                    f"responses of different {words} are never combined",
                    got=f"{name}: {units[name][key]}",
                    allowed=f"{own['unit']}: {corrected[key]}",
                )
    if own.get("target_field") in ("diffuse", "free"):
        point = units.get(own.get("unit", ""), {}).get("reference_point", "eardrum")
        if point != "eardrum":
            found.fault(
                (*path, "target_field"),
                "the level at an eardrum is no target for responses that don't hold there",
                got=f"reference_point {point}",
                allowed="'flat', or a file",
            )


def _sections(own: Mapping[str, Any], path: Place, folder: Path, found: Findings) -> None:
    sections = own.get("sections")
    if sections is None and not found.is_touched(*path, "sections"):
        for key in ("max_gain_db", "max_q"):
            if key in own:
                found.fault(
                    (*path, key), "there are no sections to limit", got=own[key], remedy="write sections = 10 beside it"
                )
    if isinstance(sections, str):
        check_named_file(sections, (*path, "sections"), folder, found)
        for key in FITTED_ONLY:
            if key in own:
                found.fault(
                    (*path, key), "your own sections are taken as they are", got=own[key], remedy="take the key out"
                )


def _design(
    own: StudyCorrection,
    folder: Path,
    measured: Mapping[object, Response],
    spread: Response | None,
    place: Place,
    rate: int,
    found: Findings,
) -> None:
    if own.seating_sd and spread is None:
        found.fault(
            (*place, "seating_sd"),
            "one seating says nothing of how far seatings lie apart",
            got=own.seating_sd,
            remedy="measure more seatings of the unit, or take the key out",
        )
        return
    response = measured[own.unit]
    try:
        target = target_of(own, folder, {str(name): one for name, one in measured.items()})
        if isinstance(own.sections, str):
            chain = read_sections(folder / own.sections)
            made = sections_towards(chain, response, target, rate, band=own.band_hz, align_hz=own.align_hz)
            remarks = made.curve.remarks
            if made.rms_error_db > made.rms_before_db + _SMALL_DB:
                remarks = (
                    *remarks,
                    f"these sections lead away from the target: {made.rms_before_db:.2f} dB r.m.s. without them, "
                    f"{made.rms_error_db:.2f} dB with them",
                )
        else:
            remarks = correction_curve(
                response,
                target,
                align_hz=own.align_hz,
                band_hz=own.band_hz,
                max_boost_db=own.max_boost_db,
                smoothing=own.smoothing,
                limits=limits_of(own, spread),
            ).remarks
    except BlindtestError as error:
        for fault in error.faults:
            found.fault(place, fault.problem, got=fault.got, allowed=fault.allowed, remedy=fault.remedy)
        return
    for remark in remarks:
        found.note(place, remark)
