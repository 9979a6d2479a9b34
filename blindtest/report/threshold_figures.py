"""Figures of a claim about a threshold: thresholds against the level claimed, and every track, trial by trial."""

from typing import Any

from blindtest.report.facts import ReportInput
from blindtest.report.figures import MARKS, ROLES, Cell, Figure, drawing, finished, label, legend_above
from blindtest.report.interval_rows import IntervalRow, interval_figure
from blindtest.report.svg import LIGHT
from blindtest.report.threshold_words import ThresholdFacts
from blindtest.report.words import clean, count_of, percent, plural

__all__ = ["threshold_figure", "tracks_figure"]

MOST_TRACKS = 12


def _found(report: ReportInput) -> ThresholdFacts | None:
    return next((one.threshold for one in report.of_kind("threshold") if one.threshold is not None), None)


def threshold_figure(report: ReportInput) -> Figure | None:
    """Return each listener's threshold with its limits, and the mean of several, against the level claimed."""
    facts = _found(report)
    if facts is None:
        return None
    one, several = facts.conclusion, len(facts.conclusion.listeners) > 1
    rows = [
        IntervalRow(
            who=each.listener, estimate=each.estimate, interval=each.limits, note=count_of(each.correct, each.trials),
            whole=not several,
        )
        for each in one.listeners
    ]  # fmt: skip
    if several:
        right, of = (sum(getattr(each, name) for each in one.listeners) for name in ("correct", "trials"))
        rows.append(
            IntervalRow(who="mean", estimate=one.estimate, interval=one.limits, note=count_of(right, of), whole=True)
        )
    return interval_figure(
        "threshold",
        "Thresholds, against the level claimed",
        f"level at which {percent(one.proportion, 1)} of answers are right, in the unit of the grid;\nlimits "
        f"one-sided, {percent(1 - one.alpha)} each",
        rows,
        [(one.margin, f"claimed\n{one.margin:g}", True)],
        f"The level claimed to be enough is {one.margin:g}.",
    )


def tracks_figure(report: ReportInput) -> Figure | None:
    """Return the level of every counted trial in the order heard, right or wrong, a line for each track."""
    facts = _found(report)
    if facts is None or facts.trials is None or not len(facts.trials):
        return None
    tracks: dict[str, list[dict[str, Any]]] = {}
    for row in facts.trials.to_dict("records"):
        tracks.setdefault(f"{row['listener']}, {row['track']}", []).append(row)
    rows: list[tuple[Cell, ...]] = []
    said = []
    with drawing(3.4) as page:
        axes = page.subplots()
        for index, (name, own) in enumerate(tracks.items()):
            levels = [float(row["level"]) for row in own]
            right = [bool(row["correct"]) for row in own]
            rows += [
                (clean(name), n, x, "right" if ok else "wrong")
                for n, (x, ok) in enumerate(zip(levels, right, strict=True), 1)
            ]
            said.append(
                f"{clean(name)}: from {levels[0]:g} to {levels[-1]:g} over {plural(len(own), 'trial')}, "
                f"{sum(right)} right"
            )
            if index >= MOST_TRACKS:
                continue
            colour = LIGHT[ROLES[index % len(ROLES)]]
            axes.plot(
                range(1, len(levels) + 1),
                levels,
                color=colour,
                linewidth=1.2,
                drawstyle="steps-mid",
                label=label(name, 24) if len(tracks) <= 2 else None,
            )
            for ok, look in (
                (True, {"marker": MARKS[index % len(MARKS)], "markersize": 4.5}),
                (False, {"marker": "x", "markersize": 6.5}),
            ):
                at = [n for n, held in enumerate(right, 1) if held is ok]
                axes.plot(at, [levels[n - 1] for n in at], linestyle="none", color=colour, **look)
        axes.axhline(facts.conclusion.margin, color=LIGHT["c"], linewidth=1.3, linestyle=(0, (1, 1.5)))
        axes.annotate(
            f"claimed {facts.conclusion.margin:g}", (1, facts.conclusion.margin), xycoords=("axes fraction", "data"),
            xytext=(5, 0), textcoords="offset points", va="center", fontsize=8.5, color=LIGHT["ink"],
        )  # fmt: skip
        axes.plot([], [], linestyle="none", marker="o", color=LIGHT["soft"], label="right")
        axes.plot([], [], linestyle="none", marker="x", color=LIGHT["soft"], label="wrong")
        axes.xaxis.get_major_locator().set_params(integer=True)
        axes.set_xlabel("counted trial of its track, in the order heard")
        axes.set_ylabel("level")
        axes.grid(color=LIGHT["grid"], linewidth=0.6)
        legend_above(axes)
        description = "; ".join(said[:MOST_TRACKS]) + f". The level claimed is {facts.conclusion.margin:g}."
        if len(tracks) > MOST_TRACKS:
            description += f" The first {MOST_TRACKS} of {len(tracks)} tracks are drawn."
        columns = ("track", "trial", "level", "answer")
        return finished(page, "tracks", "Every track, trial by trial", description, columns, tuple(rows), 2)
