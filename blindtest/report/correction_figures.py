"""Figures of corrections: response, target and result; the filter within its limits; what is left."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from blindtest.report.correction_facts import CorrectionFacts
from blindtest.report.curves import thinned
from blindtest.report.facts import ReportInput
from blindtest.report.figures import (
    Figure,
    drawing,
    finished,
    frequency_axis,
    named_at_end,
    numbered,
    rows_of,
)
from blindtest.report.svg import LIGHT
from blindtest.report.words import clean, decibel, frequency_words, number

__all__ = ["correction_figures"]

_WHY = {
    "notch": "a narrow dip is not filled",
    "spread": "a dip is not sure, the seatings lie too far apart,",
}


def correction_figures(report: ReportInput) -> tuple[Figure, ...]:
    """Return a figure for each correction."""
    return tuple(
        _correction_figure(report, one, numbered("correction", place)) for place, one in enumerate(report.corrections)
    )


def _correction_figure(report: ReportInput, one: CorrectionFacts, name: str) -> Figure:
    result = one.response_db + one.gain_db
    kept = thinned([one.response_db, one.target_db, one.gain_db, one.error_db], along=one.frequency)
    f = one.frequency[kept]
    response, target, gain, error = (c[kept] for c in (one.response_db, one.target_db, one.gain_db, one.error_db))
    band = (float(f[0]), float(f[-1]))
    with drawing(7.0) as page:
        top, middle, below = page.subplots(3, 1, sharex=True, height_ratios=[4, 3, 2.4])
        top.plot(f, response, color=LIGHT["a"], linewidth=1.4)
        top.plot(f, target, color=LIGHT["b"], linewidth=1.6, linestyle=(0, (5, 2)))
        top.plot(f, result[kept], color=LIGHT["c"], linewidth=1.8, linestyle=(0, (1.2, 1.4)))
        named_at_end(
            top,
            [(float(response[-1]), "measured"), (float(target[-1]), "target"), (float(result[kept][-1]), "corrected")],
        )
        top.set_ylabel("level, dB")
        middle.axhline(0, color=LIGHT["soft"], linewidth=0.8)
        middle.plot(f, gain, color=LIGHT["ink"], linewidth=1.6)
        limit = one.headroom_db if one.max_boost_db is None else one.max_boost_db
        if one.max_boost_db is not None:
            _level(middle, limit, f"boost limit {decibel(limit, 0)}")
        # Two names at one height would hide each other.
        if one.max_boost_db is None or limit - one.headroom_db > 0.8:
            _level(middle, one.headroom_db, f"headroom {number(one.headroom_db, 1)}")
        low = min(float(gain.min()), -1.0)
        middle.set_ylim(1.12 * low, max(limit, float(gain.max())) + 0.08 * (limit - low) + 0.3)
        middle.set_ylabel("filter, dB")
        below.axhline(0, color=LIGHT["soft"], linewidth=0.8)
        below.plot(f, error, color=LIGHT["ink"], linewidth=1.6)
        reach = max(1.0, 1.12 * float(np.abs(error).max()))
        below.set_ylim(-reach, reach)
        below.set_ylabel("left, dB")
        for axes in (middle, below):
            _held_back(axes, one)
        for axes, text in (
            (top, "before and after, each relative to its mean over the aligned band"),
            (middle, f"the filter; needs {number(one.headroom_db, 1)} dB of headroom"),
            (below, f"remaining error: {number(one.rms_error_db, 2)} dB r.m.s., before {number(one.rms_before_db, 2)}"),
        ):
            axes.set_title(text, loc="left", fontsize=9, color=LIGHT["ink"])
            frequency_axis(axes, f, None)
        _aligned_band(top, one)
        below.set_xlabel("frequency, Hz")
        columns = ["frequency, Hz", "measured, dB", "target, dB", "filter, dB", "remaining error, dB"]
        rows = rows_of([f, response, target, gain, error])
        title = f"Correction of {clean(one.unit or report.name_of(one.condition))}"
        return finished(page, name, title, _description(one, band), columns, rows, 2)


def _level(axes: Any, at: float, text: str) -> None:
    axes.axhline(at, color=LIGHT["d"], linewidth=1.2, linestyle=(0, (1, 1.5)))
    axes.annotate(
        text, (1, at), xycoords=("axes fraction", "data"), xytext=(5, 0), textcoords="offset points", va="center",
        fontsize=8.5, color=LIGHT["ink"],
    )  # fmt: skip


def _held_back(axes: Any, one: CorrectionFacts) -> None:
    for limit in one.held_back:
        axes.axvspan(limit.low_hz, limit.high_hz, facecolor=LIGHT["d"], alpha=0.18, linewidth=0, zorder=0)


def _aligned_band(axes: Any, one: CorrectionFacts) -> None:
    axes.axvspan(*one.align_hz, ymin=0, ymax=0.03, facecolor=LIGHT["soft"], alpha=0.6, linewidth=0)
    axes.annotate(
        "levels aligned here", (float(np.sqrt(one.align_hz[0] * one.align_hz[1])), 0.045),
        xycoords=("data", "axes fraction"), ha="center", fontsize=8, color=LIGHT["ink"],
    )  # fmt: skip


def _description(one: CorrectionFacts, band: tuple[float, float]) -> str:
    text = (
        f"Corrected from {frequency_words(round(band[0], 1))} to {frequency_words(round(band[1]))}, levels aligned "
        f"from {frequency_words(one.align_hz[0])} to {frequency_words(one.align_hz[1])}. "
        f"The error {'falls' if one.rms_error_db < one.rms_before_db else 'goes'} from "
        f"{number(one.rms_before_db, 2)} to {number(one.rms_error_db, 2)} dB r.m.s.; the largest that is left is "
        f"{decibel(one.worst_error_db, 1)} dB at {frequency_words(round(one.worst_error_hz))}. The filter lies between "
        f"{decibel(float(one.gain_db.min()), 1)} and {decibel(float(one.gain_db.max()), 1)} dB, "
        + ("" if one.max_boost_db is None else f"may boost by at most {number(one.max_boost_db, 1)} dB, ")
        + f"and needs {number(one.headroom_db, 1)} dB of headroom."
    )
    return text + _held_words(one.held_back)


def _held_words(bands: Sequence[Any]) -> str:
    if not bands:
        return " No limit acted."
    parts = [
        f"{_WHY.get(limit.by, 'the boost is limited')} from "
        f"{frequency_words(round(limit.low_hz))} to {frequency_words(round(limit.high_hz))} (left "
        f"{number(limit.worst_db, 1)} dB short)"
        for limit in bands
    ]
    return " Shaded: " + "; ".join(parts) + "."
