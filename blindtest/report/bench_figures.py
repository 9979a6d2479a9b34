"""Figures of a unit's responses: the average per channel with its spread, against a target, left against right."""

import numpy as np
from numpy.typing import NDArray

from blindtest.report.bench_facts import BenchFacts, ChannelCurve
from blindtest.report.curves import common_grid, on, thinned
from blindtest.report.figures import (
    DASHES,
    ROLES,
    Figure,
    drawing,
    finished,
    frequency_axis,
    named_at_end,
    rows_of,
)
from blindtest.report.svg import LIGHT
from blindtest.report.words import clean, decibel, frequency_words, number, plural

__all__ = ["average_figure", "imbalance_figure", "target_figure"]

Floats = NDArray[np.float64]
_BAND_HZ = (100.0, 8000.0)


def average_figure(facts: BenchFacts) -> Figure | None:
    """Return the average of each channel's seatings with a band of one standard deviation, and the spread below."""
    if not facts.channels:
        return None
    grid = _grid(facts.channels)
    levels = [on(grid, one.frequency, one.level_db) for one in facts.channels]
    spreads = [None if one.spread_db is None else on(grid, one.frequency, one.spread_db) for one in facts.channels]
    ranges = [on(grid, one.frequency, one.range_db) for one in facts.channels]
    known = [one for one in spreads if one is not None]
    kept = thinned([*levels, *known], along=grid)
    f = grid[kept]
    with drawing(5.6 if known else 3.6) as page:
        if known:
            top, below = page.subplots(2, 1, sharex=True, height_ratios=[3, 2])
        else:
            top, below = page.subplots(), None
        for place, level in enumerate(levels):
            colour, spread = LIGHT[ROLES[place]], spreads[place]
            if spread is not None:
                low, high = (level - spread)[kept], (level + spread)[kept]
                top.fill_between(f, low, high, color=colour, alpha=0.18, linewidth=0)
            top.plot(f, level[kept], color=colour, linestyle=DASHES[place], linewidth=1.7)
            if below is not None and spread is not None:
                below.plot(f, spread[kept], color=colour, linestyle=DASHES[place], linewidth=1.6)
                below.plot(f, ranges[place][kept], color=colour, linestyle=DASHES[place], linewidth=0.8)
        named_at_end(top, [(float(level[-1]), one.channel) for level, one in zip(levels, facts.channels, strict=True)])
        top.set_ylabel("level, dB")
        top.set_title(_how(facts), loc="left", fontsize=9, color=LIGHT["ink"])
        frequency_axis(top, f, None)
        last = top
        if below is not None:
            below.set_ylim(0, 1.08 * max(0.5, *(float(one[kept].max()) for one in ranges)))
            below.set_ylabel("spread, dB")
            title = "over the seatings, unsmoothed: standard deviation (strong), range (thin)"
            below.set_title(title, loc="left", fontsize=9, color=LIGHT["ink"])
            frequency_axis(below, f, None)
            last = below
        last.set_xlabel("frequency, Hz")
        columns, data = ["frequency, Hz"], [f]
        for one, level, spread, reach in zip(facts.channels, levels, spreads, ranges, strict=True):
            columns.append(f"{one.channel}, dB")
            data.append(level[kept])
            if spread is not None:
                columns += [f"standard deviation {one.channel}, dB", f"range {one.channel}, dB"]
                data += [spread[kept], reach[kept]]
        title = f"{clean(facts.unit)}: response" + (" averaged over the seatings" if known else "")
        return finished(page, "response", title, _average_words(facts), columns, rows_of(data))


def _grid(channels: tuple[ChannelCurve, ...]) -> Floats:
    return common_grid([one.frequency for one in channels])


def _how(facts: BenchFacts) -> str:
    mean = "mean power" if facts.power_mean else "mean of the levels in dB"
    if all(one.seatings == 1 for one in facts.channels):
        mean = "one seating"
    band = ", ± one standard deviation" if any(one.spread_db is not None for one in facts.channels) else ""
    return mean + (f", smoothed over {facts.smoothing}" if facts.smoothing else "") + band


def _average_words(facts: BenchFacts) -> str:
    parts = []
    for one in facts.channels:
        inside = (one.frequency >= 20) & (one.frequency <= 20_000)
        inside = inside if inside.any() else np.ones(len(one.frequency), dtype=bool)
        level, hertz = one.level_db[inside], one.frequency[inside]
        high, low = int(np.argmax(level)), int(np.argmin(level))
        text = (
            f"{one.channel}, {plural(one.seatings, 'seating')}: highest {number(float(level[high]), 1)} dB at "
            f"{frequency_words(float(round(hertz[high])))}, lowest {number(float(level[low]), 1)} dB at "
            f"{frequency_words(float(round(hertz[low])))}"
        )
        if one.spread_db is not None:
            middle = (one.frequency >= _BAND_HZ[0]) & (one.frequency <= _BAND_HZ[1])
            spread = one.spread_db[middle] if middle.any() else one.spread_db
            text += (
                f"; standard deviation over the seatings {number(float(np.median(spread)))} dB in the middle and at "
                f"most {number(float(spread.max()))} dB from 100 Hz to 8 kHz"
            )
        parts.append(text)
    return f"Level over frequency, {_how(facts)}. " + ". ".join(parts) + "."


