"""Figures of ratings: blind against labelled effects on the partition, every rating, and what the plan could reach."""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from blindtest.report.claim_facts import ClaimResult
from blindtest.report.facts import ReportInput
from blindtest.report.figures import (
    DASHES,
    Cell,
    Figure,
    cut,
    drawing,
    drawn_names,
    finished,
    label,
    legend_above,
    named_at_peak,
    rows_of,
)
from blindtest.report.rating_facts import VERDICTS, RatedFacts, RatingFacts, SurvivalPlanFacts
from blindtest.report.rating_words import effect_words, kept_words, points, state_meaning
from blindtest.report.svg import LIGHT
from blindtest.report.words import clean, number, percent, plural

__all__ = ["effects_figures", "ratings_figure", "survival_plan_figures"]

_REGIONS = {"survives": "c", "shrinks": "a", "vanishes": "d", "reverses": "b"}
_NAMED_UNITS = 8
_MOST_POINTS = 2000


def _numbered(name: str, place: int) -> str:
    return name if place == 0 else f"{name}-{place + 1}"


def effects_figures(report: ReportInput) -> tuple[Figure, ...]:
    """Return, for each claim about ratings, the blind effect against the labelled one, on the partition."""
    made = [
        _effects_figure(report, result, _numbered("effects", place))
        for place, result in enumerate(report.of_kind("rated"))
    ]
    return tuple(figure for figure in made if figure is not None)


def _effects_figure(report: ReportInput, result: ClaimResult, name: str) -> Figure | None:
    facts = result.rated
    if facts is None or facts.labelled is None or facts.blind is None:
        return None
    a, b = drawn_names([report.name_of(result.claim.device), report.name_of(result.claim.comparator)])
    s, d = facts.labelled, facts.blind
    x_low, x_high, y_low, y_high = _reach(facts)
    with drawing(5.6) as page:
        axes = page.subplots()
        axes.set_xlim(x_low, x_high)
        axes.set_ylim(y_low, y_high)
        _draw_partition(axes, facts)
        _draw_units(axes, facts)
        for effect, flat in ((s, True), (d, False)):
            low, high = effect.interval
            if math.isfinite(low) and math.isfinite(high):
                xy = ((low, high), (d.estimate, d.estimate)) if flat else ((s.estimate, s.estimate), (low, high))
                axes.plot(*xy, color=LIGHT["ink"], linewidth=2.6, solid_capstyle="butt", zorder=4)
        axes.plot(s.estimate, d.estimate, "s", color=LIGHT["ink"], markersize=8, zorder=5, label="mean, with intervals")
        for told in facts.truth:
            if told.who in ("all listeners", "") or len(facts.truth) == 1:
                axes.plot(
                    told.labelled, told.blind, "D", color=LIGHT["b"], markersize=8.5, markerfacecolor="none",
                    markeredgewidth=1.8, zorder=6, linestyle="none", label="truth (simulated)",
                )  # fmt: skip
                break
        axes.set_xlabel(f"effect with names shown (s): {a} minus {b}, points")
        axes.set_ylabel("effect blind (d), points")
        axes.grid(color=LIGHT["grid"], linewidth=0.5)
        axes.set_axisbelow(True)
        legend_above(axes)
        columns, rows = _effect_rows(facts)
        title = f"Effect with and without names: {a} over {b}"
        return finished(page, name, title, _effect_description(facts, a, b), columns, rows, 2)


def _reach(facts: RatedFacts) -> tuple[float, float, float, float]:
    """Return what the axes have to hold: units, the margin's band, the truth, and intervals that are not too wide."""
    xs = [0.0, 1.6 * facts.margin / facts.kept, *(told.labelled for told in facts.truth)]
    ys = [-1.6 * facts.margin, 1.9 * facts.margin, *(told.blind for told in facts.truth)]
    xs += [one.labelled for one in facts.units if one.labelled is not None]
    ys += [one.blind for one in facts.units if one.blind is not None]
    for values, effect in ((xs, facts.labelled), (ys, facts.blind)):
        if effect is not None:
            values.append(effect.estimate)
            # An interval of two units may be wider than the scale: it then runs out of the drawing.
            low, high = min(values), max(values)
            room = 0.5 * (high - low)
            values += [min(max(x, low - room), high + room) for x in effect.interval]
    pad_x, pad_y = 0.06 * (max(xs) - min(xs)), 0.06 * (max(ys) - min(ys))
    return min(xs) - pad_x, max(xs) + pad_x, min(ys) - pad_y, max(ys) + pad_y


