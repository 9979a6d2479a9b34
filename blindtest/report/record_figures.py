"""The record in one picture: impressions, measurements, clips, seals and sittings, in the order in which they came."""

from blindtest.report.facts import ReportInput
from blindtest.report.figures import Cell, Figure, cut, drawing, finished
from blindtest.report.svg import LIGHT
from blindtest.report.timeline import Moment, condensed, timeline
from blindtest.report.words import plural

__all__ = ["record_figure"]

_LOOKS = {
    "impression": ("D", "b"),
    "measurement": ("^", "a"),
    "graph seen": ("v", "a"),
    "clip chosen": ("P", "c"),
    "seal": ("s", "d"),
    "commitment seen elsewhere": ("s", "d"),
    "sitting": ("o", "ink"),
    "other": ("X", "soft"),
}
_MOST = 24


def record_figure(report: ReportInput) -> Figure | None:
    """Return the order of everything on record, from top to bottom; None where only sittings and a seal are known."""
    everything = timeline(report)
    if not report.impressions and not report.events:
        return None
    shown = condensed(everything)[:_MOST]
    with drawing(0.5 + 0.3 * len(shown)) as page:
        axes = page.subplots()
        axes.plot((0, 0), (-0.4, len(shown) - 0.6), color=LIGHT["soft"], linewidth=1.2, zorder=1)
        for place, moment in enumerate(shown):
            marker, role = _LOOKS[moment.kind]
            axes.plot(0, place, marker, color=LIGHT[role], markersize=9, zorder=2)
            axes.annotate(
                moment.day, (0, place), xytext=(-13, 0), textcoords="offset points", ha="right", va="center",
                fontsize=9, color=LIGHT["ink"],
            )  # fmt: skip
            axes.annotate(
                cut(moment.what, 78), (0, place), xytext=(13, 0), textcoords="offset points", ha="left", va="center",
                fontsize=9, color=LIGHT["ink"],
            )  # fmt: skip
        axes.set_xlim(-0.24, 0.76)
        axes.set_ylim(len(shown) - 0.4, -0.6)
        axes.set_axis_off()
        description = "In order: " + "; ".join(f"{moment.day}, {moment.what}" for moment in shown) + "."
        if len(condensed(everything)) > _MOST:
            description += f" The first {_MOST} of {plural(len(condensed(everything)), 'entry', 'entries')} are drawn."
        columns = ["when", "kind", "what"]
        rows: tuple[tuple[Cell, ...], ...] = tuple(_row(moment) for moment in everything)
        return finished(page, "record", "What came when", description, columns, rows, 0)


def _row(moment: Moment) -> tuple[Cell, ...]:
    return moment.time, moment.kind, moment.what