def target_figure(facts: BenchFacts) -> Figure | None:
    """Return measured and target, both at 0 dB over the aligned band, with their difference below."""
    one = facts.target
    if one is None:
        return None
    error = one.level_db - one.target_db
    kept = thinned([one.level_db, one.target_db, error], along=one.frequency)
    f, level, target, error = (c[kept] for c in (one.frequency, one.level_db, one.target_db, error))
    with drawing(5.4) as page:
        top, below = page.subplots(2, 1, sharex=True, height_ratios=[3, 2])
        top.plot(f, level, color=LIGHT["a"], linewidth=1.7)
        top.plot(f, target, color=LIGHT["b"], linewidth=1.6, linestyle=DASHES[1])
        top.set_ylabel("level, dB")
        # Room for the words below the curves.
        floor, ceiling = top.get_ylim()
        top.set_ylim(floor - 0.12 * (ceiling - floor), ceiling)
        named_at_end(top, [(float(level[-1]), "measured"), (float(target[-1]), "target")])
        low, high = one.aligned_hz
        top.axvspan(low, high, ymin=0, ymax=0.03, facecolor=LIGHT["soft"], alpha=0.6, linewidth=0)
        top.annotate(
            "levels aligned here", (float(np.sqrt(low * high)), 0.045), xycoords=("data", "axes fraction"),
            ha="center", fontsize=8, color=LIGHT["ink"],
        )  # fmt: skip
        smoothed = f", smoothed over {facts.smoothing}" if facts.smoothing else ""
        top.set_title(f"mean of the channels{smoothed}", loc="left", fontsize=9, color=LIGHT["ink"])
        below.axhline(0, color=LIGHT["soft"], linewidth=0.9)
        below.plot(f, error, color=LIGHT["ink"], linewidth=1.6)
        reach = max(1.0, 1.12 * float(np.abs(error).max()))
        below.set_ylim(-reach, reach)
        below.set_ylabel("difference, dB")
        below.set_title(
            f"measured minus target: {number(one.rms_db)} dB r.m.s.", loc="left", fontsize=9, color=LIGHT["ink"]
        )
        for axes in (top, below):
            frequency_axis(axes, f, None)
        below.set_xlabel("frequency, Hz")
        description = (
            f"Mean of the channels against {clean(one.name)}, each relative to its mean level from "
            f"{frequency_words(low)} to {frequency_words(high)}. From "
            f"{frequency_words(float(round(one.band_hz[0])))} to {frequency_words(float(round(one.band_hz[1])))} "
            f"they differ by {number(one.rms_db)} dB r.m.s.; the largest "
            f"difference is {decibel(one.worst_db, 1)} dB at {frequency_words(float(round(one.worst_hz)))}."
        )
        columns = ["frequency, Hz", "measured, dB", "target, dB", "difference, dB"]
        title = f"{clean(facts.unit)} against {clean(one.name)}"
        return finished(page, "target", title, description, columns, rows_of([f, level, target, error]))


def imbalance_figure(facts: BenchFacts) -> Figure | None:
    """Return left minus right, with a band of one standard error where both were seated several times."""
    one = facts.imbalance
    if one is None:
        return None
    grid = common_grid([one.frequency])
    difference = on(grid, one.frequency, one.difference_db)
    error = None if one.spread_db is None else on(grid, one.frequency, one.spread_db)
    kept = thinned([difference], along=grid)
    f, shown = grid[kept], difference[kept]
    with drawing(3.4) as page:
        axes = page.subplots()
        axes.axhline(0, color=LIGHT["soft"], linewidth=0.9)
        reach = float(np.abs(shown).max())
        if error is not None:
            band = error[kept]
            axes.fill_between(f, shown - band, shown + band, color=LIGHT["a"], alpha=0.2, linewidth=0)
            reach = float(np.max(np.abs(shown) + band))
        axes.plot(f, shown, color=LIGHT["a"], linewidth=1.7)
        axes.set_ylim(-max(1.0, 1.1 * reach), max(1.0, 1.1 * reach))
        axes.set_ylabel("left minus right, dB")
        axes.set_xlabel("frequency, Hz")
        note = "" if error is None else ", ± standard error from the seatings"
        axes.set_title(f"unsmoothed{note}", loc="left", fontsize=9, color=LIGHT["ink"])
        frequency_axis(axes, f, None)
        inside = (grid >= _BAND_HZ[0]) & (grid <= _BAND_HZ[1])
        place = np.flatnonzero(inside)[int(np.argmax(np.abs(difference[inside])))] if inside.any() else 0
        description = (
            f"Left minus right over frequency{note}. From 100 Hz to 8 kHz at most "
            f"{decibel(float(difference[place]), 2)} dB, at {frequency_words(float(round(grid[place])))}; on average "
            f"{decibel(float(np.mean(difference[inside] if inside.any() else difference)), 2)} dB."
        )
        columns, data = ["frequency, Hz", "left minus right, dB"], [f, shown]
        if error is not None:
            columns.append("standard error, dB")
            data.append(error[kept])
        title = f"{clean(facts.unit)}: channel imbalance"
        return finished(page, "imbalance", title, description, columns, rows_of(data))
