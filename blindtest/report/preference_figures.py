"""Figures of a claim that one of two is preferred: probabilities, every choice in order, strengths, and the plan."""

import math
from typing import Any

import numpy as np

from blindtest.report.claim_facts import ClaimResult
from blindtest.report.curves import nearest, thinned
from blindtest.report.facts import ReportInput
from blindtest.report.figures import (
    DASHES,
    MOST_ROWS,
    Cell,
    Figure,
    drawing,
    drawn_names,
    finished,
    label,
    legend_above,
    named_at_peak,
    rows_of,
)
from blindtest.report.preference_facts import PreferencePlanFacts
from blindtest.report.preference_words import margin_band
from blindtest.report.record_facts import TrialFacts
from blindtest.report.svg import LIGHT
from blindtest.report.words import clean, decibel, interval_words, number, percent, plural

__all__ = ["choices_figure", "preference_figure", "preference_plan_figure", "strengths_figure"]


def _claim(report: ReportInput) -> ClaimResult | None:
    return next(iter(report.of_kind("preferred")), None)


def _pair(report: ReportInput, result: ClaimResult) -> tuple[str, str]:
    a, b = drawn_names([report.name_of(result.claim.device), report.name_of(result.claim.comparator)])
    return a, b


def preference_figure(report: ReportInput) -> Figure | None:
    """Return how probable a preference for the device is, by listener and in all, with the coin and the margin."""
    result = _claim(report)
    if result is None or result.preferred is None:
        return None
    facts, (a, b) = result.preferred, _pair(report, result)
    several = facts.listeners[:MOST_ROWS] if len(facts.listeners) > 1 else ()
    shown = [*several, facts.answered]
    truth = {one.who: one.probability for one in facts.truth}
    with drawing(1.5 + 0.36 * len(shown)) as page:
        axes = page.subplots()
        axes.axvline(0.5, color=LIGHT["ink"], linewidth=1.1, linestyle=(0, (4, 2)))
        _above(axes, 0.5, "thrown coin\n50\u00a0%")
        if facts.margin is not None:
            low, high = margin_band(facts.margin)
            axes.axvspan(low, high, facecolor=LIGHT["c"], alpha=0.1, linewidth=0, zorder=0)
            for x in (low, high):
                axes.axvline(x, color=LIGHT["c"], linewidth=1.3, linestyle=(0, (1, 1.5)))
                _above(axes, x, f"margin\n{percent(x)}")
        for place, one in enumerate(shown):
            everyone = one is facts.answered
            if one.decided:
                axes.plot(
                    one.interval, (place, place), color=LIGHT["a"], linewidth=3.2 if everyone else 1.8,
                    solid_capstyle="butt",
                )  # fmt: skip
                axes.plot(
                    one.proportion, place, "s" if everyone else "o", color=LIGHT["a"], markersize=8 if everyone else 6.5
                )
            if one.who in truth:
                axes.plot(
                    truth[one.who], place, "D", color=LIGHT["b"], markersize=7, markerfacecolor="none",
                    markeredgewidth=1.7,
                )  # fmt: skip
            ties = f", {plural(one.ties, 'tie')}" if one.ties else ""
            axes.annotate(
                f"{one.wins} of {one.decided}{ties}", (1, place), xycoords=("axes fraction", "data"),
                xytext=(7, 0), textcoords="offset points", va="center", fontsize=9, color=LIGHT["ink"],
            )  # fmt: skip
        axes.set_yticks(range(len(shown)), [label(one.who, 20) for one in shown])
        axes.set_ylim(len(shown) - 0.4, -0.6)
        axes.set_xlim(0, 1)
        axes.xaxis.set_major_formatter(lambda value, _: f"{100 * value:.0f}")
        axes.set_xlabel(
            f"trials in which {a} was preferred to {b}, %, with {percent(facts.answered.level)} intervals"
            + ("\nopen diamond: the simulated listener's true probability" if truth else "")
        )
        axes.grid(axis="x", color=LIGHT["grid"], linewidth=0.6)
        said = "; ".join(
            f"{clean(one.who)}: {a} preferred in {one.wins} of {one.decided}, {percent(one.proportion, 1)}, interval "
            f"{interval_words(one.interval, 1)}, {plural(one.ties, 'tie')}"
            for one in shown
        )
        description = f"{said}. A thrown coin gives 50\u00a0%"
        if facts.margin is not None:
            description += f"; by the margin, {interval_words(margin_band(facts.margin), 1)} counts as negligible"
        description += "."
        if len(facts.listeners) > MOST_ROWS:
            description += f" The first {MOST_ROWS} of {len(facts.listeners)} listeners are drawn."
        columns = [
            "who", f"preferred {a}", f"preferred {b}", "no preference", "proportion", "interval from", "interval to",
        ]  # fmt: skip
        rows: list[tuple[Cell, ...]] = []
        for one in shown:
            row: tuple[Cell, ...] = (clean(one.who), one.wins, one.losses, one.ties, one.proportion, *one.interval)
            rows.append((*row, truth.get(one.who, "")) if truth else row)
        if truth:
            columns.append("true probability (simulated)")
        title = "Preferences, against a thrown coin and the margin"
        return finished(page, "preference", title, description, columns, tuple(rows), 4)


