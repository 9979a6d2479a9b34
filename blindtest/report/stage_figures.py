"""Figure of which stage is heard: the effect of every stage with its interval against the margin, a line each."""

from blindtest.report.facts import ReportInput
from blindtest.report.figures import Figure
from blindtest.report.interval_rows import IntervalRow, Line, interval_figure
from blindtest.report.stage_words import StageFacts
from blindtest.report.words import MINUS, clean, percent
from blindtest.stats import StageEffect

__all__ = ["stage_figure"]

NOTES = {"shown": "heard", "refuted": "heard", "negligible": "negligible", "open": "open"}


def stage_figure(report: ReportInput) -> Figure | None:
    """Return the effects of all stages, and of the products that the design can tell."""
    facts = next((one.staged for one in report.of_kind("stage") if one.staged is not None), None)
    if facts is None:
        return None
    result = facts.result
    rows = [_row(facts, one, whole=True) for one in result.stages]
    rows += [_row(facts, one, whole=False) for one in result.interactions]
    lines: list[Line] = [(0.0, "nothing", False)]
    lines += [(x, f"margin\n{x:+g}".replace("-", MINUS), True) for x in (-result.margin, result.margin)]
    apart = f" Can't be told apart: {clean('; '.join(facts.confounded))}." if facts.confounded else ""
    return interval_figure(
        "stages",
        f"What each stage of {clean(report.name_of(facts.device))} does to ratings",
        f"rating with the stage on minus off, points;\n{percent(1 - result.alpha)} intervals, words after Holm",
        rows,
        lines,
        f"The margin lies at {result.margin:g} on either side of 0.{apart}",
        digits=1,
    )


def _row(facts: StageFacts, one: StageEffect, *, whole: bool) -> IntervalRow:
    name = one.name if whole else " = ".join((one.name, *facts.alike.get(one.name, ())))
    low, high = one.effect.interval
    return IntervalRow(who=name, estimate=one.effect.estimate, interval=(low, high), note=NOTES[one.word], whole=whole)
