"""What sittings say that ended by a stopping rule, in lines."""

from math import isnan

from blindtest.report import stopped_beside
from blindtest.steps.answers.stopped import StoppedAnswers
from blindtest.steps.columns import columns, p_cell

__all__ = ["stopped_lines"]


def stopped_lines(found: StoppedAnswers) -> list[str]:
    """Return a conclusion with everything that must stand beside it, a line each; several listeners in a table."""
    concluded = found.conclusion
    lines = [f"Result: {concluded.sentence}", *stopped_beside(concluded), "", f"The plan: {found.chances.sentence}"]
    if len(concluded.sittings) > 1:
        rows = [
            (
                one.listener,
                f"{one.correct} of {one.trials}",
                "-" if isnan(one.estimate) else f"{100 * one.estimate:.0f} %",
                f"{100 * one.interval[0]:.0f} to {100 * one.interval[1]:.0f} %",
                p_cell(one.p_value),
                p_cell(one.margin_p_value),
                one.word,
            )
            for one in concluded.sittings
        ]
        headings = ("listener", "right", "share right", "95 % interval", "p guessing", "p margin", "alone")
        lines += ["", columns(headings, rows)]
    return lines