def _draw_partition(axes: Any, facts: RatedFacts) -> None:
    """Draw the four states' regions, the margin, the kept-line and the line of no change, each with its name."""
    (x_low, x_high), (y_low, y_high) = axes.get_xlim(), axes.get_ylim()
    margin, kept = facts.margin, facts.kept
    corner = min(max(margin / kept, x_low), x_high)
    edge = max(margin, kept * x_high)
    regions = {
        "reverses": [(x_low, y_low), (x_high, y_low), (x_high, -margin), (x_low, -margin)],
        "vanishes": [(x_low, -margin), (x_high, -margin), (x_high, margin), (x_low, margin)],
        "shrinks": [(corner, margin), (x_high, margin), (x_high, edge)],
        "survives": [
            (x_low, margin),
            (corner, margin),
            (x_high, edge),
            (x_high, y_high + edge),
            (x_low, y_high + edge),
        ],
    }
    for state, outline in regions.items():
        axes.fill(*zip(*outline, strict=True), facecolor=LIGHT[_REGIONS[state]], alpha=0.13, linewidth=0, zorder=0)
    for level in (margin, -margin):
        axes.plot((x_low, x_high), (level, level), color=LIGHT["ink"], linewidth=1.1, linestyle=(0, (1, 1.5)), zorder=1)
    axes.plot((corner, x_high), (margin, edge), color=LIGHT["ink"], linewidth=1.2, linestyle=(0, (5, 2)), zorder=1)
    span = (max(x_low, y_low), min(x_high, y_high))
    axes.plot(span, span, color=LIGHT["soft"], linewidth=0.9, zorder=1)
    axes.set_xlim(x_low, x_high)
    axes.set_ylim(y_low, y_high)
    ends = [
        (margin, f"margin, {points(margin, 0)}"),
        (-margin, f"margin, {points(-margin, 0)}"),
    ]
    if y_low < edge < y_high:
        ends.append((edge, f"{kept_words(kept)} kept"))
    if span[1] == x_high and all(abs(x_high - y) > 0.05 * (y_high - y_low) for y, _ in ends):
        ends.append((x_high, "unchanged"))
    _named_at_top(axes, [(slope, text) for slope, text in ((kept, f"{kept_words(kept)} kept"), (1.0, "unchanged"))])
    for y, text in ends:
        axes.annotate(
            text, (1, y), xycoords=("axes fraction", "data"), xytext=(5, 0), textcoords="offset points", va="center",
            fontsize=8.5, color=LIGHT["ink"],
        )  # fmt: skip
    _name_regions(axes, facts, min(edge, y_high) - margin)


def _name_regions(axes: Any, facts: RatedFacts, wedge: float) -> None:
    """Write each state into its region, where it covers the fewest marks; `wedge`: how high that of 'shrinks' gets."""
    (x_low, x_high), (y_low, y_high) = axes.get_xlim(), axes.get_ylim()
    width, height = x_high - x_low, y_high - y_low
    left, right, margin = x_low + 0.02 * width, x_high - 0.015 * width, facts.margin
    under, over = -0.025 * height, 0.025 * height
    spots: dict[str, list[tuple[float, float, str, str]]] = {
        "survives": [(left, y_high + under, "left", "top"), (left, margin + over, "left", "bottom")],
        "vanishes": [
            (left, margin + under, "left", "top"),
            (left, -margin + over, "left", "bottom"),
            (right, margin + under, "right", "top"),
            (right, -margin + over, "right", "bottom"),
        ],
        "reverses": [
            (left, -margin + under, "left", "top"),
            (left, y_low + over, "left", "bottom"),
            (right, -margin + under, "right", "top"),
            (right, y_low + over, "right", "bottom"),
        ],
    }
    if wedge > 0.09 * height:
        spots["shrinks"] = [(right, margin + over, "right", "bottom")]
        if wedge > 0.14 * height:
            corner = max(margin / facts.kept, x_low)
            spots["shrinks"].append((x_high - 0.38 * (x_high - corner), margin + over, "right", "bottom"))
        if wedge > 0.25 * height:
            spots["shrinks"].append((right, margin + over + 0.4 * wedge, "right", "bottom"))
    marks = _marks(facts)

    def covered(spot: tuple[float, float, str, str]) -> int:
        x, y, ha, va = spot
        middle = x + (0.06 if ha == "left" else -0.06) * width, y + (0.02 if va == "bottom" else -0.02) * height
        return sum(abs(s - middle[0]) < 0.08 * width and abs(d - middle[1]) < 0.04 * height for s, d in marks)

    for state, places in spots.items():
        x, y, ha, va = min(places, key=covered)
        axes.text(x, y, state, ha=ha, va=va, fontsize=11, color=LIGHT["ink"], zorder=7)


