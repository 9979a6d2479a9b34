"""Figures of impulse responses: around the peak, how it dies away, and when each frequency arrives."""

import re
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from blindtest.report.bench_facts import BenchFacts, DelayCurve, ImpulseTrace
from blindtest.report.curves import common_grid, thinned
from blindtest.report.figures import (
    DASHES,
    ROLES,
    Figure,
    drawing,
    finished,
    frequency_axis,
    label,
    named_at_end,
    rows_of,
)
from blindtest.report.svg import LIGHT
from blindtest.report.words import clean, decibel, frequency_words, number

__all__ = ["delay_figure", "impulse_figure"]

Floats = NDArray[np.float64]

MOST_CURVES = 4
NEAR_MS = (-1.0, 3.0)
FAR_MS = (-10.0, 50.0)
FLOOR_DB = -100.0
_SUFFIX = re.compile(r"\.\w+(?= \(\d+ of \d+\)$|$)")
_SMOOTH_MS = 0.25
_BAND_HZ = (100.0, 8000.0)


def impulse_figure(facts: BenchFacts) -> Figure | None:
    """Return up to four impulse responses: the wave around the peak, and the level over a longer time."""
    shown = facts.impulses[:MOST_CURVES]
    if not shown:
        return None
    names = _names([(one.file, one.facts.channel) for one in shown])
    with drawing(5.4) as page:
        top, below = page.subplots(2, 1, height_ratios=[3, 2.4])
        columns: list[str] = []
        data: list[Floats] = []
        ends = []
        for place, one in enumerate(shown):
            style = {"color": LIGHT[ROLES[place]], "linestyle": DASHES[place], "linewidth": 1.4}
            times, wave = _around(one, NEAR_MS)
            top.plot(times, wave, **style)
            if place == 0:
                # The data of the first one; others may have other times.
                columns, data = ["time re the peak, ms", f"{names[0]}, re the peak"], [times, wave]
            times, wave = _around(one, FAR_MS)
            level = _envelope_db(wave, one.rate)
            kept = thinned([level])
            below.plot(times[kept], level[kept], **style)
            ends.append((float(level[-1]), names[place]))
        top.set_xlim(*NEAR_MS)
        top.set_ylabel("re the peak")
        top.set_title("around the peak", loc="left", fontsize=9, color=LIGHT["ink"])
        below.set_xlim(*FAR_MS)
        below.set_ylim(FLOOR_DB, 5)
        below.set_ylabel("level, dB re peak")
        below.set_xlabel("time from the peak, ms")
        title = f"how it dies away (r.m.s. over {_SMOOTH_MS:g} ms)"
        below.set_title(title, loc="left", fontsize=9, color=LIGHT["ink"])
        named_at_end(below, ends)
        for axes in (top, below):
            axes.axvline(0, color=LIGHT["soft"], linewidth=0.8)
            axes.grid(color=LIGHT["grid"], linewidth=0.6)
            axes.set_axisbelow(True)
        description = "Impulse responses around their peak. " + " ".join(_words(one) for one in shown)
        description += _left_out(len(facts.impulses))
        title = f"{clean(facts.unit)}: impulse response"
        return finished(page, "impulse", title, description, columns, rows_of(data), 4)


def _around(one: ImpulseTrace, span_ms: tuple[float, float]) -> tuple[Floats, Floats]:
    """Return time in ms from the peak, and samples re the peak's magnitude; what was not captured is left out."""
    peak = round(one.facts.peak_s * one.rate)
    low = max(0, peak + int(np.floor(span_ms[0] * one.rate / 1000)))
    high = min(len(one.samples), peak + int(np.ceil(span_ms[1] * one.rate / 1000)) + 1)
    times = 1000 * (np.arange(low, high) - peak) / one.rate
    return times, one.samples[low:high] / float(np.abs(one.samples[peak]))


def _envelope_db(wave: Floats, rate: int) -> Floats:
    width = max(1, min(len(wave), round(_SMOOTH_MS * rate / 1000)))
    power = np.convolve(wave**2, np.ones(width) / width, mode="same")
    level = 10 * np.log10(np.maximum(power, 1e-30))
    return np.asarray(np.maximum(level - level.max(), FLOOR_DB), dtype=np.float64)


def _words(one: ImpulseTrace) -> str:
    facts = one.facts
    ahead = "no pre-ringing" if facts.pre_ringing_db == -np.inf else (
        f"pre-ringing {number(facts.pre_ringing_db, 1)} dB of its energy"
    )  # fmt: skip
    down = ", pointing down" if facts.inverted else ""
    return (
        f"{clean(one.file)}, {facts.channel}: peak at {number(1000 * facts.peak_s)} ms of the file{down}, {ahead}, "
        f"{number(1000 * facts.length_s, 1)} ms long."
    )


