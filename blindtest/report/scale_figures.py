"""Figures of claims about ratings of one moment: listeners' differences against the margin, and all that was rated."""

from math import isfinite
from typing import Any

from blindtest.report.claim_facts import ClaimResult
from blindtest.report.facts import ReportInput
from blindtest.report.figures import (
    MOST_ROWS,
    Cell,
    Figure,
    drawing,
    drawn_names,
    finished,
    label,
    legend_above,
    numbered,
)
from blindtest.report.rating_words import points
from blindtest.report.scale_facts import ScaleFacts
from blindtest.report.scale_words import contrast_span
from blindtest.report.svg import LIGHT
from blindtest.report.words import MINUS, clean, number, percent

__all__ = ["scale_figures"]

ALL = "(all)"


def scale_figures(report: ReportInput) -> tuple[Figure, ...]:
    """Return, for each claim about ratings of one moment, its differences; and, once for each scale, what was rated."""
    made: list[Figure] = []
    drawn: set[str] = set()
    for place, result in enumerate(one for one in report.of_kind("attribute") if one.scaled is not None):
        assert result.scaled is not None
        made.append(_differences(report, result, result.scaled, numbered("scale", place)))
        if result.scaled.scale not in drawn:
            drawn.add(result.scaled.scale)
            rated = _grades if result.scaled.in_grades else _conditions
            figure = rated(report, result.scaled, numbered("rated", place))
            made += [figure] if figure is not None else []
    return tuple(made)


def _differences(report: ReportInput, result: ClaimResult, facts: ScaleFacts, name: str) -> Figure:
    a, b = drawn_names([report.name_of(result.claim.device), report.name_of(result.claim.comparator)])
    digits = 2 if facts.in_grades else 1
    kept = set(facts.screening.kept) if facts.screening is not None else None
    every = [one for one in facts.everybody.listeners if isfinite(one.difference)]
    own = every[:MOST_ROWS] if len(every) > 1 else []
    means = [("those kept", facts.kept)] if facts.kept is not None else []
    means.append(("everybody" if len(every) > 1 else "mean", facts.everybody))
    rows: list[tuple[Cell, ...]] = []
    said = []
    with drawing(1.5 + 0.3 * (len(own) + len(means))) as page:
        axes = page.subplots()
        margin = result.claim.margin
        if margin is not None:
            axes.axvspan(-margin, margin, facecolor=LIGHT["c"], alpha=0.13, linewidth=0, zorder=0)
            for x in (-margin, margin):
                axes.axvline(x, color=LIGHT["c"], linewidth=1.3, linestyle=(0, (1, 1.5)))
                axes.annotate(
                    "margin\n" + f"{x:+g}".replace("-", MINUS), (x, 1), xycoords=("data", "axes fraction"),
                    xytext=(0, 3), textcoords="offset points", ha="center", va="bottom", fontsize=8.5,
                    color=LIGHT["ink"],
                )  # fmt: skip
        axes.axvline(0, color=LIGHT["ink"], linewidth=1.1, linestyle=(0, (4, 2)))
        for place, one in enumerate(own):
            out = kept is not None and one.listener not in kept
            axes.plot(
                one.difference, place, "x" if out else "o", color=LIGHT["b" if out else "a"], markersize=6.5,
                markeredgewidth=1.8 if out else 1.0,
            )  # fmt: skip
            standing = "" if kept is None else "left out" if out else "kept"
            rows.append((clean(one.listener), one.difference, "", "", standing))
            said.append(f"{clean(one.listener)} {points(one.difference, digits)}{', left out' if out else ''}")
        for place, (who, held) in enumerate(means, start=len(own)):
            found = held.conclusion
            if found is None:
                continue
            axes.plot(found.interval, (place, place), color=LIGHT["a"], linewidth=3.2, solid_capstyle="butt")
            axes.plot(found.estimate, place, "s", color=LIGHT["a"], markersize=8)
            axes.annotate(
                points(found.estimate, digits), (1, place), xycoords=("axes fraction", "data"), xytext=(7, 0),
                textcoords="offset points", va="center", fontsize=9, color=LIGHT["ink"],
            )  # fmt: skip
            rows.append((who, found.estimate, *found.interval, ""))
            said.append(
                f"{who} {points(found.estimate, digits)}, {percent(1 - found.alpha)} interval "
                f"{contrast_span(found.interval, digits)}"
            )
        names = [*(label(one.listener, 20) for one in own), *(who for who, _ in means)]
        axes.set_yticks(range(len(names)), names)
        axes.set_ylim(len(names) - 0.4, -0.6)
        axes.set_xlabel(f"{a} minus {b} in {clean(facts.scale)}, {facts.unit}")
        axes.grid(axis="x", color=LIGHT["grid"], linewidth=0.6)
        description = "; ".join(said) + "."
        if margin is not None:
            description += f" The margin lies at {margin:g} on either side of 0."
        if kept is not None and len(kept) < len(facts.everybody.listeners):
            description += " Crosses mark listeners whom the sealed rules leave out."
        if len(every) > MOST_ROWS:
            description += f" The first {MOST_ROWS} of {len(every)} listeners are drawn."
        columns = ["who", f"difference, {facts.unit}", "interval from", "interval to", "screening"]
        return finished(page, name, f"{a} minus {b}, listener by listener", description, columns, tuple(rows), 2)


