"""Tables of trials that were right or wrong: the exact test against guessing, listener by listener."""

from pathlib import Path

from blindtest.errors import BlindtestError, Fault
from blindtest.report import companion_lines
from blindtest.stats import answers_in_order, choice_companions, conclude, listener_results, read_trial_table
from blindtest.steps.lines.heard import conclusion_lines, listener_lines
from blindtest.steps.tables.contract import Asked, TableAnalysis
from blindtest.steps.tables.stopped import missing_trials, stopping_of

__all__ = ["choices"]


def choices(path: Path, asked: Asked) -> TableAnalysis:
    """Return what a table of right and wrong answers says."""
    if asked.margin is not None and not 0 < asked.margin <= 1:
        raise BlindtestError(
            Fault(problem="not a margin", key="--margin", got=asked.margin, allowed="above 0 and up to 1")
        )
    read = read_trial_table(path, method=asked.method, columns=asked.columns)
    found = listener_results(read.table, method=asked.method)
    pooled = found.pooled
    unanswered = found.unanswered + missing_trials(asked, pooled.trials + found.unanswered, file=read.file)
    concluded = conclude(
        pooled.correct,
        pooled.trials,
        method=found.method,
        margin=asked.margin,
        alpha=asked.alpha,
        unanswered=unanswered,
        by_listener=[(one.correct, one.trials) for one in found.results],
    )
    listeners = tuple(zip(found.listeners, found.results, found.adjusted_p_values, strict=True))
    many = len(listeners) > 1
    lines = conclusion_lines(concluded, many=many)
    if many:
        lines += ["", listener_lines(listeners)]
    companions = choice_companions(read.table, method=found.method, alpha=asked.alpha, margin=asked.margin)
    lines += ["", *companion_lines(companions)]
    stopping = stopping_of(answers_in_order(read.table), guess=pooled.guess_rate, asked=asked)
    return TableAnalysis(
        file=read.file,
        method=found.method,
        understood=read.understood,
        lines=(*lines, "", *stopping.lines),
        values={
            "conclusion": concluded.to_dict(),
            "listeners": [
                {"listener": name, "adjusted_p_value": adjusted, "result": result.to_dict()}
                for name, result, adjusted in listeners
            ],
            "companions": [one.to_dict() for one in companions],
            "stopping": stopping.values,
        },
    )
