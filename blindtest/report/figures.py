"""Figures as SVG and PNG, each with a title, a text alternative and its data as a table: what all drawings share.

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

from blindtest.report.palette_png import palette_png
from blindtest.report.svg import FONT, LIGHT, inline, standalone, tidied
from blindtest.report.words import clean, short_names

__all__ = [
    "DASHES",
    "MARKS",
    "MOST_ROWS",
    "ROLES",
    "Cell",
    "Figure",
    "cut",
    "drawing",
    "drawn_names",
    "finished",
    "frequency_axis",
    "label",
    "legend_above",
    "named_at_end",
    "named_at_peak",
    "numbered",
    "rows_of",
]

ROLES = ("a", "b", "c", "d")
DASHES: tuple[Any, ...] = ("solid", (0, (5, 2)), (0, (1.2, 1.4)), (0, (6, 1.6, 1.2, 1.6)))
MARKS = ("o", "s", "^", "D")
_TICKS = (20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000)
_TICK_NAMES = ("20", "50", "100", "200", "500", "1k", "2k", "5k", "10k", "20k")
WIDTH = 7.4
DPI = 144
MOST_ROWS = 40

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


def rows_of(columns: Sequence[NDArray[np.float64]]) -> tuple[tuple[Cell, ...], ...]:
    """Return the rows of a table with these columns."""
    return tuple(tuple(float(value) for value in row) for row in zip(*columns, strict=True))


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
def drawing(height: float) -> Iterator[Any]:
    """Give an empty figure of our look; settings of the caller's matplotlib neither matter nor change."""
    import matplotlib
    from matplotlib.figure import Figure as Page

    with matplotlib.rc_context(), warnings.catch_warnings():
        # Names in scripts that the drawing font lacks: the SVG keeps them as text, the PNG shows boxes.
        warnings.filterwarnings("ignore", message="Glyph .* missing", category=UserWarning)
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_SETTINGS)
        yield Page(figsize=(WIDTH, height))


def label(text: str, most: int) -> str:
    """Return the text at most so long, cut at a word where it has any."""
    return textwrap.shorten(clean(text), most, placeholder="…") if " " in clean(text) else cut(clean(text), most)


def drawn_names(names: Sequence[str]) -> list[str]:
    """Return names short enough to stand in a drawing."""
    return [label(name, 40) for name in short_names(names)]


def numbered(name: str, place: int) -> str:
    """Return a figure's name: its own where it comes first, else with its number; `place` from 0."""
    return name if place == 0 else f"{name}-{place + 1}"


def cut(text: str, most: int) -> str:
    """Return the text at most so long."""
    return text if len(text) <= most else text[: most - 1] + "…"


def frequency_axis(axes: Any, grid: NDArray[np.float64], band: tuple[float, float] | None) -> None:
    """Draw frequency from end to end of `grid`, and grey ground outside the trusted band."""
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
            "not\ntrusted", (np.sqrt(band[1] * grid[-1]), 0.97), xycoords=("data", "axes fraction"),
            ha="center", va="top", fontsize=8, color=LIGHT["ink"],
        )  # fmt: skip


def named_at_end(axes: Any, ends: Sequence[tuple[float, str]]) -> None:
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
        colour = LIGHT[ROLES[index % 4]]
        axes.plot(
            (1.012, 1.06), (at, at), transform=axes.transAxes, clip_on=False, color=colour,
            linestyle=DASHES[index % 4], linewidth=1.8,
        )  # fmt: skip
        axes.annotate(
            "\n".join(textwrap.wrap(ends[index][1], 15, max_lines=3, placeholder="…")), (1.07, at),
            xycoords="axes fraction", va="center", fontsize=9, color=LIGHT["ink"],
        )  # fmt: skip
    axes.set_ylim(low, high)


def legend_above(axes: Any) -> None:
    """Put the legend over the axes."""
    axes.legend(
        loc="lower left", bbox_to_anchor=(0, 1.0), ncols=4, frameon=False, fontsize=9, handletextpad=0.4,
        columnspacing=1.4, borderaxespad=0.2,
    )  # fmt: skip


def finished(
    page: Any,
    name: str,
    title: str,
    description: str,
    columns: Sequence[str],
    rows: tuple[tuple[Cell, ...], ...],
    digits: int = 2,
) -> Figure:
    """Return the drawing as a figure."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.image import imread

    drawn = io.StringIO()
    page.savefig(drawn, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    bitmap = io.BytesIO()
    FigureCanvasAgg(page)
    page.savefig(bitmap, format="png", dpi=DPI, facecolor="white")
    bitmap.seek(0)
    pixels = np.rint(imread(bitmap, format="png")[..., :3] * 255).astype(np.uint8)
    tree = tidied(drawn.getvalue(), name, title, description)
    return Figure(
        name=name,
        title=title,
        description=description,
        svg=standalone(tree),
        inline=inline(tree),
        png=palette_png(pixels, dpi=DPI, words={"Title": title, "Description": description}),
        columns=tuple(columns),
        rows=rows,
        digits=digits,
    )


def named_at_peak(
    axes: Any,
    curves: Sequence[tuple[NDArray[np.float64], NDArray[np.float64], str]],
    *,
    beside: Sequence[float] = (),
) -> None:
    """Write each curve's name over the middle of its highest stretch, where it has one worth naming.

    beside : where upright lines stand: a name that would touch one is moved to its side
    """
    low, high = axes.get_ylim()
    left, right = axes.get_xlim()
    for x, y, name in curves:
        top = float(y.max())
        if top < low + 0.015 * (high - low):
            continue
        stretch = x[y >= top - 0.01 * (high - low)]
        at = (
            float(stretch.mean())
            if np.all(np.diff(np.flatnonzero(y >= top - 0.01 * (high - low))) == 1)
            else stretch[0]
        )
        room = 0.07 * (right - left)
        inside = min(max(float(at), left + room), right - room)
        for line in beside:
            if abs(inside - line) < room:
                inside = line + (room if inside >= line else -room)
        axes.annotate(
            name, (inside, top), xytext=(0, 3), textcoords="offset points", ha="center", va="bottom", fontsize=9,
            color=LIGHT["ink"],
        )  # fmt: skip
