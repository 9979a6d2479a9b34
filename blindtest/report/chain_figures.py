"""The chain of each condition as a figure: level stage by stage and in sum, delay, harmonics, source impedance."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from blindtest.report.chain_facts import ChainFacts, HarmonicsFacts, RoomFacts
from blindtest.report.chain_words import chain_words
from blindtest.report.curves import on, thinned
from blindtest.report.facts import ReportInput
from blindtest.report.figures import (
    DASHES,
    MARKS,
    ROLES,
    Cell,
    Figure,
    drawing,
    finished,
    frequency_axis,
    label,
    named_at_end,
)
from blindtest.report.svg import LIGHT
from blindtest.report.words import clean

__all__ = ["chain_figures"]

Floats = NDArray[np.float64]
_BAND = (20.0, 20_000.0)
_LEVEL_HEIGHT, _PANEL_HEIGHT = 3.2, 2.1
_LEAST_DELAY_MS = 0.1
"""Half the height of the panel of delays, at least: what is smaller looks as small as it is."""


def chain_figures(report: ReportInput) -> tuple[Figure, ...]:
    """Return a figure for each chain that has more to show than the filter as a whole."""
    return tuple(_chain_figure(report, one) for one in report.chains if one.several)


def _chain_figure(report: ReportInput, chain: ChainFacts) -> Figure:
    inside = (chain.frequency >= _BAND[0]) & (chain.frequency <= _BAND[1])
    f = chain.frequency[inside]
    curves = [(one.name, one.level_db[inside]) for one in (*chain.stages, *chain.ears)]
    total = chain.sum_db[inside]
    kept = thinned([total, *(level for _, level in curves)], along=f)
    f, total, curves = f[kept], total[kept], [(name, level[kept]) for name, level in curves]
    more: list[Any] = [*chain.rooms, *chain.delays, *chain.loads, *chain.harmonics]
    with drawing(_LEVEL_HEIGHT + _PANEL_HEIGHT * len(more)) as page:
        heights = [_LEVEL_HEIGHT, *[_PANEL_HEIGHT] * len(more)]
        panels = list(page.subplots(len(heights), 1, sharex=True, squeeze=False, height_ratios=heights)[:, 0])
        _levels(panels[0], f, curves, total, sum_drawn=len(chain.stages) != 1)
        for axes, one in zip(panels[1:], more, strict=True):
            if one in chain.rooms:
                _room(axes, one)
            elif one in chain.delays:
                _delay(axes, one.frequency, one.delay_ms)
            elif one in chain.loads:
                _load(axes, one.frequency, one.ohm, one.source_ohm)
            else:
                _harmonics(axes, one)
            axes.set_title(label(one.name, 90), loc="left", fontsize=9, color=LIGHT["ink"])
        band = report.rendering.trusted_band_hz if chain.measured else None
        for number, axes in enumerate(panels):
            frequency_axis(axes, np.array([f[0], f[-1]]), band if number == 0 else None)
        panels[-1].set_xlabel("frequency, Hz" + (" (of the fundamental)" if chain.harmonics and len(more) == 1 else ""))
        name = report.name_of(chain.condition)
        columns, rows = _table(chain, f, curves, total)
        title = f"What was applied for {clean(name)}"
        return finished(page, f"chain-{chain.condition}", title, chain_words(chain), columns, rows, 2)


def _levels(axes: Any, f: Floats, curves: list[tuple[str, Floats]], total: Floats, *, sum_drawn: bool) -> None:
    for place, (name, level) in enumerate(curves):
        axes.plot(
            f, level, label=label(name, 44), linewidth=1.4, linestyle=DASHES[place % 4],
            # From the fifth on another colour goes with each dash pattern: no two curves look alike.
            color=LIGHT[ROLES[(place + place // 4) % 4]],
        )  # fmt: skip
    if sum_drawn:
        axes.plot(f, total, label="sum: what was applied", color=LIGHT["ink"], linewidth=2.4, alpha=0.75)
    reach = axes.get_ylim()
    if reach[1] - reach[0] < 2.0:  # a tenth of a dB shall not look like ten
        middle = float(np.mean(reach))
        axes.set_ylim(middle - 1.0, middle + 1.0)
    axes.axhline(0, color=LIGHT["soft"], linewidth=0.8)
    axes.set_ylabel("level, dB")
    axes.legend(
        loc="lower left", bbox_to_anchor=(0, 1.0), ncols=2, frameon=False, fontsize=9, handlelength=2.6,
        handletextpad=0.5, columnspacing=1.6, borderaxespad=0.2,
    )  # fmt: skip


def _room(axes: Any, one: RoomFacts) -> None:
    inside = (one.frequency >= _BAND[0]) & (one.frequency <= _BAND[1])
    for place, path in enumerate(one.paths):
        axes.plot(
            one.frequency[inside], path.level_db[inside], color=LIGHT[ROLES[place]], linestyle=DASHES[place],
            linewidth=1.4, label=label(path.name, 44),
        )  # fmt: skip
    low, high = axes.get_ylim()
    axes.set_ylim(low - 0.4 * (high - low), high)  # room for the names
    axes.legend(loc="lower left", ncols=2, frameon=False, fontsize=8, handlelength=2.6, columnspacing=1.6)
    axes.set_ylabel("level, dB")


def _delay(axes: Any, frequency: Floats, delay_ms: Floats) -> None:
    inside = (frequency >= _BAND[0]) & (frequency <= _BAND[1])
    kept = thinned([delay_ms[inside]], along=frequency[inside])
    axes.axhline(0, color=LIGHT["soft"], linewidth=0.8)
    axes.plot(frequency[inside][kept], delay_ms[inside][kept], color=LIGHT["b"], linewidth=1.6)
    reach = max(_LEAST_DELAY_MS, 1.1 * float(np.abs(delay_ms[inside]).max()))
    axes.set_ylim(-reach, reach)
    axes.set_ylabel("delay, ms")


def _load(axes: Any, frequency: Floats, ohm: Floats, source: float) -> None:
    axes.plot(frequency, ohm, color=LIGHT["c"], linewidth=1.6)
    axes.axhline(source, color=LIGHT["d"], linewidth=1.4, linestyle=DASHES[1])
    axes.set_yscale("log")
    low, high = min(float(ohm.min()), max(source, 1e-2)), max(float(ohm.max()), source)
    axes.set_ylim(low / 1.6, high * 1.6)
    ticks = [
        base * 10.0**power for power in range(-2, 6) for base in (1, 2, 5)
        if low / 1.6 <= base * 10.0**power <= high * 1.6
    ]  # fmt: skip
    axes.set_yticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.set_ylabel("|Z|, ohm")
    for at, text in ((float(ohm[-1]), "the unit"), (source, "the source")):
        axes.annotate(
            text, (1, at), xycoords=("axes fraction", "data"), xytext=(5, 0), textcoords="offset points", va="center",
            fontsize=8.5, color=LIGHT["ink"],
        )  # fmt: skip


def _harmonics(axes: Any, one: HarmonicsFacts) -> None:
    ends = []
    for place, order in enumerate(sorted({row[0] for row in one.made})):
        rows = sorted((hertz, made, wanted) for o, hertz, wanted, made in one.made if o == order)
        hertz, made, wanted = (np.array(values) for values in zip(*rows, strict=True))
        colour = LIGHT[ROLES[place % 4]]
        if len(hertz) == 1:  # alike at all frequencies
            hertz, made = np.array(_BAND), np.repeat(made, 2)
        axes.plot(hertz, made, color=colour, linestyle=DASHES[place % 4], linewidth=1.5)
        if len(wanted) > 1:
            axes.plot(hertz, wanted, linestyle="none", marker=MARKS[place % 4], markersize=3, color=colour)
        ends.append((float(made[-1]), f"H{order}"))
    if ends:
        low, high = axes.get_ylim()
        axes.set_ylim(low - 0.05 * (high - low), high + 0.05 * (high - low))
        named_at_end(axes, ends)
    axes.set_ylabel("dB re H1")


def _table(
    chain: ChainFacts, f: Floats, curves: list[tuple[str, Floats]], total: Floats
) -> tuple[list[str], tuple[tuple[Cell, ...], ...]]:
    """Return the columns and rows that hold what is drawn; where an order or a delay wasn't known, an empty cell."""
    columns = ["frequency, Hz", *(f"{clean(name)}, dB" for name, _ in curves), "sum, dB"]
    values: list[tuple[Floats, Floats]] = [(f, level) for _, level in curves] + [(f, total)]
    for room in chain.rooms:
        for path in room.paths:
            columns.append(f"{clean(path.name)}, dB")
            values.append((room.frequency, path.level_db))
    for delay in chain.delays:
        columns.append(f"{clean(delay.name)}, ms")
        values.append((delay.frequency, delay.delay_ms))
    for load in chain.loads:
        columns.append(f"{clean(load.name)}: |Z|, ohm")
        values.append((load.frequency, load.ohm))
    for one in chain.harmonics:
        for order in sorted({row[0] for row in one.made}):
            rows = sorted((hertz, made) for o, hertz, _, made in one.made if o == order)
            columns.append(f"H{order} of a fundamental there, dB")
            hertz, made = (np.array(column) for column in zip(*rows, strict=True))
            values.append((np.array(_BAND), np.repeat(made, 2)) if len(hertz) == 1 else (hertz, made))
    read = []
    for known, level in values:
        column = on(f, known, level)
        read.append(np.where((f >= known[0] * (1 - 1e-9)) & (f <= known[-1] * (1 + 1e-9)), column, np.nan))
    cells: list[tuple[Cell, ...]] = [
        (float(hertz), *("" if np.isnan(value) else float(value) for value in row))
        for hertz, row in zip(f, np.transpose(read), strict=True)
    ]
    return columns, tuple(cells)
