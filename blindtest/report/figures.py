"""Every figure of a report as SVG and PNG, each with a title, a text alternative and its data as a table.

The same input gives the same bytes on every run: the object interface of matplotlib, a fixed hash salt, no date. Text
stays text in the SVG. Curves are thinned to at most 400 points, keeping the extremes of every stretch.

No meaning hangs on colour alone: curves differ in dash pattern and carry their names, marks differ in shape.
"""

import io
import textwrap
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blindtest.report.choice_facts import Tested
from blindtest.report.curves import aligned, common_grid, nearest, on, thinned
from blindtest.report.facts import ReportInput
from blindtest.report.record_facts import TrialFacts
from blindtest.report.sound_facts import ResponseCurve
from blindtest.report.svg import FONT, LIGHT, inline, standalone, tidied
from blindtest.report.words import (
    clean,
    count_of,
    decibel,
    frequency_words,
    interval_words,
    number,
    percent,
    plural,
    short_names,
)

__all__ = [
    "Figure",
    "figures",
    "filters_figure",
    "match_figure",
    "power_figure",
    "response_figure",
    "results_figure",
    "trials_figure",
]

_ROLES = ("a", "b", "c", "d")
_DASHES: tuple[Any, ...] = ("solid", (0, (5, 2)), (0, (1.2, 1.4)), (0, (6, 1.6, 1.2, 1.6)))
_MARKS = ("o", "s", "^", "D")
_TICKS = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)
_TICK_NAMES = ("20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k")
_WIDTH = 7.4
_MOST_ROWS = 40

Cell = str | float | int


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A figure to publish."""

    name: str
    """Of the file, and prefix of every id inside."""
    title: str
    description: str
    """Text alternative: what a reader would see, with its numbers."""
    svg: str
    """A file of its own: light and dark by the reader's preference, transparent ground."""
    inline: str
    """The same for a page that defines `--fig-ink`, `--fig-soft`, `--fig-grid`, `--fig-a` ... `--fig-d`."""
    png: bytes
    """On white ground, 144 dots per inch."""
    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    """The data that is drawn."""
    digits: int = 2
    """Decimals with which a table of `rows` loses nothing worth seeing."""


def figures(report: ReportInput) -> dict[str, Figure]:
    """Return every figure for which `report` has data, by name, in the order of the page."""
    made = (
        results_figure(report),
        trials_figure(report),
        response_figure(report),
        filters_figure(report),
        match_figure(report),
        power_figure(report),
    )
    return {figure.name: figure for figure in made if figure is not None}


# --- the drawings -----------------------------------------------------------------------------------------------


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
    names = _short_names([curve.name for curve in curves])
    both: NDArray[np.float64] | None = None
    if difference is not None:
        difference = difference[kept]
        first, second = spreads[0], spreads[1]
        both = None if first is None or second is None else np.hypot(first, second)

    with _drawing(5.4 if difference is not None else 3.4) as page:
        axes = page.subplots(
            2 if difference is not None else 1,
            1,
            sharex=True,
            squeeze=False,
            height_ratios=[3, 2][: 1 + (difference is not None)],
        )[:, 0]
        top = axes[0]
        for index, (level, spread) in enumerate(zip(levels, spreads, strict=True)):
            colour = LIGHT[_ROLES[index % 4]]
            if spread is not None:
                top.fill_between(grid, level - spread, level + spread, color=colour, alpha=0.22, linewidth=0)
            top.plot(grid, level, color=colour, linestyle=_DASHES[index % 4], linewidth=1.6)
        _named_at_end(top, [(float(level[-1]), name) for level, name in zip(levels, names, strict=True)])
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
            _frequency_axis(one, grid, report.rendering.trusted_band_hz)
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
        return _finished(page, "responses", title, description, columns, _rows(values))


