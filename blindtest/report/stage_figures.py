"""Figure of which stage is heard: the effect of every stage with its interval against the margin, a line each."""

from dataclasses import replace

from blindtest.report.facts import ReportInput
from blindtest.report.figures import Figure
from blindtest.report.interval_rows import IntervalRow, Line, interval_figure
from blindtest.report.words import MINUS, clean, percent
from blindtest.stats import StageEffect

__all__ = ["stage_figure"]

TIMES = "\u00d7"
NOTES = {"shown": "heard", "refuted": "heard", "negligible": "negligible", "open": "open"}
ADDED = {"shown": "not additive", "refuted": "not additive", "negligible": "additive", "open": "open"}


def stage_figure(report: ReportInput) -> Figure | None:
    """Return the effects of all stages, and of the products that the design can tell."""
    facts = next((one.staged for one in report.of_kind("stage") if one.staged is not None), None)
    if facts is None:
        return None
    result = facts.result
    rows = [_row(one) for one in result.stages]
    rows += [replace(_row(one), note=ADDED[one.word]) for one in result.interactions]
    lines: list[Line] = [(0.0, "nothing", False)]
    lines += [(x, f"margin\n{x:+g}".replace("-", MINUS), True) for x in (-result.margin, result.margin)]
    apart = f" Can't be told apart: {clean('; '.join(facts.confounded))}." if facts.confounded else ""
    return interval_figure(
        "stages",
        f"What each stage of {clean(report.name_of(facts.device))} does to "
        + ("preference" if facts.paired else "ratings"),
        (
            "preference for it beyond 50 %, percentage points"
            if facts.paired
            else "rating with the stage on minus off, points"
        )
        + f";\n{percent(1 - result.alpha)} intervals, words after Holm",
        rows,
        lines,
        f"The margin lies at {result.margin:g} on either side of 0.{apart}",
        digits=1,
    )


def _row(one: StageEffect) -> IntervalRow:
    low, high = one.effect.interval
    # Without spaces a name is cut at its end, not at a word: of two products both factors are then seen.
    name = one.name.replace(" x ", TIMES)
    return IntervalRow(who=name, estimate=one.effect.estimate, interval=(low, high), note=NOTES[one.word], whole=True)
