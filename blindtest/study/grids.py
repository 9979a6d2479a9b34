"""Grids: a condition spread over the levels of one of its stages, rendered ahead for who moves among them.

`grid = { stage = "hump", values = [1, 2, 3] }` in a condition "bump" stands for the conditions "bump@1", "bump@2" and
"bump@3": the same chain, with the number of that stage replaced. Levels are in ascending order of how much there is, so
a grid of dips or of attenuations, all below 0, goes from the smallest to the largest without its sign. One that goes
through 0, on which listeners set something themselves, is in the order of its numbers.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from blindtest.study.condition import StudyCondition, StudyStage

__all__ = ["GRID_STAGES", "GRID_UNITS", "level_name", "levels", "spread"]

GRID_STAGES: Mapping[str, tuple[float, float]] = {
    "gain_db": (-60.0, 20.0),
    "tilt_db_per_octave": (-6.0, 6.0),
    "hump": (-24.0, 24.0),
    "shelf": (-24.0, 24.0),
    "harmonics": (-60.0, 60.0),
    "source_impedance": (0.001, 100_000.0),
}
"""Stages whose number a grid can run over, and what that number may be. Another stage joins here and in `_with`."""
GRID_UNITS = {
    "gain_db": "dB",
    "tilt_db_per_octave": "dB per octave",
    "hump": "dB",
    "shelf": "dB",
    "harmonics": "dB of distortion above the stage's own",
    "source_impedance": "ohm",
}


def level_name(grid: str, value: float) -> str:
    """Return the id of a level: '@' stands in no id that is written."""
    return f"{grid}@{value:g}"


def levels(table: Mapping[str, Any]) -> tuple[tuple[str, float], ...]:
    """Return (id, value) of the levels of a condition's table, in ascending order of their size; () without a grid."""
    grid = table.get("grid")
    if not isinstance(grid, dict) or "id" not in table:
        return ()
    return tuple((level_name(table["id"], float(value)), float(value)) for value in _ascending(grid.get("values", ())))


def spread(condition: StudyCondition, stage: str, values: Sequence[float]) -> tuple[StudyCondition, ...]:
    """Return a condition as the levels of its grid over `stage`."""
    return tuple(
        replace(
            condition,
            id=level_name(condition.id, value),
            stages=tuple(_with(one, stage, value) for one in condition.stages),
            grid=condition.id,
            level=abs(value),
            value=value,
            unit=GRID_UNITS.get(stage, ""),
        )
        for value in _ascending(values)
    )


def _ascending(values: Sequence[float]) -> list[float]:
    numbers = [float(value) + 0.0 for value in values]
    one_way = all(value > 0 for value in numbers) or all(value < 0 for value in numbers)
    return sorted(numbers, key=abs if one_way else None)


def _with(stage: StudyStage, kind: str, value: float) -> StudyStage:
    if kind == "hump" and stage.hump is not None:
        return replace(stage, hump=replace(stage.hump, gain_db=value))
    if kind == "shelf" and stage.shelf is not None:
        return replace(stage, shelf=replace(stage.shelf, gain_db=value))
    if kind == "harmonics" and stage.harmonics is not None:
        # Counted from the stage's own scale, so that levels can rise from far below what was measured.
        own = stage.harmonics
        return replace(stage, harmonics=replace(own, scale_db=own.scale_db + value))
    if kind == "source_impedance" and stage.source_impedance is not None:
        return replace(stage, source_impedance=replace(stage.source_impedance, ohm=value))
    if kind == "gain_db" and stage.gain_db is not None:
        return replace(stage, gain_db=value)
    if kind == "tilt_db_per_octave" and stage.tilt_db_per_octave is not None:
        return replace(stage, tilt_db_per_octave=value)
    return stage
