"""Figures of blind against labelled effects, on the partition of verdicts."""

import math
from collections.abc import Sequence
from typing import Any

from blindtest.report.claim_facts import ClaimResult
from blindtest.report.facts import ReportInput
from blindtest.report.figures import Cell, Figure, cut, drawing, drawn_names, finished, legend_above, numbered
from blindtest.report.rating_facts import VERDICTS, RatedFacts
from blindtest.report.rating_words import effect_words, kept_words, points, state_meaning
from blindtest.report.svg import LIGHT
from blindtest.report.words import clean, plural

__all__ = ["effects_figures"]

_REGIONS = {"survives": "c", "shrinks": "a", "vanishes": "d", "reverses": "b"}


_NAMED_UNITS = 8


def effects_figures(report: ReportInput) -> tuple[Figure, ...]:
    """Return, for each claim about ratings, the blind effect against the labelled one, on the partition."""
    made = [
        _effects_figure(report, result, numbered("effects", place))
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