def filters_figure(report: ReportInput) -> Figure | None:
    """Return the filter applied for each condition, with the trusted band and where a limit acted."""
    curves = report.filters
    if not curves:
        return None
    grid = common_grid([curve.frequency for curve in curves])
    levels = [on(grid, curve.frequency, curve.magnitude_db) for curve in curves]
    kept = thinned(levels, along=grid)
    grid, levels = grid[kept], [level[kept] for level in levels]
    names = _short_names([report.name_of(curve.condition) for curve in curves])
    with _drawing(3.6) as page:
        axes = page.subplots()
        for index, level in enumerate(levels):
            axes.plot(grid, level, color=LIGHT[_ROLES[index % 4]], linestyle=_DASHES[index % 4], linewidth=1.6)
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
        _named_at_end(axes, [(float(level[-1]), name) for level, name in zip(levels, names, strict=True)])
        _frequency_axis(axes, grid, report.rendering.trusted_band_hz)
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
        return _finished(page, "filters", "Applied filters", description, columns, _rows([grid, *levels]))


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
    with _drawing(1.35 + 0.34 * len(clips)) as page:
        axes = page.subplots()
        axes.axvline(0, color=LIGHT["soft"], linewidth=0.8)
        places = np.arange(len(clips))
        for index, (measure, _) in enumerate(_MEASURES):
            axes.plot(
                apart[:, index],
                places,
                linestyle="none",
                marker=_MARKS[index],
                markersize=6.5 if index else 8,
                color=LIGHT[_ROLES[index]],
                markerfacecolor=LIGHT[_ROLES[index]] if index else "none",
                markeredgewidth=1.5,
                label=measure,
            )
        axes.set_yticks(places, [_label(names.get(clip, clip), 30) for clip in clips])
        axes.set_ylim(len(clips) - 0.5, -0.5)
        reach = max(0.1, 1.15 * float(np.abs(apart).max()))
        axes.set_xlim(-reach, reach)
        first, second = _short_names([report.name_of(a), report.name_of(b)])
        axes.set_xlabel(f"level of {first} minus level of {second}, as played, dB")
        axes.grid(axis="x", color=LIGHT["grid"], linewidth=0.6)
        _legend_above(axes)
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
        return _finished(page, "match", "How much the choice of the measure matters", description, columns, rows, 3)


def results_figure(report: ReportInput) -> Figure | None:
    """Return the proportion right of each listener and of all answers, with intervals, guessing and margin."""
    results = report.results
    if results is None:
        return None
    listeners = results.listeners[:_MOST_ROWS]
    shown: list[Tested] = [*(listeners if len(results.listeners) > 1 else ()), results.pooled]
    truth = {one.who: one for one in report.truth}
    guess, margin = report.protocol.guess_rate, report.protocol.margin
    with _drawing(1.45 + 0.36 * len(shown)) as page:
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
        axes.set_yticks(range(len(shown)), [_label(one.who, 20) for one in shown])
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
        if len(results.listeners) > _MOST_ROWS:
            description += f" The first {_MOST_ROWS} of {len(results.listeners)} listeners are drawn."
        columns = ["who", "right", "of", "proportion right", "interval from", "interval to"]
        rows: list[tuple[Cell, ...]] = []
        told_any = any(one.who in truth for one in shown)
        for one in shown:
            row: tuple[Cell, ...] = (clean(one.who), one.correct, one.trials, one.proportion, *one.interval)
            rows.append((*row, truth[one.who].proportion if one.who in truth else "") if told_any else row)
        if told_any:
            columns.append("true proportion (simulated)")
        return _finished(
            page, "results", "Answers right, against guessing and the margin", description, columns, tuple(rows), 4
        )


