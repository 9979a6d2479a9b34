"""A unit's channel imbalance as a stage: which of its measurements hold left and right, and what must hold of it."""

from collections.abc import Mapping
from typing import Any

from blindtest.device import Imbalance, channel_imbalance
from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.render import ImbalanceStage
from blindtest.study.findings import Findings
from blindtest.study.measurements import Averages

__all__ = ["check_imbalance_files", "check_imbalance_keys", "imbalance_stage", "unit_imbalance"]

SMOOTHING_OCTAVES = 1 / 12
"""What is narrower is the seating's, as for a correction."""
LOW_HZ, HIGH_HZ = 100.0, 8000.0
"""Where the imbalance is held against its own uncertainty."""


def unit_imbalance(averages: Averages) -> Imbalance:
    """Return what left and right of a unit differ by, smoothed over 1/12 octave.

    Raises
    ------
    BlindtestError
        Its measurements hold one channel only.
    """
    if {"left", "right"} <= set(averages):
        return channel_imbalance(averages["left"], averages["right"], smoothing=SMOOTHING_OCTAVES)
    for average in averages.values():
        if len(average.response.channels) == 2:
            return channel_imbalance(average, smoothing=SMOOTHING_OCTAVES)
    raise BlindtestError(
        Fault(
            problem="the unit was measured on one channel: left and right don't differ",
            remedy="write left = [...] and right = [...] in its [[unit]], or name files that hold both",
        )
    )


def imbalance_stage(unit_id: str, averages: Averages) -> ImbalanceStage:
    """Return the stage. Raises as `unit_imbalance`."""
    try:
        return ImbalanceStage(unit_id=unit_id, imbalance=unit_imbalance(averages))
    except BlindtestError as error:
        raise BlindtestError(
            *(Fault(problem=one.problem, key=f"imbalance {unit_id}", remedy=one.remedy) for one in error.faults)
        ) from None


def check_imbalance_keys(data: Mapping[str, Any], condition: Mapping[str, Any], index: int, found: Findings) -> None:
    """Gather which units don't exist, and where a chain has the stage twice."""
    units = [unit["id"] for unit in data.get("unit", ()) if isinstance(unit, dict) and "id" in unit]
    seen = False
    for number, stage in enumerate(condition.get("stages", ())):
        if not isinstance(stage, dict) or not isinstance(name := stage.get("imbalance"), str):
            continue
        place = ("condition", index, "stages", number, "imbalance")
        if name not in units and not found.is_touched("unit"):
            allowed = ", ".join(units) or "none: the file has no [[unit]]"
            found.fault(place, "no unit has this id", got=name, allowed=allowed, remedy=did_you_mean(name, units))
        if seen:
            found.fault(place, "a second imbalance in one chain", got=name, allowed="one")
        seen = True


def check_imbalance_files(data: Mapping[str, Any], averages: Mapping[object, Averages], found: Findings) -> None:
    """Gather which units were measured on one channel, and note an imbalance that reseating explains."""
    for index, condition in enumerate(data.get("condition", ())):
        for number, stage in enumerate(condition.get("stages", ()) if isinstance(condition, dict) else ()):
            name = stage.get("imbalance") if isinstance(stage, dict) else None
            if not isinstance(name, str) or name not in averages:
                continue
            place = ("condition", index, "stages", number, "imbalance")
            try:
                own = unit_imbalance(averages[name])
            except BlindtestError as error:
                for fault in error.faults:
                    found.fault(place, fault.problem, got=name, remedy=fault.remedy)
                continue
            apart = own.rms_db(LOW_HZ, HIGH_HZ)
            error_db = own.rms_error_db(LOW_HZ, HIGH_HZ)
            if error_db is None:
                found.note(place, f"left and right differ by {apart:.2f} dB r.m.s.; one seating doesn't say how surely")
            elif apart < 2 * error_db:
                found.note(
                    place,
                    f"left and right differ by {apart:.2f} dB r.m.s., of which reseating alone makes {error_db:.2f} dB",
                )
