"""Whether listeners could hear anything at all: controls, anchors, hidden originals, decoys."""

from collections.abc import Iterable, Sequence

import numpy as np

from blindtest.report.facts import ReportInput
from blindtest.report.rating_facts import RatingFacts
from blindtest.report.rating_words import points
from blindtest.report.words import clean, number, plural

__all__ = ["control_words"]


def control_words(report: ReportInput) -> tuple[str, ...]:
    """Return how controls, anchors, hidden originals and decoys came out; or that there were none."""
    out = [clean(control) for control in report.controls]
    out += _anchors(report)
    out += _hidden(report)
    out += _decoys(report)
    return tuple(out) or (
        "This protocol held no control trials (a difference known to be audible, the same sound twice), so a score "
        "near guessing cannot be told from a listener or a chain that would have missed anything.",
    )


def _anchors(report: ReportInput) -> list[str]:
    low = {c.id for c in report.conditions if c.anchor == "low"}
    high = {c.id for c in report.conditions if c.anchor == "high"}
    out = []
    for mode in ("labelled", "blind"):
        poor = _mean(r.rating for r in report.ratings if r.mode == mode and r.condition in low)
        good = _mean(r.rating for r in report.ratings if r.mode == mode and r.condition in high)
        if poor is not None and good is not None:
            out.append(f"{mode} {number(poor, 1)} and {number(good, 1)}, {points(good - poor)} points apart")
    if not out:
        return []
    turned, pages = _turned(report.ratings, low, high)
    return [
        f"Anchors, one plainly poor and one plainly good, were rated on average: {'; '.join(out)}. On {turned} of "
        f"{plural(pages, 'page')} the poor one was not rated below the good one."
    ]


def _hidden(report: ReportInput) -> list[str]:
    """Return how far the hidden reference and the anchors were told from each other, where ratings held them."""
    facts = next((one.scaled for one in report.of_kind("attribute") if one.scaled and one.scaled.reference), None)
    if facts is None:
        return []
    if facts.in_grades:
        objects = facts.grades_of_all or facts.grades
        trials, confused = sum(one.trials for one in objects), sum(one.confused for one in objects)
        alike = sum(one.alike for one in objects)
        return [
            f"In {plural(trials, 'trial')} the hidden reference was graded below the object in {confused} and the same "
            f"in {alike}, everybody counted; who hears nothing grades it below as often as above."
        ]
    summary = facts.summary_of_all or facts.summary
    if summary is None:
        return []
    rows = summary.table[summary.table["item"] == "(all)"].to_dict("records")
    medians = {str(row["condition"]): float(row["median"]) for row in rows}
    kinds = {one.id: f"{one.anchor} anchor" for one in report.conditions if one.anchor}
    named = {facts.reference: "hidden reference"} | kinds
    said = [f"{what} {number(medians[name], 1)}" for name, what in named.items() if name in medians]
    return [
        f"Medians of what was hidden on every page, everybody counted: {', '.join(said)}. A listener or a chain that "
        "shows nothing would have rated them alike."
    ]


def _turned(ratings: Sequence[RatingFacts], low: set[str], high: set[str]) -> tuple[int, int]:
    """Return on how many pages (listener, sitting, clip) the poor anchor is not below the good one, and of how many."""
    pages: dict[tuple[str, int, str], tuple[list[float], list[float]]] = {}
    for r in ratings:
        if r.condition in low | high:
            pages.setdefault((r.listener, r.sitting, r.clip), ([], []))[r.condition in high].append(r.rating)
    both = [(np.mean(poor), np.mean(good)) for poor, good in pages.values() if poor and good]
    return sum(bool(poor >= good) for poor, good in both), len(both)


def _decoys(report: ReportInput) -> list[str]:
    out = []
    for condition in report.conditions:
        if not condition.decoy:
            continue
        means = []
        for mode in ("labelled", "blind"):
            mean = _mean(r.rating for r in report.ratings if r.condition == condition.id and r.mode == mode)
            if mean is not None:
                means.append(f"{mode} {number(mean, 1)}")
        found = f" It was rated on average {', '.join(means)}." if means else ""
        out.append(
            f"A decoy, {clean(report.name_of(condition.id))}, whose name was never shown, was among them.{found}"
        )
    return out


def _mean(values: Iterable[float]) -> float | None:
    held = list(values)
    return float(np.mean(held)) if held else None
