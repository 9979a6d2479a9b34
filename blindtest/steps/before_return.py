"""`blindtest check --before-return`: what has to be captured of each unit before it goes back to its maker."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from blindtest.errors import Fault, WrongUse, did_you_mean
from blindtest.steps.place import open_store
from blindtest.steps.storage import has_record
from blindtest.study import Capture, captures_of, load_study

__all__ = ["BeforeReturn", "before_return"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BeforeReturn:
    """What was found of every unit."""

    folder: Path
    captures: tuple[Capture, ...]

    @property
    def ok(self) -> bool:
        """Whether everything is captured or waived."""
        return not any(one.open for one in self.captures)

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {"ok": self.ok, "before_return": [one.to_dict() for one in self.captures]}

    def text(self) -> str:
        """Return it in words: what is missing first."""
        missing = [one for one in self.captures if one.open]
        lines = [one.sentence for one in missing]
        lines += [one.sentence for one in self.captures if not one.done and one.waived]
        lines += [one.sentence for one in self.captures if one.done]
        if missing:
            units = ", ".join(dict.fromkeys(one.unit for one in missing))
            lines.append(
                f"{len(missing)} of {len(self.captures)} are missing and can't be captured once {units} has gone back. "
                "Measure them, or write waived = { name = 'why' } in the unit's [[unit]]: names "
                f"{', '.join(dict.fromkeys(one.name for one in missing))}."
            )
        else:
            lines.append("Nothing is left that only the unit itself could tell.")
        return "\n".join(lines)


def before_return(folder: Path, *, unit: str = "") -> BeforeReturn:
    """Return what is captured of the study's units; of all of them, or of one. Nothing is changed.

    Raises
    ------
    BlindtestError
        The study can't be read, or has no such unit.
    """
    study = load_study(folder)
    known = [one.id for one in study.units]
    if unit and unit not in known:
        remedy = did_you_mean(unit, known)
        raise WrongUse(
            Fault(problem="no unit has this id", key="--unit", got=unit, allowed=", ".join(known), remedy=remedy)
        )
    days = _worn_days(folder)
    captures = [
        capture for one in study.units if one.id == unit or not unit for capture in captures_of(study, one, days)
    ]
    return BeforeReturn(folder=folder, captures=tuple(captures))


def _worn_days(folder: Path) -> int:
    """Return on how many days a sitting of the phase worn was finished; no database, none."""
    study = load_study(folder)
    if not has_record(study):
        return 0
    with open_store(study, create=False) as store:
        worn = [one for one in store.sittings() if one.phase == "worn" and one.state == "finished"]
    return len({(one.ended or one.created).date() for one in worn})
