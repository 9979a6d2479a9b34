"""Figures of what was heard: responses, filters, the correction, and how far the measures of level disagree."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from blindtest.report.curves import aligned, common_grid, on, thinned
from blindtest.report.facts import ReportInput
from blindtest.report.figures import (
    DASHES,
    MARKS,
    ROLES,
    Cell,
    Figure,
    drawing,
    drawn_names,
    finished,
    frequency_axis,
    label,
    legend_above,
    named_at_end,
    rows_of,
)
from blindtest.report.sound_facts import ResponseCurve
from blindtest.report.svg import LIGHT
from blindtest.report.words import clean, decibel, frequency_words, number, plural

__all__ = ["filters_figure", "match_figure", "response_figure"]


def response_figure(report: ReportInput) -> Figure | None:
    """Return the units' responses with the spread of their seatings, and the difference of the first two below."""
    curves = report.responses
    if not curves:
        return None
    grid = common_grid([curve.frequency for curve in curves])
    levels = [aligned(curve, grid) for curve in curves]
    spreads = [None if c.spread_db is None else on(grid, c.frequency, c.spread_db) for c in curves]
    difference = levels[0] - levels[1] if len(levels) > 1 else None
    drawn = [*levels, *(s for s in spreads if s is not None), *([difference] if difference is not None else [])]
    kept = thinned(drawn, along=grid)
    grid, levels = grid[kept], [level[kept] for level in levels]
    spreads = [None if s is None else s[kept] for s in spreads]
    names = drawn_names([curve.name for curve in curves])
    both: NDArray[np.float64] | None = None
    if difference is not None:
        difference = difference[kept]
        first, second = spreads[0], spreads[1]
        both = None if first is None or second is None else np.hypot(first, second)

    with drawing(5.4 if difference is not None else 3.4) as page:
        axes = page.subplots(
            2 if difference is not None else 1,
            1,
            sharex=True,
            squeeze=False,
            height_ratios=[3, 2][: 1 + (difference is not None)],
        )[:, 0]
        top = axes[0]
        for index, (level, spread) in enumerate(zip(levels, spreads, strict=True)):
            colour = LIGHT[ROLES[index % 4]]
            if spread is not None:
                top.fill_between(grid, level - spread, level + spread, color=colour, alpha=0.22, linewidth=0)
            top.plot(grid, level, color=colour, linestyle=DASHES[index % 4], linewidth=1.6)
        named_at_end(top, [(float(level[-1]), name) for level, name in zip(levels, names, strict=True)])
        top.set_ylabel("level, dB")
        if difference is not None:
            below = axes[1]
            if both is not None:
                below.fill_between(grid, -both, both, color=LIGHT["soft"], alpha=0.25, linewidth=0)
            below.axhline(0, color=LIGHT["soft"], linewidth=0.8)
            below.plot(grid, difference, color=LIGHT["ink"], linewidth=1.6)
            below.set_ylabel("difference, dB")
            below.set_title(f"{names[0]} minus {names[1]}", loc="left", fontsize=9, color=LIGHT["ink"])
        for one in axes:
            frequency_axis(one, grid, report.rendering.trusted_band_hz)
        axes[-1].set_xlabel("frequency, Hz")
        for one in axes[:-1]:
            one.set_xlabel("")
        title = "Measured responses" + (" and their difference" if difference is not None else "")
        description = _response_words(report, curves, grid, difference, both)
        columns = ["frequency, Hz"]
        values = [grid]
        for curve, level, spread in zip(curves, levels, spreads, strict=True):
            columns.append(f"{clean(curve.name)}, dB")
            values.append(level)
            if spread is not None:
                columns.append(f"{clean(curve.name)}: spread of seatings, dB")
                values.append(spread)
        if difference is not None:
            columns.append("difference, dB")
            values.append(difference)
        return finished(page, "responses", title, description, columns, rows_of(values))


def filters_figure(report: ReportInput) -> Figure | None:
    """Return the filter applied for each condition, with the trusted band and where a limit acted."""
    curves = report.filters
    if not curves:
        return None
    grid = common_grid([curve.frequency for curve in curves])
    levels = [on(grid, curve.frequency, curve.magnitude_db) for curve in curves]
    kept = thinned(levels, along=grid)
    grid, levels = grid[kept], [level[kept] for level in levels]
    names = drawn_names([report.name_of(curve.condition) for curve in curves])
    with drawing(3.6) as page:
        axes = page.subplots()
        for index, level in enumerate(levels):
            axes.plot(grid, level, color=LIGHT[ROLES[index % 4]], linestyle=DASHES[index % 4], linewidth=1.6)
        low, high = axes.get_ylim()
        for limit in report.limits:
            axes.axvspan(
                max(limit.low_hz, grid[0]),
                min(limit.high_hz, grid[-1]),
                ymin=0,
                ymax=0.035,
                facecolor=LIGHT["d"],
                linewidth=0,
            )
        if report.limits:
            first = min(report.limits, key=lambda limit: limit.low_hz)
            axes.annotate(
                "a limit acted here",
                (max(first.low_hz, grid[0]), 0.05),
                xycoords=("data", "axes fraction"),
                fontsize=8,
                color=LIGHT["ink"],
            )
        axes.set_ylim(low - 0.06 * (high - low), high)
        named_at_end(axes, [(float(level[-1]), name) for level, name in zip(levels, names, strict=True)])
        frequency_axis(axes, grid, report.rendering.trusted_band_hz)
        axes.set_xlabel("frequency, Hz")
        axes.set_ylabel("applied filter, dB")
        words = [
            f"{name}: from {decibel(float(level.min()), 1)} to {decibel(float(level.max()), 1)} dB"
            for name, level in zip(names, levels, strict=True)
        ]
        description = (
            f"Magnitude of the filter applied for each condition, {frequency_words(round(float(grid[0]), 1))} to "
            f"{frequency_words(round(float(grid[-1])))}. " + "; ".join(words) + "."
        )
        if report.rendering.trusted_band_hz is not None:
            description += (
                f" {_band_words(report.rendering.trusted_band_hz)} outside it all conditions share one curve."
            )
        for limit in report.limits:
            description += (
                f" A limit acted on {clean(report.name_of(limit.where))} between {frequency_words(limit.low_hz)} and "
                f"{frequency_words(limit.high_hz)}, by up to {number(limit.worst_db, 1)} dB."
            )
        columns = ["frequency, Hz", *(f"{clean(report.name_of(curve.condition))}, dB" for curve in curves)]
        return finished(page, "filters", "Applied filters", description, columns, rows_of([grid, *levels]))


