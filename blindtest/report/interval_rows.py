"""Figures of one kind: a row for each listener and one for all, estimates with intervals, lines to hold them against.

An estimate or limit that is infinite runs to the edge of the drawing; a missing one is left out and said in words.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, isnan

from blindtest.report.figures import MOST_ROWS, Cell, Figure, drawing, finished, label
from blindtest.report.svg import LIGHT
from blindtest.report.words import clean

__all__ = ["IntervalRow", "Line", "interval_figure"]

Line = tuple[float, str, bool]
"""Where, its name, and whether it is the margin (else guessing, nothing, an equal share)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class IntervalRow:
    """One row."""

    who: str
    estimate: float
    interval: tuple[float, float]
    note: str
    """Counts, beside the row."""
    whole: bool = False
    """Whether it is that of everybody."""


def interval_figure(
    name: str,
    title: str,
    axis: str,
    rows: Sequence[IntervalRow],
    lines: Sequence[Line],
    said: str,
    *,
    scale: float = 1.0,
    span: tuple[float, float] | None = None,
    digits: int = 2,
) -> Figure:
    """Return the figure.

    Parameters
    ----------
    axis : what is drawn, with its unit
    lines : what estimates are held against; two margins are filled between
    said : sentences that end the description
    scale : factor with which values are drawn (100 for percent); the table holds them as they are
    span : of the axis, drawn; None: as the finite values ask
    """
    shown = [*[row for row in rows if not row.whole][:MOST_ROWS], *[row for row in rows if row.whole]]
    low, high = span or _span(shown, lines, scale)
    with drawing(1.5 + 0.36 * len(shown)) as page:
        axes = page.subplots()
        margins = [x * scale for x, _, margin in lines if margin]
        if len(margins) == 2:
            axes.axvspan(*margins, facecolor=LIGHT["c"], alpha=0.1, linewidth=0, zorder=0)
        for x, text, margin in lines:
            axes.axvline(
                scale * x, color=LIGHT["c" if margin else "ink"], linewidth=1.3 if margin else 1.1,
                linestyle=(0, (1, 1.5)) if margin else (0, (4, 2)),
            )  # fmt: skip
            axes.annotate(
                text, (scale * x, 1), xycoords=("data", "axes fraction"), xytext=(0, 3), textcoords="offset points",
                ha="center", va="bottom", fontsize=8.5, color=LIGHT["ink"],
            )  # fmt: skip
        for place, row in enumerate(shown):
            ends = [min(max(scale * x, low), high) for x in row.interval if not isnan(x)]
            if len(ends) == 2:
                axes.plot(
                    ends, (place, place), color=LIGHT["a"], linewidth=3.2 if row.whole else 1.8,
                    solid_capstyle="butt",
                )  # fmt: skip
            if isfinite(row.estimate):
                axes.plot(
                    scale * row.estimate, place, "s" if row.whole else "o", color=LIGHT["a"],
                    markersize=8 if row.whole else 6.5,
                )  # fmt: skip
            axes.annotate(
                row.note, (1, place), xycoords=("axes fraction", "data"), xytext=(7, 0), textcoords="offset points",
                va="center", fontsize=9, color=LIGHT["ink"],
            )  # fmt: skip
        axes.set_yticks(range(len(shown)), [label(row.who, 20) for row in shown])
        axes.set_ylim(len(shown) - 0.4, -0.6)
        axes.set_xlim(low, high)
        axes.set_xlabel(axis)
        axes.grid(axis="x", color=LIGHT["grid"], linewidth=0.6)
        description = "; ".join(f"{clean(row.who)}: {row.note}, {_numbers(row, scale, digits)}" for row in shown)
        left = sum(not row.whole for row in rows) - MOST_ROWS
        more = f" {left} further listeners are not drawn." if left > 0 else ""
        table: tuple[tuple[Cell, ...], ...] = tuple(
            (clean(row.who), row.note, *(_cell(x) for x in (row.estimate, *row.interval))) for row in shown
        )
        columns = ("who", "counts", "estimate", "interval from", "interval to")
        return finished(page, name, title, f"{description}. {said}{more}".strip(), columns, table, 3)


def _span(rows: Sequence[IntervalRow], lines: Sequence[Line], scale: float) -> tuple[float, float]:
    held = [scale * x for row in rows for x in (row.estimate, *row.interval) if isfinite(x)]
    held += [scale * x for x, _, _ in lines]
    pad = 0.08 * (max(held) - min(held)) or 1.0
    return min(held) - pad, max(held) + pad


def _cell(value: float) -> Cell:
    if isnan(value):
        return ""
    return value if isfinite(value) else "infinite" if value > 0 else "-infinite"


def _numbers(row: IntervalRow, scale: float, digits: int) -> str:
    if isnan(row.estimate):
        return "no estimate"
    low, high = row.interval
    text = f"{scale * row.estimate:.{digits}f}"
    if isnan(low) or isnan(high):
        return text
    return f"{text}, interval {scale * low:.{digits}f} to {scale * high:.{digits}f}"