def _marks(facts: RatedFacts) -> list[tuple[float, float]]:
    """Return where marks are drawn."""
    assert facts.labelled is not None
    assert facts.blind is not None
    s, d = facts.labelled, facts.blind
    marks = [(s.estimate, d.estimate), *((told.labelled, told.blind) for told in facts.truth)]
    for one in facts.units:
        marks.append(
            (
                s.estimate if one.labelled is None else one.labelled,
                d.estimate if one.blind is None else one.blind,
            )
        )
    return marks


def _named_at_top(axes: Any, lines: Sequence[tuple[float, str]]) -> None:
    """Name lines through the origin that leave the drawing at its top, where they do."""
    (x_low, x_high), (_, y_high) = axes.get_xlim(), axes.get_ylim()
    for slope, text in lines:
        at = y_high / slope
        if x_low < at < x_high:
            axes.annotate(
                text, (at, y_high), xytext=(-24, -5), textcoords="offset points", ha="right", va="top", fontsize=8.5,
                color=LIGHT["ink"],
            )  # fmt: skip


def _draw_units(axes: Any, facts: RatedFacts) -> None:
    assert facts.labelled is not None
    assert facts.blind is not None
    if facts.unit == "listener":
        both = [one for one in facts.units if one.labelled is not None and one.blind is not None]
        axes.plot(
            [one.labelled for one in both], [one.blind for one in both], "o", color=LIGHT["a"], markersize=6.2,
            markerfacecolor="none", markeredgewidth=1.5, zorder=3, label="listener",
        )  # fmt: skip
        for one in both if len(both) <= _NAMED_UNITS else ():
            axes.annotate(
                cut(clean(one.name), 14), (one.labelled, one.blind), xytext=(6, 4), textcoords="offset points",
                fontsize=8, color=LIGHT["ink"],
            )  # fmt: skip
        return
    labelled = [one.labelled for one in facts.units if one.labelled is not None]
    blind = [one.blind for one in facts.units if one.blind is not None]
    if labelled:
        axes.plot(
            labelled, [facts.blind.estimate] * len(labelled), linestyle="none", marker="|", color=LIGHT["a"],
            markersize=17, markeredgewidth=2, zorder=3, label="labelled sitting",
        )  # fmt: skip
    if blind:
        axes.plot(
            [facts.labelled.estimate] * len(blind), blind, linestyle="none", marker="_", color=LIGHT["b"],
            markersize=17, markeredgewidth=2, zorder=3, label="blind sitting",
        )  # fmt: skip


def _effect_rows(facts: RatedFacts) -> tuple[list[str], tuple[tuple[Cell, ...], ...]]:
    def cell(value: float | None) -> Cell:
        return "" if value is None else value

    rows: list[tuple[Cell, ...]] = [(clean(one.name), cell(one.labelled), cell(one.blind)) for one in facts.units]
    for text, pick in (("mean", None), ("interval from", 0), ("interval to", 1)):
        both = [
            "" if effect is None else effect.estimate if pick is None else effect.interval[pick]
            for effect in (facts.labelled, facts.blind)
        ]
        rows.append((text, both[0], both[1]))
    for told in facts.truth:
        rows.append((f"true, {clean(told.who)}" if told.who else "true", told.labelled, told.blind))
    return [facts.unit, "labelled effect, points", "blind effect, points"], tuple(rows)


def _effect_description(facts: RatedFacts, a: str, b: str) -> str:
    text = (
        f"{a} over {b}. With names shown {effect_words(facts.labelled)}; blind {effect_words(facts.blind)}. Regions: "
        + "; ".join(f"{state}: {state_meaning(state, facts.margin, facts.kept)}" for state in VERDICTS)
        + "."
    )
    if facts.unit == "listener" and facts.units:
        inside: dict[str, int] = {}
        for one in facts.units:
            if one.labelled is not None and one.blind is not None:
                state = _state(one.blind, one.labelled, facts)
                inside[state] = inside.get(state, 0) + 1
        text += f" Of {plural(sum(inside.values()), 'listener')}, by single effects: " + ", ".join(
            f"{inside[state]} in {state}" for state in VERDICTS if state in inside
        )
        text += "."
    return text