_MEASURES = (
    ("heard, BS.1770", "heard_after"),
    ("file, BS.1770", "file_after"),
    ("A-weighted", "a_weighted_after"),
    ("plain r.m.s.", "rms_after"),
)


def match_figure(report: ReportInput) -> Figure | None:
    """Return how far apart the two conditions compared are by each measure of level, clip by clip, as played."""
    a, b = report.compared
    lines = {(line.clip, line.condition): line for line in report.match}
    clips = [clip for clip in dict.fromkeys(line.clip for line in report.match) if {(clip, a), (clip, b)} <= set(lines)]
    if not clips:
        return None
    apart = np.array(
        [[getattr(lines[clip, a], f) - getattr(lines[clip, b], f) for _, f in _MEASURES] for clip in clips]
    )
    names = {clip.id: clip.title or clip.id for clip in report.clips}
    with drawing(1.35 + 0.34 * len(clips)) as page:
        axes = page.subplots()
        axes.axvline(0, color=LIGHT["soft"], linewidth=0.8)
        places = np.arange(len(clips))
        for index, (measure, _) in enumerate(_MEASURES):
            axes.plot(
                apart[:, index],
                places,
                linestyle="none",
                marker=MARKS[index],
                markersize=6.5 if index else 8,
                color=LIGHT[ROLES[index]],
                markerfacecolor=LIGHT[ROLES[index]] if index else "none",
                markeredgewidth=1.5,
                label=measure,
            )
        axes.set_yticks(places, [label(names.get(clip, clip), 30) for clip in clips])
        axes.set_ylim(len(clips) - 0.5, -0.5)
        reach = max(0.1, 1.15 * float(np.abs(apart).max()))
        axes.set_xlim(-reach, reach)
        first, second = drawn_names([report.name_of(a), report.name_of(b)])
        axes.set_xlabel(f"level of {first} minus level of {second}, as played, dB")
        axes.grid(axis="x", color=LIGHT["grid"], linewidth=0.6)
        legend_above(axes)
        worst = [
            f"{measure}: {decibel(float(apart[:, i].min()))} to {decibel(float(apart[:, i].max()))} dB"
            for i, (measure, _) in enumerate(_MEASURES)
        ]
        description = (
            f"For each of {plural(len(clips), 'clip')}, how much louder {clean(report.name_of(a))} was played than "
            f"{clean(report.name_of(b))}, by four measures. " + "; ".join(worst) + "."
        )
        rows: tuple[tuple[Cell, ...], ...] = tuple(
            (clean(names.get(clip, clip)), *(float(value) for value in apart[i])) for i, clip in enumerate(clips)
        )
        columns = ["clip", *(f"{measure}, dB" for measure, _ in _MEASURES)]
        return finished(page, "match", "How much the choice of the measure matters", description, columns, rows, 3)


def _band_words(band: tuple[float, float]) -> str:
    return f"The measurements are trusted from {frequency_words(band[0])} to {frequency_words(band[1])};"


def _response_words(
    report: ReportInput,
    curves: Sequence[ResponseCurve],
    grid: NDArray[np.float64],
    difference: NDArray[np.float64] | None,
    both: NDArray[np.float64] | None,
) -> str:
    names = " and ".join(clean(curve.name) for curve in curves)
    text = (
        f"Level over frequency of {names}, {frequency_words(round(float(grid[0]), 1))} to "
        f"{frequency_words(round(float(grid[-1])))}, each relative to its own mean level from 300 Hz to 3 kHz."
    )
    for curve in curves:
        if curve.seatings is not None:
            text += f" {clean(curve.name)}: mean of {plural(curve.seatings, 'seating')}."
    if difference is not None:
        band = report.rendering.trusted_band_hz or (float(grid[0]), float(grid[-1]))
        inside = (grid >= band[0]) & (grid <= band[1])
        if inside.any():
            within, where = difference[inside], grid[inside]
            top, bottom = int(np.argmax(within)), int(np.argmin(within))
            text += (
                f" Within {frequency_words(band[0])} to {frequency_words(band[1])} the difference lies between "
                f"{decibel(float(within[bottom]), 1)} dB (at {frequency_words(round(float(where[bottom])))}) and "
                f"{decibel(float(within[top]), 1)} dB (at {frequency_words(round(float(where[top])))})."
            )
    if both is not None:
        text += (
            " The grey band is the spread of both units' seatings together: a difference inside it is not a property "
            "of a unit."
        )
    return text
