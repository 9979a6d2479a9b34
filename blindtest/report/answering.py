"""How listeners answered: times taken, switches, answers faster than anybody can listen. Told, never counted.

Times are those on record: from the moment at which a trial's sounds were there until its answer was confirmed, rests
not among them.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median, quantiles

from blindtest.report.facts import ReportInput
from blindtest.report.figures import Cell, Figure, drawing, finished
from blindtest.report.record_facts import TrialFacts
from blindtest.report.svg import LIGHT
from blindtest.report.words import clean, number, plural

__all__ = ["FAST_S", "Answering", "answering", "answering_words", "times_figure"]

FAST_S = 1.0
"""An answer is fast below so many seconds for each sound of its trial: our rule. Whoever takes less has hardly heard
them."""
MOST_MARKS = 600
"""Answers up to which each is drawn."""
NAMED = 6
"""Listeners with fast answers that are named."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answering:
    """Answers that count of one method."""

    method: str
    """Its title."""
    answers: int
    time_s: tuple[float, float, float]
    """Lower quartile, median, upper quartile."""
    span_s: tuple[float, float]
    switches: float | None
    """Median number; None where nothing sounded."""
    fast: int
    fast_right: int | None
    """Of the fast ones; None where no answer is right."""
    fast_below_s: float | None
    """None where nothing sounded in the page."""
    fast_listeners: tuple[tuple[str, int], ...]
    """(listener, fast answers), most first."""


def _answered(report: ReportInput) -> list[TrialFacts]:
    return [one for one in report.trials if one.counted and one.answered and one.time_taken_s is not None]


def answering(report: ReportInput) -> tuple[Answering, ...]:
    """Return how the answers that count were given, method by method; phases in which nothing sounds apart."""
    titles = {block.method: block.method_title for block in report.protocol.blocks if block.method_title}
    groups: dict[tuple[str, bool], list[TrialFacts]] = {}
    for trial in _answered(report):
        groups.setdefault((trial.method, trial.phase == "worn"), []).append(trial)
    return tuple(
        _answering(clean(titles.get(method, method)) + (", on the real unit" if worn else ""), worn, trials)
        for (method, worn), trials in groups.items()
    )


def _answering(title: str, worn: bool, trials: Sequence[TrialFacts]) -> Answering:
    times = [float(one.time_taken_s or 0.0) for one in trials]
    fast = [] if worn else [one for one in trials if (one.time_taken_s or 0.0) < FAST_S * len(one.slots)]
    whose: dict[str, int] = {}
    for one in fast:
        whose[one.listener] = whose.get(one.listener, 0) + 1
    switches = [one.switches for one in trials if one.switches is not None]
    return Answering(
        method=title,
        answers=len(trials),
        time_s=_quartiles(times),
        span_s=(min(times), max(times)),
        switches=None if worn or not switches else float(median(switches)),
        fast=len(fast),
        fast_right=sum(one.correct is True for one in fast) if any(one.correct is not None for one in fast) else None,
        fast_below_s=None if worn else FAST_S * max(len(one.slots) for one in trials),
        fast_listeners=tuple(sorted(whose.items(), key=lambda one: -one[1])),
    )


def _quartiles(values: Sequence[float]) -> tuple[float, float, float]:
    """Return the quartiles, the middle value within both halves."""
    if len(values) == 1:
        return values[0], values[0], values[0]
    low, middle, high = quantiles(values, n=4, method="inclusive")
    return low, middle, high


def answering_words(found: Sequence[Answering]) -> tuple[str, ...]:
    """Return what a reader should know of the fast answers, a sentence each."""
    said = []
    for one in found:
        if not one.fast:
            continue
        right = "" if one.fast_right is None else f", {one.fast_right} of them right"
        names = ", ".join(f"{clean(name)} {count}" for name, count in one.fast_listeners[:NAMED])
        more = len(one.fast_listeners) - NAMED
        said.append(
            f"{one.method}: {plural(one.fast, 'answer')} of {one.answers} took less than {number(FAST_S, 0)} s for "
            f"each sound{right} ({names}{f' and {more} more listeners' if more > 0 else ''}). Who answers so fast has "
            "hardly listened; they are counted all the same: leaving answers out after the fact chooses the result."
        )
    return tuple(said)


def times_figure(report: ReportInput) -> Figure | None:
    """Return the time taken over the course of a sitting: who gets faster and faster has stopped listening."""
    trials = _answered(report)
    if len(trials) < 2:
        return None
    places: dict[int, list[float]] = {}
    for one in trials:
        places.setdefault(one.trial, []).append(max(0.1, float(one.time_taken_s or 0.0)))
    shown = sorted(places)
    quartiles = {place: _quartiles(places[place]) for place in shown}
    few = len(trials) <= MOST_MARKS
    with drawing(2.6) as page:
        axes = page.subplots()
        if few:
            marks = [(place, value) for place in shown for value in places[place]]
            axes.plot(*zip(*marks, strict=True), "o", color=LIGHT["a"], markersize=3.2, alpha=0.55, linestyle="none")
        else:
            for place in shown:
                low, _, high = quartiles[place]
                axes.plot((place, place), (low, high), color=LIGHT["a"], linewidth=2.2, solid_capstyle="butt")
        several = max(len(values) for values in places.values()) > 1
        if several:
            axes.plot(shown, [quartiles[place][1] for place in shown], color=LIGHT["b"], linewidth=1.4)
        axes.set_yscale("log")
        ticks = [one for one in (0.1, 0.3, 1, 3, 10, 30, 100, 300, 1000, 3000) if _near(one, places)]
        axes.set_yticks(ticks, [f"{one:g}" for one in ticks])
        axes.minorticks_off()
        axes.set_xlabel("trial of the sitting")
        axes.set_ylabel("time taken, s")
        axes.grid(axis="y", color=LIGHT["grid"], linewidth=0.6)
        of_all = _quartiles([value for values in places.values() for value in values])
        description = (
            f"Time taken for each of {len(trials)} answers by the trial of its sitting, on a logarithmic scale. Half "
            f"of all answers took {of_all[0]:.1f} to {of_all[2]:.1f} s, the median is {of_all[1]:.1f} s."
        )
        rows: tuple[tuple[Cell, ...], ...] = tuple(
            (place, len(places[place]), *(round(value, 2) for value in quartiles[place])) for place in shown
        )
        columns = ["trial", "answers", "lower quartile, s", "median, s", "upper quartile, s"]
        title = "How long answers took"
        return finished(page, "times", title, description, columns, rows, 1)


def _near(tick: float, places: dict[int, list[float]]) -> bool:
    """Whether a tick lies within the drawing."""
    everything = [value for values in places.values() for value in values]
    return min(everything) / 2 <= tick <= max(everything) * 2
