"""Figures of a claim that something is heard: results, every answer in order, and what the plan could detect."""

from typing import Any

import numpy as np

from blindtest.report.choice_facts import PlanFacts, Tested
from blindtest.report.curves import nearest, thinned
from blindtest.report.facts import ReportInput
from blindtest.report.figures import (
    DASHES,
    MOST_ROWS,
    ROLES,
    Cell,
    Figure,
    drawing,
    finished,
    label,
    legend_above,
    named_at_end,
    rows_of,
)
from blindtest.report.record_facts import TrialFacts
from blindtest.report.svg import LIGHT
from blindtest.report.words import clean, count_of, interval_words, percent, plural

__all__ = ["power_figure", "results_figure", "trials_figure"]


def results_figure(report: ReportInput) -> Figure | None:
    """Return the proportion right of each listener and of all answers, with intervals, guessing and margin."""
    heard = report.heard
    results = None if heard is None else heard.heard
    if heard is None or results is None or results.nothing_answered:
        return None
    listeners = results.listeners[:MOST_ROWS]
    shown: list[Tested] = [*(listeners if len(results.listeners) > 1 else ()), results.pooled]
    truth = {one.who: one for one in report.truth}
    guess, margin = results.pooled.guess_rate, heard.claim.margin
    with drawing(1.45 + 0.36 * len(shown)) as page:
        axes = page.subplots()
        axes.axvline(guess, color=LIGHT["ink"], linewidth=1.1, linestyle=(0, (4, 2)))
        lines = [(guess, "guessing")]
        if margin is not None:
            at = guess + (1 - guess) * margin
            axes.axvline(at, color=LIGHT["c"], linewidth=1.3, linestyle=(0, (1, 1.5)))
            lines.append((at, "margin"))
        for x, name in lines:
            axes.annotate(
                f"{name}\n{percent(x)}", (x, 1), xycoords=("data", "axes fraction"), xytext=(0, 3),
                textcoords="offset points", ha="center", va="bottom", fontsize=8.5, color=LIGHT["ink"],
            )  # fmt: skip
        for place, one in enumerate(shown):
            everyone = one is results.pooled
            axes.plot(
                one.interval,
                (place, place),
                color=LIGHT["a"],
                linewidth=3.2 if everyone else 1.8,
                solid_capstyle="butt",
            )
            axes.plot(
                one.proportion, place, "s" if everyone else "o", color=LIGHT["a"], markersize=8 if everyone else 6.5
            )
            told = truth.get(one.who)
            if told is not None:
                axes.plot(
                    told.proportion,
                    place,
                    "D",
                    color=LIGHT["b"],
                    markersize=7,
                    markerfacecolor="none",
                    markeredgewidth=1.7,
                )
            axes.annotate(
                f"{count_of(one.correct, one.trials)} right", (1, place), xycoords=("axes fraction", "data"),
                xytext=(7, 0), textcoords="offset points", va="center", fontsize=9, color=LIGHT["ink"],
            )  # fmt: skip
        axes.set_yticks(range(len(shown)), [label(one.who, 20) for one in shown])
        axes.set_ylim(len(shown) - 0.4, -0.6)
        lowest = min(one.interval[0] for one in shown)
        axes.set_xlim(max(0.0, min(guess - 0.15, np.floor(lowest * 10) / 10)), 1.0)
        axes.xaxis.set_major_formatter(lambda value, _: f"{100 * value:.0f}")
        axes.set_xlabel(
            f"answers right, %, with {percent(results.pooled.level)} intervals"
            + ("; open diamond: the simulated listener's true rate" if any(o.who in truth for o in shown) else "")
        )
        axes.grid(axis="x", color=LIGHT["grid"], linewidth=0.6)
        said = "; ".join(
            f"{clean(one.who)}: {count_of(one.correct, one.trials)} right, {percent(one.proportion, 1)}, "
            f"interval {interval_words(one.interval, 1)}"
            for one in shown
        )
        description = f"{said}. Guessing gives {percent(guess)}"
        if margin is not None:
            description += f"; the margin lies at {percent(guess + (1 - guess) * margin, 1)}"
        description += "."
        if len(results.listeners) > MOST_ROWS:
            description += f" The first {MOST_ROWS} of {len(results.listeners)} listeners are drawn."
        columns = ["who", "right", "of", "proportion right", "interval from", "interval to"]
        rows: list[tuple[Cell, ...]] = []
        told_any = any(one.who in truth for one in shown)
        for one in shown:
            row: tuple[Cell, ...] = (clean(one.who), one.correct, one.trials, one.proportion, *one.interval)
            rows.append((*row, truth[one.who].proportion if one.who in truth else "") if told_any else row)
        if told_any:
            columns.append("true proportion (simulated)")
        return finished(
            page, "results", "Answers right, against guessing and the margin", description, columns, tuple(rows), 4
        )


