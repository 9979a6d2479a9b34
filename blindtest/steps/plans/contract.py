"""What every plan is asked and gives back."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from blindtest.errors import BlindtestError, Fault, WrongUse
from blindtest.report import PlanCurves, plan_figure
from blindtest.stats import Hands
from blindtest.steps.columns import columns
from blindtest.steps.figure_files import write_figure_file

__all__ = ["SETUP_MINUTES", "PlanAsked", "PlanMethod", "PlanShown", "fitting", "write_figure"]

SETUP_MINUTES = 2.0
"""To read, and to set the level; our guess."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanAsked:
    """What was asked of a plan beside its method; None where nothing was said."""

    method: str
    trials: int | None = None
    minutes: float | None = None
    """Time there is for one listener, instead of a number of trials."""
    seconds: float = 35.0
    practice: int = 4
    margin: float | None = None
    alpha: float = 0.05
    one_sided: bool = False
    listeners: int | None = None
    clips: int | None = None
    repeats: int | None = None
    devices: int | None = None
    stages: int | None = None
    fraction: str | None = None
    difference: float | None = None
    sd_listener: float | None = None
    sd_clip: float | None = None
    sd_residual: float | None = None
    these_clips: bool = False
    d_prime: float | None = None
    tau: float | None = None
    share: float | None = None
    sd_track: float | None = None
    levels: Sequence[float] = ()
    threshold: float | None = None
    slope: float | None = None
    guess: float | None = None
    link: str | None = None
    studies: int | None = None
    """Simulated ones."""
    seed: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanShown:
    """What `blindtest power` prints of a plan."""

    method: str
    lines: tuple[str, ...]
    values: Mapping[str, Any]
    curves: PlanCurves | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        table = None
        if self.curves is not None:
            names = [self.curves.size, *(name for name, _ in self.curves.curves)]
            table = {"columns": names, "rows": [list(row) for row in self.curves.rows()]}
        return {"method": self.method, "plan": dict(self.values), "table": table}

    def text(self) -> str:
        """Return it in words, then as a table over the size of the plan."""
        lines = list(self.lines)
        if self.curves is not None:
            rows = [(f"{row[0]:g}", *(f"{chance:.2f}" for chance in row[1:])) for row in _few(self.curves)]
            headings = (self.curves.size, *(name for name, _ in self.curves.curves))
            lines += ["", f"Chance {self.curves.chance}:", columns(headings, rows)]
        return "\n".join(lines)


def _few(curves: PlanCurves) -> list[tuple[float, ...]]:
    """Return about a dozen rows, evenly, and that of the plan asked about."""
    rows = curves.rows()
    step = -(-len(rows) // 12)
    return [row for place, row in enumerate(rows) if place % step == 0 or row[0] == curves.planned]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanMethod:
    """A kind of plan."""

    name: str
    plan: Callable[[PlanAsked, Hands | None], PlanShown]
    options: frozenset[str] = field(default_factory=frozenset)
    """Fields of `PlanAsked` that it uses; another one that is given is refused."""


def fitting(asked: PlanAsked, *, per_trial: int = 1, what: str = "trial") -> int | None:
    """Return how many of what fits into the minutes there are, each of `per_trial` answers; None: no minutes named.

    Raises
    ------
    WrongUse
        None fits, or a time that is none.
    """
    if asked.minutes is None:
        return None
    if asked.seconds <= 0 or asked.practice < 0:
        raise WrongUse(Fault(problem="--seconds must be above 0 and --practice not negative"))
    answers = (60 * (asked.minutes - SETUP_MINUTES)) / asked.seconds + 1e-9 - asked.practice
    found = int(answers // per_trial)
    if found < 1:
        raise WrongUse(
            Fault(problem=f"no {what} that counts fits in", key="--minutes", got=asked.minutes, remedy="take more")
        )
    return found


def write_figure(curves: PlanCurves | None, path: Path) -> None:
    """Write the figure of a plan, as SVG or PNG by the name of the file.

    Raises
    ------
    BlindtestError
        Nothing to draw, another kind of file, or a place that can't be written.
    """
    if curves is None:
        raise BlindtestError(Fault(problem="this plan has nothing to draw", key="--figure", got=str(path)))
    kind = path.suffix.lower()
    if kind not in (".svg", ".png"):
        raise WrongUse(
            Fault(
                problem="not a kind of figure", key="--figure", got=str(path), allowed="a name ending in .svg or .png"
            )
        )
    write_figure_file(plan_figure(curves), path)