def _above(axes: Any, x: float, text: str) -> None:
    axes.annotate(
        text, (x, 1), xycoords=("data", "axes fraction"), xytext=(0, 3), textcoords="offset points", ha="center",
        va="bottom", fontsize=8.5, color=LIGHT["ink"],
    )  # fmt: skip


def choices_figure(report: ReportInput) -> Figure | None:
    """Return every counted choice in order: which was preferred, a row for each sitting."""
    result = _claim(report)
    counted = [trial for trial in report.counted_trials() if trial.method == "preference"]
    if result is None or not counted:
        return None
    a, b = _pair(report, result)
    claim = result.claim
    sittings: dict[tuple[str, int], list[TrialFacts]] = {}
    for trial in counted:
        if {condition for _, condition in trial.slots} == {claim.device, claim.comparator}:
            sittings.setdefault((trial.listener, trial.sitting), []).append(trial)
    if not sittings:
        return None
    kinds = {claim.device: a, claim.comparator: b}
    looks: dict[str, dict[str, Any]] = {
        a: {"marker": "o", "color": LIGHT["a"], "markersize": 6.2},
        b: {"marker": "^", "color": LIGHT["b"], "markersize": 6.6},
        "no preference": {"marker": "s", "color": LIGHT["ink"], "markersize": 5, "markerfacecolor": "none"},
        "unanswered": {"marker": "_", "color": LIGHT["soft"], "markersize": 7, "markeredgewidth": 1.6},
    }
    rows: list[tuple[Cell, ...]] = []
    marks: dict[str, tuple[list[int], list[int]]] = {kind: ([], []) for kind in looks}
    said = []
    for place, ((listener, sitting), trials) in enumerate(sittings.items()):
        ended = ["unanswered" if not trial.answered else kinds.get(trial.chosen, "no preference") for trial in trials]
        for count, (trial, kind) in enumerate(zip(trials, ended, strict=True), start=1):
            first = kinds.get(trial.slots[0][1], "") if trial.slots else ""
            rows.append((clean(listener), sitting, count, clean(trial.clip), first, kind))
            if place < MOST_ROWS:
                marks[kind][0].append(count)
                marks[kind][1].append(place)
        counts = ", ".join(f"{kind} {ended.count(kind)}" for kind in looks if kind in ended)
        said.append(f"{clean(listener)}, sitting {sitting}: {counts}")
    with drawing(1.35 + 0.34 * min(len(sittings), MOST_ROWS)) as page:
        axes = page.subplots()
        for kind, (x, y) in marks.items():
            if x:
                axes.plot(x, y, linestyle="none", label=kind, **looks[kind])
        shown = list(sittings)[:MOST_ROWS]
        axes.set_yticks(range(len(shown)), [f"{label(who, 16)}, sitting {sitting}" for who, sitting in shown])
        axes.set_ylim(len(shown) - 0.5, -0.5)
        axes.set_xlim(0.2, max(len(trials) for trials in sittings.values()) + 0.8)
        axes.xaxis.get_major_locator().set_params(integer=True)
        axes.set_xlabel("counted pair, in the order heard")
        legend_above(axes)
        description = "Which of the two was preferred, pair by pair. " + "; ".join(said[:MOST_ROWS]) + "."
        if len(sittings) > MOST_ROWS:
            description += f" The first {MOST_ROWS} of {len(sittings)} sittings are drawn."
        columns = ["listener", "sitting", "counted pair", "clip", "heard first", "preferred"]
        return finished(page, "choices", "Preferences in the order given", description, columns, tuple(rows), 0)