def _state(d: float, s: float, facts: RatedFacts) -> str:
    if d <= -facts.margin:
        return "reverses"
    if d < facts.margin:
        return "vanishes"
    return "survives" if d >= facts.kept * s else "shrinks"


_MODES: dict[str, dict[str, Any]] = {
    "worn": {"marker": "^", "role": "d"},
    "labelled": {"marker": "o", "role": "a"},
    "blind": {"marker": "s", "role": "b"},
}


def ratings_figure(report: ReportInput) -> Figure | None:
    """Return every rating: a panel for each clip, in it conditions and modes as rows; means as upright strokes."""
    ratings = tuple(rating for rating in report.ratings if rating.mode in _MODES)
    if not ratings:
        return None
    conditions = [c.id for c in report.conditions if any(r.condition == c.id for r in ratings)]
    conditions += sorted({r.condition for r in ratings} - set(conditions))
    modes = [mode for mode in _MODES if any(r.mode == mode for r in ratings)]
    clips = list(dict.fromkeys([c.id for c in report.clips if any(r.clip == c.id for r in ratings)]))
    clips += sorted({r.clip for r in ratings} - set(clips))
    titles = {clip.id: clip.title or clip.id for clip in report.clips}
    drawn, averaged = _drawn(ratings)
    names = drawn_names([_condition_name(report, condition) for condition in conditions])
    if len(set(names)) < len(names):
        names = [f"{name}, {condition}" for name, condition in zip(names, conditions, strict=True)]
    across = 2 if len(clips) == 4 else min(3, len(clips))
    down = -(-len(clips) // across)
    rows_each = len(conditions) * len(modes)
    with drawing(0.75 + down * (0.55 + 0.19 * rows_each)) as page:
        grid = page.subplots(down, across, sharex=True, sharey=True, squeeze=False)
        for place, axes in enumerate(grid.flat):
            if place >= len(clips):
                axes.set_visible(False)
                continue
            _draw_ratings(axes, [r for r in drawn if r.clip == clips[place]], conditions, modes)
            axes.set_title(label(titles.get(clips[place], clips[place]), 27), loc="left", fontsize=9)
            axes.set_xlim(-3, 103)
            axes.set_xticks((0, 20, 40, 60, 80, 100))
            axes.grid(axis="x", color=LIGHT["grid"], linewidth=0.6)
            axes.set_yticks(
                [len(modes) * i + (len(modes) - 1) / 2 + 0.7 * i for i in range(len(conditions))],
                [label(one, 24) for one in names],
            )
            axes.set_ylim(len(modes) * len(conditions) + 0.7 * (len(conditions) - 1) - 0.3, -0.7)
            axes.tick_params(axis="y", length=0)
            axes.xaxis.set_tick_params(labelbottom=place + across >= len(clips))
        page.supxlabel("rating, 0 to 100", fontsize=9.5, color=LIGHT["ink"])
        handles, texts = grid.flat[0].get_legend_handles_labels()
        page.legend(
            handles, texts, loc="outside upper left", ncols=4, frameon=False, fontsize=9, handletextpad=0.4,
            columnspacing=1.4,
        )  # fmt: skip
        description = _ratings_description(report, conditions, modes, len(clips), averaged)
        columns = ["listener", "sitting", "mode", "clip", "condition", "rating"]
        rows: tuple[tuple[Cell, ...], ...] = tuple(
            (
                clean(r.listener), r.sitting if not averaged else "all", r.mode, clean(titles.get(r.clip, r.clip)),
                clean(_condition_name(report, r.condition)), float(r.rating),
            )
            for r in drawn
        )  # fmt: skip
        return finished(page, "ratings", "Every rating", description, columns, rows, 1)


def _condition_name(report: ReportInput, condition: str) -> str:
    facts = next((c for c in report.conditions if c.id == condition), None)
    if facts is not None and facts.anchor:
        return f"{facts.anchor} anchor"
    name = report.name_of(condition)
    if facts is None or not facts.decoy or "decoy" in name.lower():
        return name
    return f"decoy {name}"


def _drawn(ratings: Sequence[RatingFacts]) -> tuple[list[RatingFacts], bool]:
    """Return the ratings, or where they are too many each listener's mean over sittings and repeats."""
    if len(ratings) <= _MOST_POINTS:
        return list(ratings), False
    groups: dict[tuple[str, str, str, str], list[float]] = {}
    for r in ratings:
        groups.setdefault((r.listener, r.mode, r.clip, r.condition), []).append(r.rating)
    return [
        RatingFacts(
            listener=listener, sitting=0, mode=mode, clip=clip, condition=condition, rating=float(np.mean(values)),  # type: ignore[arg-type]
        )
        for (listener, mode, clip, condition), values in groups.items()
    ], True  # fmt: skip


def _draw_ratings(axes: Any, ratings: Sequence[RatingFacts], conditions: Sequence[str], modes: Sequence[str]) -> None:
    for m, mode in enumerate(modes):
        look = _MODES[mode]
        colour = LIGHT[look["role"]]
        xs, ys = [], []
        for i, condition in enumerate(conditions):
            here = [r.rating for r in ratings if r.mode == mode and r.condition == condition]
            place = len(modes) * i + m + 0.7 * i
            # Equal ratings would hide each other: they are spread over the row, in the order given.
            spread = np.linspace(-0.22, 0.22, len(here)) if len(here) > 1 else np.zeros(len(here))
            xs += here
            ys += [place + float(shift) for shift in spread]
            if here:
                mean = float(np.mean(here))
                axes.plot((mean, mean), (place - 0.45, place + 0.45), color=LIGHT["ink"], linewidth=2.0, zorder=4)
        axes.plot(
            xs, ys, linestyle="none", marker=look["marker"], color=colour, markersize=3.8,
            markerfacecolor=colour if mode == "labelled" else "none", markeredgewidth=1.1, alpha=0.75, label=mode,
            zorder=3,
        )  # fmt: skip


def _ratings_description(
    report: ReportInput, conditions: Sequence[str], modes: Sequence[str], clips: int, averaged: bool
) -> str:
    parts = []
    for condition in conditions:
        means = []
        for mode in modes:
            values = [r.rating for r in report.ratings if r.condition == condition and r.mode == mode]
            if values:
                means.append(f"{mode} {number(float(np.mean(values)), 1)} (n {len(values)})")
        parts.append(f"{clean(_condition_name(report, condition))}: {', '.join(means)}")
    text = (
        f"{plural(len(report.ratings), 'rating')} on {plural(clips, 'clip')}, a mark each, upright strokes are means. "
        f"Means over clips: {'; '.join(parts)}."
    )
    if averaged:
        text += " Since they are many, each listener's mean over sittings and repeats is drawn instead."
    return text


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
            made.append(_plan_figure(plan, _numbered("plan-rating", len(seen))))
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
        for at, text in (
            (-plan.margin, f"margin\n{points(-plan.margin, 0)}"),
            (plan.margin, f"margin\n{points(plan.margin, 0)}"),
            (
                plan.kept * plan.labelled_effect,
                f"{kept_words(plan.kept)}\n{_short(plan.kept * plan.labelled_effect)}",
            ),
        ):
            if x[0] <= at <= x[-1]:
                axes.axvline(at, color=LIGHT["ink"], linewidth=0.9, linestyle=(0, (1, 1.5)))
                axes.annotate(
                    text, (at, 1), xycoords=("data", "axes fraction"), xytext=(0, 3), textcoords="offset points",
                    ha="center", va="bottom", fontsize=8.5, color=LIGHT["ink"],
                )  # fmt: skip
        named_at_peak(axes, [(x, 100 * chance, verdict) for verdict, chance in curves])
        axes.set_xlabel(f"true blind effect, points, with a labelled effect of {points(plan.labelled_effect, 0)}")
        axes.set_ylabel("studies that end so, %")
        axes.grid(color=LIGHT["grid"], linewidth=0.6)
        said = []
        for verdict, chance in curves:
            top = int(np.argmax(chance))
            said.append(f"{verdict} up to {percent(float(chance[top]))} (at {points(float(x[top]), 0)})")
        description = (
            f"How often a plan of {plural(plan.listeners, 'listener')}, {plan.labelled_sittings} labelled and "
            f"{plan.blind_sittings} blind sittings each, ends with each verdict, over the true blind effect; margin "
            f"{plan.margin:g}, {kept_words(plan.kept)} kept. " + "; ".join(said) + "."
        )
        columns = ["true blind effect, points", *(verdict for verdict, _ in curves)]
        rows = rows_of([x, *(chance for _, chance in curves)])
        return finished(page, name, "Which verdicts the plan could reach", description, columns, rows, 4)