def trials_figure(report: ReportInput) -> Figure | None:
    """Return every counted trial in order: right, wrong or unanswered, a row for each sitting."""
    counted = report.counted_trials()
    if not counted:
        return None
    sittings: dict[tuple[str, int], list[TrialFacts]] = {}
    for trial in counted:
        sittings.setdefault((trial.listener, trial.sitting), []).append(trial)
    rows: list[tuple[Cell, ...]] = []
    with _drawing(1.35 + 0.34 * min(len(sittings), _MOST_ROWS)) as page:
        axes = page.subplots()
        marks: dict[str, tuple[list[int], list[int]]] = {"right": ([], []), "wrong": ([], []), "unanswered": ([], [])}
        for place, ((listener, sitting), trials) in enumerate(sittings.items()):
            for count, trial in enumerate(trials, start=1):
                kind = "unanswered" if trial.correct is None else "right" if trial.correct else "wrong"
                rows.append((clean(listener), sitting, count, kind))
                if place < _MOST_ROWS:
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
        shown = list(sittings)[:_MOST_ROWS]
        axes.set_yticks(range(len(shown)), [f"{_label(who, 16)}, sitting {sitting}" for who, sitting in shown])
        axes.set_ylim(len(shown) - 0.5, -0.5)
        longest = max(len(trials) for trials in sittings.values())
        axes.set_xlim(0.2, longest + 0.8)
        axes.xaxis.get_major_locator().set_params(integer=True)
        axes.set_xlabel("counted trial, in the order heard")
        _legend_above(axes)
        said = []
        for (listener, sitting), trials in sittings.items():
            right = sum(trial.correct is True for trial in trials)
            halves = (trials[: len(trials) // 2], trials[len(trials) // 2 :])
            first, second = (f"{sum(t.correct is True for t in half)} of {len(half)}" for half in halves)
            said.append(
                f"{clean(listener)}, sitting {sitting}: {count_of(right, len(trials))} right, {first} in the "
                "first half, "
                f"{second} in the second"
            )
        description = "; ".join(said[:_MOST_ROWS]) + "."
        if len(sittings) > _MOST_ROWS:
            description += f" The first {_MOST_ROWS} of {len(sittings)} sittings are drawn."
        columns = ["listener", "sitting", "counted trial", "answer"]
        return _finished(page, "trials", "Answers in the order given", description, columns, tuple(rows), 0)


def power_figure(report: ReportInput) -> Figure | None:
    """Return the chance that the plan ends as shown, or as negligible, over the share of trials really heard."""
    plan = report.plan
    if plan is None or not plan.shares:
        return None
    shares = np.asarray(plan.shares)
    kept = thinned(
        [np.asarray(plan.chance_shown), *([np.asarray(plan.chance_negligible)] if plan.chance_negligible else [])]
    )
    curves = [("ends as shown", np.asarray(plan.chance_shown)[kept])]
    if plan.chance_negligible:
        curves.append(("ends as negligible", np.asarray(plan.chance_negligible)[kept]))
    shares = shares[kept]
    with _drawing(3.2) as page:
        axes = page.subplots()
        for index, (_, chance) in enumerate(curves):
            axes.plot(100 * shares, 100 * chance, color=LIGHT[_ROLES[index]], linestyle=_DASHES[index], linewidth=1.9)
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
        _named_at_end(axes, [(float(100 * chance[-1]), name) for name, chance in curves])
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
        rows = _rows([shares, *(chance for _, chance in curves)])
        return _finished(page, "plan", "What the plan could detect", description, columns, rows, 4)


# --- words and rows for the drawings -----------------------------------------------------------------------------


def _rows(columns: Sequence[NDArray[np.float64]]) -> tuple[tuple[Cell, ...], ...]:
    return tuple(tuple(float(value) for value in row) for row in zip(*columns, strict=True))


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


# --- matplotlib -------------------------------------------------------------------------------------------------

_SETTINGS: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "blindtest",
    "svg.id": None,
    "text.parse_math": False,
    "text.usetex": False,
    "font.family": [FONT],
    "font.size": 9.5,
    "axes.edgecolor": LIGHT["soft"],
    "axes.labelcolor": LIGHT["ink"],
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "text.color": LIGHT["ink"],
    "xtick.color": LIGHT["soft"],
    "ytick.color": LIGHT["soft"],
    "xtick.labelcolor": LIGHT["ink"],
    "ytick.labelcolor": LIGHT["ink"],
    "figure.constrained_layout.use": True,
    "path.simplify": False,
}


@contextmanager
def _drawing(height: float) -> Iterator[Any]:
    """Give an empty figure of our look; settings of the caller's matplotlib neither matter nor change."""
    import matplotlib
    from matplotlib.figure import Figure as Page

    with matplotlib.rc_context(), warnings.catch_warnings():
        # Names in scripts that the drawing font lacks: the SVG keeps them as text, the PNG shows boxes.
        warnings.filterwarnings("ignore", message="Glyph .* missing", category=UserWarning)
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_SETTINGS)
        yield Page(figsize=(_WIDTH, height))


