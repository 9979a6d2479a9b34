"""Who is rated above whom, in lines: the conclusion, screening both ways, medians and means of everything rated."""

from math import isfinite

from blindtest.report import ScaleFacts, scale_further, scale_plan, screening_words
from blindtest.stats import MeanDifferenceGrade
from blindtest.steps.answers.scale import ScaleAnswers
from blindtest.steps.columns import columns, p_cell

__all__ = ["scale_lines"]


def scale_lines(found: ScaleAnswers) -> list[str]:
    """Return a conclusion about ratings with everything that must stand beside it, a line each."""
    facts = found.facts
    if facts.nobody_kept:
        lines = ["Result: open: the sealed rules of screening keep nobody."]
    else:
        lines = [f"Result: {facts.decisive.sentence}"]
    lines += [*screening_words(facts), "", scale_plan(facts.plan), ""]
    lines += [_cells(facts)] if facts.summary is not None else [_objects(facts.grades)]
    if len(facts.everybody.listeners) > 1:
        lines += ["", _listeners(facts)]
    further = scale_further(facts)
    return [*lines, "", *further] if further else lines


def _cells(facts: ScaleFacts) -> str:
    assert facts.summary is not None
    rows = [
        (
            str(row["condition"]),
            str(row["item"]),
            str(row["n"]),
            *(f"{row[name]:g}" for name in ("median", "q1", "q3")),
            f"{row['mean']:.1f}",
            "-" if row["n"] < 2 else f"{row['ci_low']:.1f} to {row['ci_high']:.1f}",
            str(row["outliers"]),
        )
        for row in facts.summary.table.to_dict("records")
    ]
    interval = f"{100 * facts.summary.level:g} % interval"
    return columns(("condition", "item", "n", "median", "q1", "q3", "mean", interval, "outliers"), rows)


def _objects(objects: tuple[MeanDifferenceGrade, ...]) -> str:
    rows = [
        (
            one.condition,
            f"{one.mean:+.2f}",
            f"{one.interval[0]:+.2f} to {one.interval[1]:+.2f}" if isfinite(one.interval[0]) else "-",
            str(one.df),
            p_cell(one.p_value) if isfinite(one.p_value) else "-",
            str(one.trials),
            str(one.confused),
            str(one.alike),
        )
        for one in objects
    ]
    headings = ("object", "difference grade", "interval", "df", "p", "trials", "above the reference", "the same")
    return columns(headings, rows)


def _listeners(facts: ScaleFacts) -> str:
    kept = set(facts.screening.kept) if facts.screening is not None else None
    digits = 2 if facts.in_grades else 1
    rows = [
        (
            one.listener,
            f"{one.difference:+.{digits}f}" if isfinite(one.difference) else "-",
            str(one.pages),
            str(one.unanswered),
            "" if kept is None else "kept" if one.listener in kept else "left out",
        )
        for one in facts.everybody.listeners
    ]
    return columns(("listener", f"difference, {facts.unit}", "pages", "unanswered", "screening"), rows)
