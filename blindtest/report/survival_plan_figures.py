"""Figures of which verdicts a plan of ratings could reach."""

from typing import Any

import numpy as np

from blindtest.report.facts import ReportInput
from blindtest.report.figures import DASHES, Figure, drawing, finished, named_at_peak, numbered, rows_of
from blindtest.report.rating_words import kept_words, points
from blindtest.report.survival_plan_facts import SurvivalPlanFacts
from blindtest.report.svg import LIGHT
from blindtest.report.words import plural, up_to

__all__ = ["survival_plan_figures"]

_PLAN_LOOKS: dict[str, tuple[str, Any]] = {
    "survives": ("c", DASHES[0]),
    "shrinks": ("a", DASHES[1]),
    "vanishes": ("d", DASHES[3]),
    "reverses": ("b", DASHES[2]),
    "undecided": ("soft", DASHES[0]),
    "nothing on record": ("soft", DASHES[2]),
}


def survival_plan_figures(report: ReportInput) -> tuple[Figure, ...]:
    """Return, for each claim about ratings, how often its plan reaches each verdict over the true blind effect."""
    made: list[Figure] = []
    seen: list[SurvivalPlanFacts] = []
    for result in report.of_kind("rated"):
        plan = result.plan
        if isinstance(plan, SurvivalPlanFacts) and plan.blind_effects and plan not in seen:
            made.append(_plan_figure(plan, numbered("plan-rating", len(seen))))
            seen.append(plan)
    return tuple(made)


def _short(value: float) -> str:
    return points(value, 0 if abs(value - round(value)) < 0.05 else 1)


def _plan_figure(plan: SurvivalPlanFacts, name: str) -> Figure:
    x = np.asarray(plan.blind_effects)
    curves = [(verdict, np.asarray(chance)) for verdict, chance in plan.chances]
    with drawing(3.6) as page:
        axes = page.subplots()
        few = len(x) < 9
        for verdict, chance in curves:
            role, dash = _PLAN_LOOKS[verdict]
            axes.plot(
                x, 100 * chance, color=LIGHT[role], linestyle=dash, linewidth=1.9, marker="o" if few else None,
                markersize=5,
            )  # fmt: skip
        axes.set_xlim(float(x[0]), float(x[-1]))
        axes.set_ylim(0, 112)
        axes.set_yticks(range(0, 101, 20))
        lines = (
            (-plan.margin, f"margin\n{points(-plan.margin, 0)}"),
            (plan.margin, f"margin\n{points(plan.margin, 0)}"),
            (
                plan.kept * plan.labelled_effect,
                f"{kept_words(plan.kept)}\n{_short(plan.kept * plan.labelled_effect)}",
            ),
        )
        for at, text in lines:
            if x[0] <= at <= x[-1]:
                axes.axvline(at, color=LIGHT["ink"], linewidth=0.9, linestyle=(0, (1, 1.5)))
                axes.annotate(
                    text, (at, 1), xycoords=("data", "axes fraction"), xytext=(0, 3), textcoords="offset points",
                    ha="center", va="bottom", fontsize=8.5, color=LIGHT["ink"],
                )  # fmt: skip
        named_at_peak(axes, [(x, 100 * chance, verdict) for verdict, chance in curves], beside=[at for at, _ in lines])
        axes.set_xlabel(f"true blind effect, points, with a labelled effect of {points(plan.labelled_effect, 0)}")
        axes.set_ylabel("studies that end so, %")
        axes.grid(color=LIGHT["grid"], linewidth=0.6)
        said = []
        for verdict, chance in curves:
            top = int(np.argmax(chance))
            if chance[top] > 0:
                said.append(f"{verdict} {up_to(float(chance[top]))} (at {points(float(x[top]), 0)})")
        size = (
            f"{plural(plan.listeners, 'listener')}, {plan.labelled_sittings} labelled and "
            f"{plural(plan.blind_sittings, 'blind sitting')}{' each' if plan.listeners > 1 else ''}"
        )
        description = (
            f"How often a plan of {size}, ends with each verdict, over the true blind effect; margin {plan.margin:g}, "
            f"{kept_words(plan.kept)} kept. " + "; ".join(said) + "."
        )
        columns = ["true blind effect, points", *(verdict for verdict, _ in curves)]
        rows = rows_of([x, *(chance for _, chance in curves)])
        return finished(page, name, "Which verdicts the plan could reach", description, columns, rows, 4)
