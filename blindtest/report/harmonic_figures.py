"""Figures of measured harmonics: each order over frequency at each level, and their sum."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from blindtest.device import HarmonicLevel
from blindtest.report.bench_facts import BenchFacts, HarmonicFacts
from blindtest.report.figures import (
    DASHES,
    MARKS,
    ROLES,
    Cell,
    Figure,
    drawing,
    finished,
    frequency_axis,
    named_at_end,
    numbered,
)
from blindtest.report.svg import LIGHT
from blindtest.report.words import clean, frequency_words, number, plural

__all__ = ["harmonic_figures"]

_LEAST_SPAN_DB = 20.0
MOST_CURVES = 4
"""Levels, and orders, that are drawn; all of them stand in the data."""


def harmonic_figures(facts: BenchFacts) -> tuple[Figure, ...]:
    """Return two figures for each table: the orders at each level, and THD over all levels."""
    made = []
    for place, one in enumerate(facts.harmonics):
        levels = _drawn(one.levels)
        made += [
            _orders(facts.unit, one, levels, numbered("harmonics", place)),
            _sums(facts.unit, one, levels, numbered("thd", place)),
        ]
    return tuple(made)


def _drawn(levels: tuple[HarmonicLevel, ...]) -> tuple[HarmonicLevel, ...]:
    """At most four, from the lowest to the highest."""
    if len(levels) <= MOST_CURVES:
        return levels
    places = np.unique(np.linspace(0, len(levels) - 1, MOST_CURVES).round().astype(int))
    return tuple(levels[place] for place in places)


def _level_words(level: HarmonicLevel) -> str:
    return "level not named" if level.level_db is None else f"{level.level_db:g} dB"


def _span(levels: tuple[HarmonicLevel, ...]) -> NDArray[np.float64]:
    low = min(float(one.frequency[0]) for one in levels)
    high = max(float(one.frequency[-1]) for one in levels)
    # One frequency alone has no width.
    return np.array([low, high]) if high > low else np.array([low / 2, high * 2])


def _line(axes: Any, level: HarmonicLevel, values: NDArray[np.float64], place: int) -> None:
    known = np.isfinite(values)
    few = known.sum() <= 40
    axes.plot(
        level.frequency[known], values[known], color=LIGHT[ROLES[place]], linestyle=DASHES[place], linewidth=1.6,
        marker=MARKS[place] if few else None, markersize=4,
    )  # fmt: skip


def _orders(unit: str, one: HarmonicFacts, levels: tuple[HarmonicLevel, ...], name: str) -> Figure:
    lowest = min(float(np.nanmin(level.distortion_db)) for level in levels)
    highest = max(float(np.nanmax(level.distortion_db)) for level in levels)
    # Never so near that a tenth of a dB looks like a difference.
    room = max(0.06 * (highest - lowest), (_LEAST_SPAN_DB - (highest - lowest)) / 2)
    with drawing(0.7 + 2.1 * len(levels)) as page:
        panels = np.atleast_1d(page.subplots(len(levels), 1, sharex=True, sharey=True))
        for axes, level in zip(panels, levels, strict=True):
            ends = []
            for place, order in enumerate(level.orders[:MOST_CURVES]):
                values = level.distortion_db[:, place]
                _line(axes, level, values, place)
                ends.append((float(values[np.isfinite(values)][-1]), f"H{order}"))
            axes.set_ylim(lowest - room, highest + room)
            named_at_end(axes, ends)
            axes.set_ylabel("dB re fundamental")
            axes.set_title(_level_words(level), loc="left", fontsize=9, color=LIGHT["ink"])
            frequency_axis(axes, _span(levels), None)
        panels[-1].set_xlabel("frequency of the fundamental, Hz")
        left_out = max(len(level.orders) for level in levels) - MOST_CURVES
        description = f"Harmonics re the fundamental, {clean(one.file)}. " + " ".join(_words(level) for level in levels)
        if len(levels) < len(one.levels):
            description += f" Drawn are {len(levels)} of {len(one.levels)} levels; all stand in the data."
        if left_out > 0:
            description += f" {plural(left_out, 'further order')} not drawn, in the data."
        orders = sorted({order for level in one.levels for order in level.orders})
        columns = ["level, dB", "frequency, Hz", *(f"H{order}, dB" for order in orders), "THD, %"]
        title = f"{clean(unit)}: harmonics by level"
        return finished(page, name, title, description, columns, _rows(one, orders), 3)


def _words(level: HarmonicLevel) -> str:
    parts = []
    for place, order in enumerate(level.orders[:MOST_CURVES]):
        values = level.distortion_db[:, place]
        at = int(np.nanargmax(values))
        parts.append(
            f"H{order} at most {number(float(values[at]), 1)} dB at {frequency_words(float(level.frequency[at]))}"
        )
    return f"At {_level_words(level)}: " + ", ".join(parts) + "."


def _rows(one: HarmonicFacts, orders: list[int]) -> tuple[tuple[Cell, ...], ...]:
    rows: list[tuple[Cell, ...]] = []
    for level in one.levels:
        held = float("nan") if level.level_db is None else level.level_db
        for hertz, row, thd in zip(level.frequency, level.distortion_db, level.thd_percent, strict=True):
            by_order = dict(zip(level.orders, row, strict=True))
            numbers = (float(by_order.get(order, np.nan)) for order in orders)
            rows.append((held, float(hertz), *numbers, float(thd)))
    return tuple(rows)


def _sums(unit: str, one: HarmonicFacts, levels: tuple[HarmonicLevel, ...], name: str) -> Figure:
    with drawing(3.4) as page:
        axes = page.subplots()
        axes.set_yscale("log")
        ends = []
        for place, level in enumerate(levels):
            thd = np.where(level.thd_percent > 0, level.thd_percent, np.nan)
            _line(axes, level, np.asarray(thd, dtype=np.float64), place)
            ends.append((float(thd[np.isfinite(thd)][-1]), _level_words(level)))
        low = min(float(level.thd_percent[level.thd_percent > 0].min()) for level in levels)
        high = max(float(level.thd_percent.max()) for level in levels)
        axes.set_ylim(10 ** np.floor(np.log10(low) - 0.05), 10 ** np.ceil(np.log10(high) + 0.05))
        axes.set_yticks(*_decades(axes.get_ylim()))
        frequency_axis(axes, _span(levels), None)
        _named(axes, ends)
        axes.set_ylabel("THD, %")
        axes.set_xlabel("frequency of the fundamental, Hz")
        description = (
            f"Total harmonic distortion, {clean(one.file)}: root of the summed squares of the orders in the table, re "
            "the fundamental. " + " ".join(_sum_words(level) for level in levels)
        )
        rows = tuple(
            (float("nan") if level.level_db is None else level.level_db, float(hertz), float(thd))
            for level in one.levels
            for hertz, thd in zip(level.frequency, level.thd_percent, strict=True)
        )
        columns = ["level, dB", "frequency, Hz", "THD, %"]
        return finished(page, name, f"{clean(unit)}: THD by level", description, columns, rows, 4)


def _decades(limits: tuple[float, float]) -> tuple[list[float], list[str]]:
    powers = range(round(np.log10(limits[0])), round(np.log10(limits[1])) + 1)
    ticks = [10.0**power for power in powers]
    return ticks, [f"{tick:g}" for tick in ticks]


def _named(axes: Any, ends: list[tuple[float, str]]) -> None:
    """Names at the ends of curves on a logarithmic axis: placed on a linear one over it."""
    over = axes.twinx()
    low, high = axes.get_ylim()
    over.set_ylim(np.log10(low), np.log10(high))
    over.axis("off")
    named_at_end(over, [(float(np.log10(value)), name) for value, name in ends])


def _sum_words(level: HarmonicLevel) -> str:
    thd = level.thd_percent
    worst = int(np.argmax(thd))
    return (
        f"At {_level_words(level)}: at most {float(thd[worst]):.3g} % at "
        f"{frequency_words(float(level.frequency[worst]))}, in the middle {float(np.median(thd)):.3g} %."
    )
