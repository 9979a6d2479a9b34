"""Harmonics that a study adds: how far what is made lies from what was measured, level by level, and that in words."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from blindtest.render import DistortionStage, RenderJob
from blindtest.report import HarmonicsFacts, MisfitLine
from blindtest.study import Study

__all__ = ["Added", "added_harmonics", "harmonics_facts"]

WORTH_DB = 0.05
"""A level that is off by less at its worst is met: what the table of a clip's own rate is met within."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Added:
    """The harmonics of one model at one sample rate, in the conditions that have it."""

    conditions: tuple[str, ...]
    unit: str
    """Name of the unit whose harmonics they are."""
    rate_hz: int
    level_db: float | None
    """Of the table, at which it is met; None where it names none."""
    misfit: tuple[MisfitLine, ...]

    @property
    def sentence(self) -> str:
        """At which level the table is met, and how far the others are off."""
        at = "" if self.level_db is None else f" at {self.level_db:g} dB"
        own = max((one for one in self.misfit if one.exact), key=lambda one: abs(one.worst_db), default=None)
        met = "" if own is None else f"; within {abs(own.worst_db):.2f} dB{at}"
        if own is not None and abs(own.worst_db) > WORTH_DB:
            met = f"; {_off(own)}{at}, which it is designed for"
        by_level: dict[float | None, list[MisfitLine]] = {}
        for line in self.misfit:
            if not line.exact:
                by_level.setdefault(line.level_db, []).append(line)
        others = [
            f"{_off(max(lines, key=lambda one: abs(one.worst_db)))} at {level:g} dB"
            for level, lines in by_level.items()
            if level is not None
        ]
        rest = f"; {', '.join(others)}: a polynomial has its own slopes" if others else ""
        names = ", ".join(f"'{name}'" for name in self.conditions)
        return f"Harmonics of {self.unit} in {names}, {self.rate_hz} Hz, as made less as measured{met}{rest}."

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "conditions": list(self.conditions),
            "unit": self.unit,
            "rate_hz": self.rate_hz,
            "level_db": self.level_db,
            "misfit": [
                {
                    "level_db": one.level_db,
                    "order": one.order,
                    "rms_db": one.rms_db,
                    "worst_db": one.worst_db,
                    "worst_hz": one.worst_hz,
                    "exact": one.exact,
                }
                for one in self.misfit
            ],
        }


def _off(line: MisfitLine) -> str:
    return f"up to {line.worst_db:+.1f} dB (H{line.order} of {line.worst_hz:.0f} Hz)"


def added_harmonics(study: Study, job: RenderJob, rates: Mapping[str, int]) -> tuple[Added, ...]:
    """Return the harmonics of every condition, at each of the clips' sample rates; equal ones together.

    Of a grid the largest level stands for all.

    Parameters
    ----------
    rates : Hz by clip, as rendered
    """
    passed_over = {level.id for own in study.grids.values() for level in own[:-1]}
    found: dict[tuple[str, int, HarmonicsFacts], list[str]] = {}
    for condition in job.conditions:
        stage = condition.distortion
        if not isinstance(stage, DistortionStage) or condition.id in passed_over:
            continue
        for rate in dict.fromkeys(rates.values()):
            facts = harmonics_facts(study, stage, rate)
            found.setdefault((study.unit(stage.unit_id).name, rate, facts), []).append(condition.id)
    return tuple(
        Added(conditions=tuple(names), unit=unit, rate_hz=rate, level_db=facts.level_db, misfit=facts.misfit)
        for (unit, rate, facts), names in found.items()
    )


def harmonics_facts(study: Study, stage: DistortionStage, rate: int) -> HarmonicsFacts:
    """Return what a stage makes of its table at a rate in Hz."""
    model = stage.model(rate)
    named = bool(stage.table["level_db"].notna().any())
    # The drive is the sine's peak at the design level: so that level is read back from it.
    design = stage.full_scale_db + 20.0 * float(np.log10(model.drive)) if named else 0.0
    table = model.misfit
    at_design = table[np.abs(table.level_db - design) < 1e-6]
    return HarmonicsFacts(
        name=f"harmonics of {study.unit(stage.unit_id).name}",
        level_db=round(design, 6) if named else None,
        full_scale_db=stage.full_scale_db,
        scale_db=stage.scale_db,
        made=tuple(
            (int(order), float(hertz), float(wanted), float(made))
            for order, hertz, wanted, made in zip(
                at_design.order, at_design.frequency_hz, at_design.wanted_db, at_design.made_db, strict=True
            )
        ),
        misfit=_misfit(table, design, named=named),
        remarks=model.remarks,
    )


def _misfit(table: Any, design: float, *, named: bool) -> tuple[MisfitLine, ...]:
    lines = []
    for _, rows in table.groupby(["level_db", "order"]):
        level, order = float(rows.level_db.iloc[0]), int(rows.order.iloc[0])
        error = rows.error_db.to_numpy(dtype=np.float64)
        worst = int(np.argmax(np.abs(error)))
        lines.append(
            MisfitLine(
                level_db=level if named else None,
                order=order,
                rms_db=float(np.sqrt(np.mean(np.square(error)))),
                worst_db=float(error[worst]),
                worst_hz=float(rows.frequency_hz.iloc[worst]),
                exact=abs(level - design) < 1e-6,
            )
        )
    return tuple(lines)