def _conditions(report: ReportInput, facts: ScaleFacts, name: str) -> Figure | None:
    summary = facts.summary
    if summary is None:
        return None
    table = summary.table
    whole = table[table["item"] == ALL].sort_values("median", ascending=False, kind="stable").to_dict("records")
    shown = whole[:MOST_ROWS]
    names = drawn_names([report.name_of(str(row["condition"])) for row in shown])
    rows: list[tuple[Cell, ...]] = []
    said = []
    with drawing(1.45 + 0.42 * len(shown)) as page:
        axes = page.subplots()
        for place, (row, who) in enumerate(zip(shown, names, strict=True)):
            axes.barh(
                place, row["q3"] - row["q1"], left=row["q1"], height=0.5, color=LIGHT["a"], alpha=0.25, linewidth=0,
                label="middle half of the ratings" if place == 0 else None,
            )  # fmt: skip
            axes.plot(
                (row["median"], row["median"]), (place - 0.25, place + 0.25), color=LIGHT["a"], linewidth=2.6,
                solid_capstyle="butt", label="median" if place == 0 else None,
            )  # fmt: skip
            if isfinite(row["ci_low"]):
                axes.plot(
                    (row["ci_low"], row["ci_high"]), (place, place), color=LIGHT["b"], linewidth=1.6,
                    solid_capstyle="butt",
                )  # fmt: skip
            axes.plot(
                row["mean"], place, "D", color=LIGHT["b"], markersize=5.5, linestyle="none",
                label=f"mean, {percent(summary.level)} interval" if place == 0 else None,
            )  # fmt: skip
            said.append(
                f"{clean(who)}: median {number(row['median'], 1)}, quartiles {number(row['q1'], 1)} and "
                f"{number(row['q3'], 1)}, mean {number(row['mean'], 1)}"
            )
        for row in table.to_dict("records"):
            mean = tuple(float(row[one]) if isfinite(row[one]) else "" for one in ("mean", "ci_low", "ci_high"))
            quartiles = tuple(float(row[one]) for one in ("median", "q1", "q3"))
            item = "all items" if row["item"] == ALL else clean(row["item"])
            rows.append((clean(report.name_of(str(row["condition"]))), item, int(row["n"]), *quartiles, *mean))
        _five_intervals(axes)
        axes.set_yticks(range(len(shown)), names)
        axes.set_ylim(len(shown) - 0.4, -0.6)
        axes.set_xlabel(f"{clean(facts.scale)}, all items")
        legend_above(axes)
        columns = ["condition", "item", "ratings", "median", "first quartile", "third quartile", "mean"]
        columns += ["interval from", "interval to"]
        whom = " of the listeners kept" if facts.kept is not None else ""
        description = f"Ratings{whom}: " + "; ".join(said) + "."
        return finished(page, name, f"Everything rated in {clean(facts.scale)}", description, columns, tuple(rows), 1)


def _five_intervals(axes: Any) -> None:
    axes.set_xlim(0, 102)
    axes.set_xticks((0, 20, 40, 60, 80, 100))
    axes.grid(axis="x", color=LIGHT["grid"], linewidth=0.6)
    axes.set_axisbelow(True)


def _grades(report: ReportInput, facts: ScaleFacts, name: str) -> Figure | None:
    shown = facts.grades[:MOST_ROWS]
    if not shown:
        return None
    names = drawn_names([report.name_of(one.condition) for one in shown])
    rows: list[tuple[Cell, ...]] = []
    said = []
    with drawing(1.35 + 0.4 * len(shown)) as page:
        axes = page.subplots()
        axes.axvline(0, color=LIGHT["ink"], linewidth=1.1, linestyle=(0, (4, 2)))
        for place, (one, who) in enumerate(zip(shown, names, strict=True)):
            held = isfinite(one.interval[0])
            if held:
                axes.plot(one.interval, (place, place), color=LIGHT["a"], linewidth=3.2, solid_capstyle="butt")
            axes.plot(one.mean, place, "s", color=LIGHT["a"], markersize=8)
            axes.annotate(
                points(one.mean, 2), (1, place), xycoords=("axes fraction", "data"), xytext=(7, 0),
                textcoords="offset points", va="center", fontsize=9, color=LIGHT["ink"],
            )  # fmt: skip
            rows.append(
                (clean(who), one.mean, *(one.interval if held else ("", "")), one.trials, one.confused, one.alike)
            )
            said.append(
                f"{clean(who)} {points(one.mean, 2)}"
                + (f", {percent(one.level)} interval {contrast_span(one.interval, 2)}" if held else "")
            )
        axes.set_yticks(range(len(shown)), names)
        axes.set_ylim(len(shown) - 0.4, -0.6)
        low, high = axes.get_xlim()
        axes.set_xlim(min(low, -1.0), max(high, 0.5))
        axes.set_xlabel("difference grade: object minus hidden reference")
        axes.grid(axis="x", color=LIGHT["grid"], linewidth=0.6)
        columns = ["object", "mean difference grade", "interval from", "interval to", "trials"]
        columns += ["graded above the reference", "graded the same"]
        description = "Mean difference grades: " + "; ".join(said) + ". 0 is the hidden reference."
        return finished(page, name, "Difference grades of every object", description, columns, tuple(rows), 2)