def _label(text: str, most: int) -> str:
    return textwrap.shorten(clean(text), most, placeholder="…") if " " in clean(text) else _cut(clean(text), most)


def _short_names(names: Sequence[str]) -> list[str]:
    return [_label(name, 40) for name in short_names(names)]


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"


def _frequency_axis(axes: Any, grid: NDArray[np.float64], band: tuple[float, float] | None) -> None:
    axes.set_xscale("log")
    axes.set_xlim(grid[0], grid[-1])
    inside = [(t, n) for t, n in zip(_TICKS, _TICK_NAMES, strict=True) if grid[0] <= t <= grid[-1]]
    axes.set_xticks([t for t, _ in inside], [n for _, n in inside])
    axes.minorticks_off()
    axes.grid(color=LIGHT["grid"], linewidth=0.6)
    axes.set_axisbelow(True)
    if band is None:
        return
    for low, high in ((grid[0], band[0]), (band[1], grid[-1])):
        if high > low:
            axes.axvspan(low, high, facecolor=LIGHT["soft"], alpha=0.16, linewidth=0, zorder=0)
    if band[1] < grid[-1]:
        axes.annotate(
            "not trusted", (np.sqrt(band[1] * grid[-1]), 0.97), xycoords=("data", "axes fraction"),
            ha="center", va="top", fontsize=8, color=LIGHT["ink"],
        )  # fmt: skip


def _named_at_end(axes: Any, ends: Sequence[tuple[float, str]]) -> None:
    """Write each curve's name beside its end, a sample of its line with it, moved apart where ends are close."""
    low, high = axes.get_ylim()
    step = 0.13 * (high - low)
    order = sorted(range(len(ends)), key=lambda index: ends[index][0])
    places: list[float] = []
    for index in order:
        places.append(max(ends[index][0], places[-1] + step) if places else ends[index][0])
    overshoot = max(0.0, places[-1] - (high - step / 3)) if places else 0.0
    for place, index in zip(places, order, strict=True):
        at = (place - overshoot - low) / (high - low)
        colour = LIGHT[_ROLES[index % 4]]
        axes.plot(
            (1.012, 1.06), (at, at), transform=axes.transAxes, clip_on=False, color=colour,
            linestyle=_DASHES[index % 4], linewidth=1.8,
        )  # fmt: skip
        axes.annotate(
            "\n".join(textwrap.wrap(ends[index][1], 15, max_lines=3, placeholder="…")), (1.07, at),
            xycoords="axes fraction", va="center", fontsize=9, color=LIGHT["ink"],
        )  # fmt: skip
    axes.set_ylim(low, high)


def _legend_above(axes: Any) -> None:
    axes.legend(
        loc="lower left", bbox_to_anchor=(0, 1.0), ncols=4, frameon=False, fontsize=9, handletextpad=0.4,
        columnspacing=1.4, borderaxespad=0.2,
    )  # fmt: skip


def _finished(
    page: Any,
    name: str,
    title: str,
    description: str,
    columns: Sequence[str],
    rows: tuple[tuple[Cell, ...], ...],
    digits: int = 2,
) -> Figure:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    drawn = io.StringIO()
    page.savefig(drawn, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    bitmap = io.BytesIO()
    FigureCanvasAgg(page)
    page.savefig(
        bitmap, format="png", dpi=144, facecolor="white",
        metadata={"Software": None, "Title": title, "Description": description},
    )  # fmt: skip
    tree = tidied(drawn.getvalue(), name, title, description)
    return Figure(
        name=name,
        title=title,
        description=description,
        svg=standalone(tree),
        inline=inline(tree),
        png=bitmap.getvalue(),
        columns=tuple(columns),
        rows=rows,
        digits=digits,
    )
