"""Figures of an impedance: its magnitude and phase, and what sources make of the response behind it."""

import numpy as np

from blindtest.report.bench_facts import BenchFacts, ImpedanceFacts
from blindtest.report.curves import common_grid, on, thinned
from blindtest.report.figures import (
    DASHES,
    ROLES,
    Figure,
    drawing,
    finished,
    frequency_axis,
    label,
    named_at_end,
    numbered,
    rows_of,
)
from blindtest.report.svg import LIGHT
from blindtest.report.words import clean, decibel, frequency_words, number

__all__ = ["impedance_figure", "source_figures"]

MOST_CURVES = 4


def impedance_figure(facts: BenchFacts) -> Figure | None:
    """Return magnitude and phase of the curves, four at most."""
    shown = facts.impedances[:MOST_CURVES]
    if not shown:
        return None
    grid = common_grid([one.impedance.frequency for one in shown])
    sizes = [on(grid, one.impedance.frequency, one.impedance.magnitude) for one in shown]
    phases = [
        on(grid, one.impedance.frequency, np.rad2deg(np.unwrap(np.angle(one.impedance.complex_ohm)))) for one in shown
    ]
    kept = thinned([*sizes, *phases], along=grid)
    f = grid[kept]
    names = [label(one.file, 30) for one in shown]
    with drawing(5.0) as page:
        top, below = page.subplots(2, 1, sharex=True, height_ratios=[3, 2])
        for place, (size, phase) in enumerate(zip(sizes, phases, strict=True)):
            style = {"color": LIGHT[ROLES[place]], "linestyle": DASHES[place], "linewidth": 1.7}
            top.plot(f, size[kept], **style)
            below.plot(f, phase[kept], **style)
        top.set_ylim(0, 1.08 * max(float(size[kept].max()) for size in sizes))
        if len(shown) > 1:
            named_at_end(top, [(float(size[-1]), name) for size, name in zip(sizes, names, strict=True)])
        top.set_ylabel("magnitude, ohm")
        below.axhline(0, color=LIGHT["soft"], linewidth=0.9)
        below.set_ylabel("phase, degrees")
        rebuilt = [one.file for one in shown if one.impedance.phase is None]
        said = "as measured" if not rebuilt else "rebuilt from the magnitude as minimum phase"
        if rebuilt and len(rebuilt) < len(shown):
            said = f"rebuilt from the magnitude for {', '.join(rebuilt)}"
        below.set_title(f"phase {said}", loc="left", fontsize=9, color=LIGHT["ink"])
        for axes in (top, below):
            frequency_axis(axes, f, None)
        below.set_xlabel("frequency, Hz")
        description = "Impedance over frequency. " + " ".join(_words(one) for one in shown)
        description += f" The phase is {said}."
        if len(facts.impedances) > len(shown):
            description += f" Drawn are {len(shown)} of {len(facts.impedances)} curves."
        columns, data = ["frequency, Hz"], [f]
        for size, phase, name in zip(sizes, phases, names, strict=True):
            columns += [f"{name}, ohm", f"{name}, degrees"]
            data += [size[kept], phase[kept]]
        title = f"{clean(facts.unit)}: impedance"
        return finished(page, "impedance", title, description, columns, rows_of(data))


def _words(one: ImpedanceFacts) -> str:
    return (
        f"{clean(one.file)}: {number(one.impedance.at(1000.0), 1)} ohm at 1 kHz, least {number(one.least_ohm, 1)} at "
        f"{frequency_words(float(round(one.least_hz)))}, most {number(one.greatest_ohm, 1)} at "
        f"{frequency_words(float(round(one.greatest_hz)))}."
    )


def source_figures(facts: BenchFacts) -> tuple[Figure, ...]:
    """Return, for each impedance, the response change behind each source, relative to 1 kHz."""
    made = (
        _source_figure(facts.unit, one, numbered("source-impedance", place))
        for place, one in enumerate(facts.impedances)
        if one.changes
    )
    return tuple(made)


def _source_figure(unit: str, one: ImpedanceFacts, name: str) -> Figure:
    shown = one.changes[:MOST_CURVES]
    grid = common_grid([one.impedance.frequency])
    curves = [on(grid, one.impedance.frequency, change.relative_db) for change in shown]
    kept = thinned(curves, along=grid)
    f = grid[kept]
    with drawing(3.6) as page:
        axes = page.subplots()
        axes.axhline(0, color=LIGHT["soft"], linewidth=0.9)
        for place, curve in enumerate(curves):
            axes.plot(f, curve[kept], color=LIGHT[ROLES[place]], linestyle=DASHES[place], linewidth=1.7)
        low, high = min(float(c[kept].min()) for c in curves), max(float(c[kept].max()) for c in curves)
        room = 0.1 * max(high - low, 1.0)
        axes.set_ylim(min(low, -0.4) - room, max(high, 0.4) + room)
        ends = [(float(c[-1]), f"{change.source_ohm:g} ohm") for c, change in zip(curves, shown, strict=True)]
        named_at_end(axes, ends)
        axes.set_ylabel("level re 1 kHz, dB")
        axes.set_xlabel("frequency, Hz")
        axes.set_title(
            "what the voltage divider adds to the response; the level lost is not shown", loc="left", fontsize=9,
            color=LIGHT["ink"],
        )  # fmt: skip
        frequency_axis(axes, f, None)
        description = (
            f"Response change behind sources of some output impedance, {clean(one.file)}, re 1 kHz. "
            + " ".join(
                f"{change.source_ohm:g} ohm: {decibel(change.lowest_db)} dB at "
                f"{frequency_words(float(round(change.lowest_hz)))} to {decibel(change.highest_db)} dB at "
                f"{frequency_words(float(round(change.highest_hz)))}, and {number(change.loss_db)} dB lost at 1 kHz."
                for change in one.changes
            )
        )
        if len(one.changes) > len(shown):
            description += f" Drawn are the first {len(shown)}."
        columns = ["frequency, Hz", *(f"{change.source_ohm:g} ohm, dB" for change in shown)]
        title = f"{clean(unit)}: behind a source"
        return finished(page, name, title, description, columns, rows_of([f, *(c[kept] for c in curves)]), 3)