def trials_figure(report: ReportInput) -> Figure | None:
    """Return every counted trial in order: right, wrong or unanswered, a row for each sitting."""
    counted = [trial for trial in report.counted_trials() if trial.right and trial.method != "recognition"]
    if not counted:
        return None
    sittings: dict[tuple[str, int], list[TrialFacts]] = {}
    for trial in counted:
        sittings.setdefault((trial.listener, trial.sitting), []).append(trial)
    rows: list[tuple[Cell, ...]] = []
    with drawing(1.35 + 0.34 * min(len(sittings), MOST_ROWS)) as page:
        axes = page.subplots()
        marks: dict[str, tuple[list[int], list[int]]] = {"right": ([], []), "wrong": ([], []), "unanswered": ([], [])}
        for place, ((listener, sitting), trials) in enumerate(sittings.items()):
            for count, trial in enumerate(trials, start=1):
                kind = "unanswered" if trial.correct is None else "right" if trial.correct else "wrong"
                rows.append((clean(listener), sitting, count, kind))
                if place < MOST_ROWS:
                    marks[kind][0].append(count)
                    marks[kind][1].append(place)
        looks: dict[str, dict[str, Any]] = {
            "right": {"marker": "o", "color": LIGHT["a"], "markersize": 6.2},
            "wrong": {"marker": "x", "color": LIGHT["b"], "markersize": 6.4, "markeredgewidth": 2.0},
            "unanswered": {"marker": "_", "color": LIGHT["soft"], "markersize": 7, "markeredgewidth": 1.6},
        }
        for kind, (x, y) in marks.items():
            if x:
                axes.plot(x, y, linestyle="none", label=kind, **looks[kind])
        shown = list(sittings)[:MOST_ROWS]
        axes.set_yticks(range(len(shown)), [f"{label(who, 16)}, sitting {sitting}" for who, sitting in shown])
        axes.set_ylim(len(shown) - 0.5, -0.5)
        longest = max(len(trials) for trials in sittings.values())
        axes.set_xlim(0.2, longest + 0.8)
        axes.xaxis.get_major_locator().set_params(integer=True)
        axes.set_xlabel("counted trial, in the order heard")
        legend_above(axes)
        said = []
        for (listener, sitting), trials in sittings.items():
            right = sum(trial.correct is True for trial in trials)
            open_ = sum(trial.correct is None for trial in trials)
            halves = (trials[: len(trials) // 2], trials[len(trials) // 2 :])
            first, second = (f"{sum(t.correct is True for t in half)} of {len(half)}" for half in halves)
            said.append(
                f"{clean(listener)}, sitting {sitting}: {count_of(right, len(trials))} right, {first} in the "
                "first half, "
                f"{second} in the second" + (f", {open_} unanswered" if open_ else "")
            )
        description = "; ".join(said[:MOST_ROWS]) + "."
        if len(sittings) > MOST_ROWS:
            description += f" The first {MOST_ROWS} of {len(sittings)} sittings are drawn."
        columns = ["listener", "sitting", "counted trial", "answer"]
        return finished(page, "trials", "Answers in the order given", description, columns, tuple(rows), 0)


def power_figure(report: ReportInput) -> Figure | None:
    """Return the chance that the plan ends as shown, or as negligible, over the share of trials really heard."""
    plan = None if report.heard is None else report.heard.plan
    if not isinstance(plan, PlanFacts) or not plan.shares:
        return None
    shares = np.asarray(plan.shares)
    kept = thinned(
        [np.asarray(plan.chance_shown), *([np.asarray(plan.chance_negligible)] if plan.chance_negligible else [])]
    )
    curves = [("ends as shown", np.asarray(plan.chance_shown)[kept])]
    if plan.chance_negligible:
        curves.append(("ends as negligible", np.asarray(plan.chance_negligible)[kept]))
    shares = shares[kept]
    with drawing(3.2) as page:
        axes = page.subplots()
        for index, (_, chance) in enumerate(curves):
            axes.plot(100 * shares, 100 * chance, color=LIGHT[ROLES[index]], linestyle=DASHES[index], linewidth=1.9)
        if plan.margin is not None:
            axes.axvline(100 * plan.margin, color=LIGHT["c"], linewidth=1.3, linestyle=(0, (1, 1.5)))
            axes.annotate(
                f"margin {percent(plan.margin)}", (100 * plan.margin, 1), xycoords=("data", "axes fraction"),
                xytext=(0, 3), textcoords="offset points", ha="center", va="bottom", fontsize=8.5, color=LIGHT["ink"],
            )  # fmt: skip
        axes.set_xlim(0, 100)
        axes.set_ylim(0, 102)
        axes.set_xlabel("share of trials really heard, %")
        axes.set_ylabel("chance of this ending, %")
        axes.grid(color=LIGHT["grid"], linewidth=0.6)
        named_at_end(axes, [(float(100 * chance[-1]), name) for name, chance in curves])
        said = []
        for name, chance in curves:
            at = [
                f"{percent(chance[nearest(shares, s)])} at {percent(shares[nearest(shares, s)])}"
                for s in (0, 0.25, 0.5, 0.75)
            ]
            said.append(f"{name}: " + ", ".join(at))
        description = (
            f"Chance of each ending with {plural(plan.trials, 'trial')}, over the share of trials really heard "
            "beyond guessing. " + "; ".join(said) + "."
        )
        columns = ["share really heard", *(f"chance that it {name}" for name, _ in curves)]
        rows = rows_of([shares, *(chance for _, chance in curves)])
        return finished(page, "plan", "What the plan could detect", description, columns, rows, 4)
