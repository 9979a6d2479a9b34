"""Studies side by side: a square for each, as large as it weighs, with its interval; below them the mean and its own.

A study without a weight (nothing was pooled) has a square of the smallest size.
"""

from dataclasses import dataclass
from math import isfinite

from blindtest.report.figures import Cell, Figure, drawing, finished, label
from blindtest.report.svg import LIGHT
from blindtest.report.words import clean

__all__ = ["Forest", "ForestRow", "forest_figure"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ForestRow:
    """One study."""

    name: str
    estimate: float
    interval: tuple[float, float]
    weight: float | None
    """Share of the mean, 0 to 1."""
    counts: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Forest:
    """What is drawn, in the unit in which it is shown."""

    title: str
    axis: str
    """What is drawn, with its unit."""
    none: float
    """Where nothing is heard, preferred or different ..."""
    none_name: str
    """... and what that is called."""
    rows: tuple[ForestRow, ...]
    mean: ForestRow | None = None
    """None where nothing was pooled."""
    bounds: tuple[float, float] | None = None
    """Between which all values lie: (0, 100) of percentages."""
    one_more: tuple[float, float] | None = None
    """Where one more study is expected; None with two studies, or where nothing was pooled."""


def forest_figure(forest: Forest) -> Figure:
    """Return the figure."""
    below = [row for row in (forest.mean,) if row is not None]
    drawn = [*forest.rows, *below]
    low, high = _span(forest)
    with drawing(1.6 + 0.38 * (len(drawn) + (forest.one_more is not None))) as page:
        axes = page.subplots()
        axes.axvline(forest.none, color=LIGHT["ink"], linewidth=1.1, linestyle=(0, (4, 2)))
        axes.annotate(
            forest.none_name, (forest.none, 1), xycoords=("data", "axes fraction"), xytext=(0, 3),
            textcoords="offset points", ha="center", va="bottom", fontsize=8.5, color=LIGHT["ink"],
        )  # fmt: skip
        for place, row in enumerate(forest.rows):
            _line(axes, row.interval, place, low, high, 1.7)
            axes.plot(row.estimate, place, "s", color=LIGHT["a"], markersize=_size(row.weight))
            _note(axes, _said(row), place)
        ticks = [(place, label(row.name, 26)) for place, row in enumerate(forest.rows)]
        place = len(forest.rows)
        if forest.mean is not None:
            left, right = (min(max(x, low), high) for x in forest.mean.interval)
            middle = min(max(forest.mean.estimate, low), high)
            axes.fill(
                (left, middle, right, middle), (place, place - 0.3, place, place + 0.3), facecolor=LIGHT["b"], zorder=3
            )
            _cut_marks(axes, forest.mean.interval, place, low, high, "b")
            _note(axes, _said(forest.mean), place)
            ticks.append((place, label(forest.mean.name, 26)))
            place += 1
        if forest.one_more is not None:
            _line(axes, forest.one_more, place, low, high, 4.0, colour="c")
            _note(axes, f"{_number(forest.one_more[0])} to {_number(forest.one_more[1])}", place)
            ticks.append((place, "one more study"))
            place += 1
        if forest.mean is not None:
            axes.axhline(len(forest.rows) - 0.5, color=LIGHT["soft"], linewidth=0.8)
        axes.set_yticks([at for at, _ in ticks], [name for _, name in ticks])
        axes.set_ylim(place - 0.4, -0.6)
        axes.set_xlim(low, high)
        axes.set_xlabel(forest.axis)
        axes.grid(axis="x", color=LIGHT["grid"], linewidth=0.6)
        axes.set_axisbelow(True)
        table: tuple[tuple[Cell, ...], ...] = tuple(
            (clean(row.name), row.counts, row.estimate, *row.interval, "" if row.weight is None else 100 * row.weight)
            for row in drawn
        )
        if forest.one_more is not None:
            table = (*table, ("one more study", "", "", *forest.one_more, ""))
        columns = ("study", "counts", "estimate", "interval from", "interval to", "weight, %")
        return finished(page, "forest", forest.title, _description(forest), columns, table, 2)


def _description(forest: Forest) -> str:
    rows = "; ".join(f"{clean(row.name)}: {row.counts}, {_said(row)}" for row in forest.rows)
    end = "" if forest.mean is None else f" Together {_said(forest.mean)}."
    if forest.one_more is not None:
        end += f" One more study is expected from {_number(forest.one_more[0])} to {_number(forest.one_more[1])}."
    return f"{forest.axis}, with 95 % intervals; {forest.none_name} is {_number(forest.none)}. {rows}.{end}"


def _said(row: ForestRow) -> str:
    share = "" if row.weight is None or row.weight == 1 else f", weight {100 * row.weight:.0f} %"
    return f"{_number(row.estimate)} ({_number(row.interval[0])} to {_number(row.interval[1])}){share}"


def _number(value: float) -> str:
    return f"{value:.1f}".replace("-", "−")


def _note(axes: object, text: str, place: int) -> None:
    axes.annotate(  # type: ignore[attr-defined]
        text, (1, place), xycoords=("axes fraction", "data"), xytext=(7, 0), textcoords="offset points",
        va="center", fontsize=9, color=LIGHT["ink"],
    )  # fmt: skip


def _line(
    axes: object, interval: tuple[float, float], place: int, low: float, high: float, width: float, colour: str = "a"
) -> None:
    ends = [min(max(x, low), high) for x in interval]
    axes.plot(ends, (place, place), color=LIGHT[colour], linewidth=width, solid_capstyle="butt")  # type: ignore[attr-defined]
    _cut_marks(axes, interval, place, low, high, colour)


def _cut_marks(axes: object, interval: tuple[float, float], place: int, low: float, high: float, colour: str) -> None:
    """Mark ends that lie beyond the axis by an arrow head at its edge."""
    for end, edge, mark in ((interval[0], low, "<"), (interval[1], high, ">")):
        if end < low if mark == "<" else end > high:
            axes.plot(edge, place, mark, color=LIGHT[colour], markersize=7, clip_on=False)  # type: ignore[attr-defined]


def _size(weight: float | None) -> float:
    """Return the side of a square whose area grows with the weight, in points."""
    return 5.0 + 9.0 * float((weight or 0.0) ** 0.5)


def _span(forest: Forest) -> tuple[float, float]:
    """Return the axis: the studies' estimates and intervals whole; of the others what is not far beyond them, or all
    where values have bounds.
    """
    held = [forest.none, *(x for row in forest.rows for x in (row.estimate, *row.interval) if isfinite(x))]
    if forest.mean is not None:
        reach = (max(held) - min(held)) / 2
        least, most = forest.bounds or (min(held) - reach, max(held) + reach)
        held += [min(max(x, least), most) for x in (*forest.mean.interval, *(forest.one_more or ())) if isfinite(x)]
    pad = 0.06 * (max(held) - min(held)) or 1.0
    return float(min(held) - pad), float(max(held) + pad)