def strengths_figure(report: ReportInput) -> Figure | None:
    """Return how strongly each thing is preferred, with intervals, and the effect of being heard first below."""
    result = _claim(report)
    if result is None or result.preferred is None or result.preferred.strengths is None:
        return None
    fit = result.preferred.strengths
    ranked = sorted(fit.strengths, key=lambda one: -one.estimate)
    names = drawn_names([report.name_of(one.item) for one in ranked])
    order = fit.order_effect is not None and fit.order_effect_interval is not None
    entries = [(name, one.estimate, one.interval) for name, one in zip(names, ranked, strict=True)]
    if order:
        entries.append(("being heard first", fit.order_effect, fit.order_effect_interval))  # type: ignore[arg-type]
    places = [*range(len(ranked)), len(ranked) + 0.5][: len(entries)]
    with drawing(1.2 + 0.38 * (len(entries) + 0.5 * order)) as page:
        axes = page.subplots()
        axes.axvline(0, color=LIGHT["ink"], linewidth=1.1, linestyle=(0, (4, 2)))
        for place, (name, estimate, interval) in zip(places, entries, strict=True):
            own = name == "being heard first" and place == places[-1] and order
            colour = LIGHT["d"] if own else LIGHT["a"]
            axes.plot(interval, (place, place), color=colour, linewidth=2.4, solid_capstyle="butt")
            axes.plot(estimate, place, "D" if own else "o", color=colour, markersize=7)
            axes.annotate(
                decibel(estimate), (1, place), xycoords=("axes fraction", "data"), xytext=(7, 0),
                textcoords="offset points", va="center", fontsize=9, color=LIGHT["ink"],
            )  # fmt: skip
        axes.set_yticks(places, [label(name, 26) for name, _, _ in entries])
        axes.set_ylim(places[-1] + 0.55, -0.55)
        reach = max(0.5, *(abs(x) for _, _, interval in entries for x in interval if math.isfinite(x)))
        axes.set_xlim(-1.08 * reach, 1.08 * reach)
        axes.set_xlabel(
            f"strength, log odds (sum zero), with {percent(fit.level)} intervals; 1 apart: preferred with 73\u00a0%"
        )
        axes.grid(axis="x", color=LIGHT["grid"], linewidth=0.6)
        said = "; ".join(
            f"{name} {decibel(estimate)}, interval {number(low)} to {number(high)}"
            for name, estimate, (low, high) in entries
        )
        description = (
            f"Strengths from {plural(fit.answers, 'answer')}, strongest first, in log odds: {said}. "
            + (f"{plural(fit.ties, 'tie')} stand in the model." if fit.tie_parameter is not None else "")
        ).strip()
        columns = ["", "estimate", "interval from", "interval to"]
        rows = tuple((name, estimate, *interval) for name, estimate, interval in entries)
        return finished(page, "strengths", "Strengths of preference", description, columns, rows, 3)


_LOOKS: dict[str, tuple[str, Any]] = {
    "shown": ("a", DASHES[0]),
    "refuted": ("b", DASHES[1]),
    "negligible": ("d", DASHES[3]),
    "open": ("soft", DASHES[2]),
}


def preference_plan_figure(report: ReportInput) -> Figure | None:
    """Return how often the plan ends with each word, over the true probability to prefer the device."""
    result = _claim(report)
    plan = None if result is None else result.plan
    if result is None or not isinstance(plan, PreferencePlanFacts) or not plan.probabilities:
        return None
    a, b = _pair(report, result)
    kept = thinned([np.asarray(curve) for _, curve in plan.chances])
    x = np.asarray(plan.probabilities)[kept]
    curves = [(word, np.asarray(curve)[kept]) for word, curve in plan.chances]
    with drawing(3.3) as page:
        axes = page.subplots()
        for word, chance in curves:
            role, dash = _LOOKS[word]
            axes.plot(100 * x, 100 * chance, color=LIGHT[role], linestyle=dash, linewidth=1.9)
        axes.set_xlim(0, 100)
        axes.set_ylim(0, 112)
        axes.set_yticks(range(0, 101, 20))
        if plan.margin is not None:
            for at in margin_band(plan.margin):
                axes.axvline(100 * at, color=LIGHT["c"], linewidth=1.3, linestyle=(0, (1, 1.5)))
                _above(axes, 100 * at, f"margin {percent(at)}")
        named_at_peak(axes, [(100 * x, 100 * chance, word) for word, chance in curves])
        axes.set_xlabel(f"true probability that {a} is preferred to {b}, %")
        axes.set_ylabel("chance of this ending, %")
        axes.grid(color=LIGHT["grid"], linewidth=0.6)
        said = "; ".join(
            f"{word}: "
            + ", ".join(f"{percent(chance[nearest(x, p)])} at {percent(p)}" for p in (0.1, 0.3, 0.5, 0.7, 0.9))
            for word, chance in curves
        )
        description = (
            f"Chance of each ending with {plural(plan.trials, 'pair')} and no ties, over the true probability to "
            f"prefer {a}. {said}."
        )
        columns = ["true probability", *(f"chance of {word}" for word, _ in curves)]
        rows = rows_of([x, *(chance for _, chance in curves)])
        return finished(page, "plan-preference", "What the plan could tell", description, columns, rows, 4)