def _left_out(count: int) -> str:
    return f" Drawn are {MOST_CURVES} of {count} channels." if count > MOST_CURVES else ""


def _names(of: Sequence[tuple[str, str]]) -> list[str]:
    """Return names that tell the channels apart, short enough for one line each where that can be."""
    if len({file for file, _ in of}) == 1 and len({channel for _, channel in of}) == len(of):
        return [channel for _, channel in of]
    stems = [_SUFFIX.sub("", file.rpartition("/")[2]) or file for file, _ in of]
    if len(set(stems)) == len(of):
        return [label(stem, 30) for stem in stems]
    return [f"{label(stem, 24)} {channel}" for stem, (_, channel) in zip(stems, of, strict=True)]


def delay_figure(facts: BenchFacts) -> Figure | None:
    """Return group delay and excess group delay of up to four channels."""
    shown = facts.delays[:MOST_CURVES]
    if not shown:
        return None
    names = _names([(one.file, one.channel) for one in shown])
    grid = common_grid([one.frequency for one in shown])
    delays = [1000 * np.interp(np.log(grid), np.log(one.frequency), one.delay_s) for one in shown]
    excesses = [1000 * np.interp(np.log(grid), np.log(one.frequency), one.excess_s) for one in shown]
    with drawing(5.2) as page:
        top, below = page.subplots(2, 1, sharex=True)
        for axes, curves in ((top, delays), (below, excesses)):
            axes.axhline(0, color=LIGHT["soft"], linewidth=0.9)
            low, high = _limits(curves)
            ends = []
            for place, curve in enumerate(curves):
                axes.plot(grid, curve, color=LIGHT[ROLES[place]], linestyle=DASHES[place], linewidth=1.5)
                known = curve[np.isfinite(curve)]
                ends.append((min(max(float(known[-1]) if len(known) else 0.0, low), high), names[place]))
            axes.set_ylim(low, high)
            named_at_end(axes, ends)
        top.set_ylabel("group delay, ms")
        top.set_title("re the mean delay from 2 to 8 kHz", loc="left", fontsize=9, color=LIGHT["ink"])
        below.set_ylabel("excess, ms")
        said = "excess group delay: what is left beside minimum phase and delay"
        below.set_title(said, loc="left", fontsize=9, color=LIGHT["ink"])
        for axes in (top, below):
            frequency_axis(axes, grid, None)
        below.set_xlabel("frequency, Hz")
        description = "Group delay and excess group delay over frequency. " + " ".join(
            _delay_words(one) for one in shown
        )
        if shown[0].from_phase:
            description += (
                " Told by the phase of response files; within an octave of their ends the excess rests on how the "
                "level is taken to go on."
            )
        description += " Single peaks beyond the drawing are cut; the data has them."
        description += _left_out(len(facts.delays))
        kept = thinned([np.nan_to_num(curve) for curve in (*delays, *excesses)], along=grid)
        columns, data = ["frequency, Hz"], [grid[kept]]
        for delay, excess, name in zip(delays, excesses, names, strict=True):
            columns += [f"group delay {name}, ms", f"excess {name}, ms"]
            data += [delay[kept], excess[kept]]
        title = f"{clean(facts.unit)}: group delay"
        return finished(page, "group-delay", title, description, columns, rows_of(data), 3)


def _limits(curves: Sequence[Floats]) -> tuple[float, float]:
    """Leave out single peaks at deep dips, where a delay says little: the middle 98 % is shown, 0 within it."""
    known = np.concatenate([c[np.isfinite(c)] for c in curves])
    low, high = (float(v) for v in np.percentile(known, [1, 99])) if len(known) else (0.0, 0.0)
    low, high = min(low, 0.0), max(high, 0.0)
    room = max(0.12 * (high - low), 0.05)
    return low - room, high + room


def _delay_words(one: DelayCurve) -> str:
    inside = (one.frequency >= _BAND_HZ[0]) & (one.frequency <= _BAND_HZ[1])
    shown = np.flatnonzero(inside) if inside.any() else np.arange(len(one.frequency))
    place = shown[int(np.argmax(np.abs(one.excess_s[shown])))]
    return (
        f"{clean(one.file)}, {one.channel}: mean delay {number(1000 * one.mean_s, 3)} ms taken out; "
        f"excess from 100 Hz to 8 kHz at most {decibel(1000 * float(one.excess_s[place]))} ms, at "
        f"{frequency_words(float(round(one.frequency[place])))}."
    )
