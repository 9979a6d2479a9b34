"""What plans of different sizes can show, as a figure: a curve for each true effect, chance against size."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blindtest.report.figures import DASHES, ROLES, Figure, drawing, finished, named_at_end
from blindtest.report.svg import LIGHT
from blindtest.report.words import percent

__all__ = ["PlanCurves", "plan_figure"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanCurves:
    """Chances over the size of a plan."""

    title: str
    size: str
    """What grows: "trials", "listeners"."""
    sizes: tuple[int, ...]
    chance: str
    """What the chance is of: "of being shown"."""
    curves: tuple[tuple[str, tuple[float, ...]], ...]
    """A name, short enough to stand at its curve's end, and a chance for each size; up to four."""
    planned: int | None = None
    """The size that was asked about."""

    def rows(self) -> tuple[tuple[float, ...], ...]:
        """Return the data: a row per size, size first."""
        columns: Sequence[tuple[float, ...]] = [tuple(map(float, self.sizes)), *(curve for _, curve in self.curves)]
        return tuple(zip(*columns, strict=True))


def plan_figure(plan: PlanCurves) -> Figure:
    """Return the curves as a figure, with a line where the plan stands that was asked about."""
    sizes = np.asarray(plan.sizes, dtype=np.float64)
    with drawing(3.2) as page:
        axes = page.subplots()
        for place, (_, chances) in enumerate(plan.curves[:4]):
            axes.plot(
                sizes, 100 * np.asarray(chances), color=LIGHT[ROLES[place]], linestyle=DASHES[place], linewidth=1.9
            )
        axes.axhline(80, color=LIGHT["soft"], linewidth=0.8)
        if plan.planned is not None:
            axes.axvline(plan.planned, color=LIGHT["soft"], linewidth=1.3, linestyle=(0, (1, 1.5)))
            axes.annotate(
                f"{plan.planned} {plan.size}", (plan.planned, 1), xycoords=("data", "axes fraction"), xytext=(0, 3),
                textcoords="offset points", ha="center", va="bottom", fontsize=8.5, color=LIGHT["ink"],
            )  # fmt: skip
        axes.set_xlim(sizes[0], sizes[-1])
        axes.set_ylim(0, 102)
        axes.set_xlabel(plan.size)
        axes.set_ylabel(f"chance {plan.chance}, %")
        axes.grid(color=LIGHT["grid"], linewidth=0.6)
        named_at_end(axes, [(100 * chances[-1], name) for name, chances in plan.curves[:4]])
        ends = [
            f"{name}: {percent(chances[0])} with {plan.sizes[0]}, {percent(chances[-1])} with {plan.sizes[-1]}"
            + _reaching(plan, chances)
            for name, chances in plan.curves[:4]
        ]
        description = f"Chance {plan.chance} over the number of {plan.size}. " + "; ".join(ends) + "."
        columns = [plan.size, *(name for name, _ in plan.curves[:4])]
        return finished(page, "plan", plan.title, description, columns, plan.rows(), 4)


def _reaching(plan: PlanCurves, chances: tuple[float, ...]) -> str:
    reached = [size for size, chance in zip(plan.sizes, chances, strict=True) if chance >= 0.8]
    return f" (80 % from {reached[0]} on)" if reached else " (80 % with none of these)"
