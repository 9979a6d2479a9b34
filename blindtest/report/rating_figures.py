"""Figures of ratings: blind against labelled effects on the partition, every rating, and what the plan could reach."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from blindtest.report.facts import ReportInput
from blindtest.report.figures import Cell, Figure, drawing, drawn_names, finished, label
from blindtest.report.rating_facts import RatingFacts
from blindtest.report.svg import LIGHT
from blindtest.report.words import clean, number, plural

__all__ = ["ratings_figure"]

_MOST_POINTS = 2000


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
