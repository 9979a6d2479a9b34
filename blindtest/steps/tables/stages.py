"""Tables of ratings of a chain whose stages were switched on and off: which of them does it?"""

from pathlib import Path

from blindtest.errors import BlindtestError, Fault
from blindtest.stats import Wanted, attribution
from blindtest.steps.columns import columns, p_cell
from blindtest.steps.tables.contract import Asked, TableAnalysis
from blindtest.steps.tables.reading import faults_in, read

__all__ = ["stages"]

RATED = (
    Wanted(name="listener", also=("subject", "assessor", "who"), what="who rated"),
    Wanted(name="clip", also=("item", "programme", "track"), what="on which clip"),
    Wanted(name="rating", kind="number", also=("response", "score", "grade"), what="the rating"),
    Wanted(name="sitting", kind="label", also=("session", "day"), needed=False),
    Wanted(name="trial", kind="label", needed=False),
)
DEFAULT_MARGIN = 8.0


def stages(path: Path, asked: Asked) -> TableAnalysis:
    """Return what each stage changes in ratings; every other column that only says on or off is one."""
    if asked.margin is not None and not 0 < asked.margin < 100:
        raise BlindtestError(
            Fault(problem="not a margin", key="--margin", got=asked.margin, allowed="points of the scale, above 0")
        )
    table = read(path, RATED, asked, beside=None)
    margin = DEFAULT_MARGIN if asked.margin is None else asked.margin
    with faults_in(table):
        result = attribution(table.table, margin=margin, alpha=asked.alpha)
    rows = [
        (
            one.name,
            one.word,
            f"{one.effect.estimate:+.1f}",
            f"{one.effect.interval[0]:+.1f} to {one.effect.interval[1]:+.1f}",
            p_cell(one.p_value),
            p_cell(one.adjusted_p_value),
        )
        for one in (*result.stages, *result.interactions)
    ]
    lines = [
        f"Result: {result.sentence}",
        "",
        columns(("stage", "word", "points", "95 % interval", "p", "p (Holm)"), rows),
    ]
    if result.interactions:
        lines.append("Products of two stages are looked at and never part of a claim.")
    if asked.margin is None:
        lines.append(
            f"The margin of {margin:g} points is a default; name the one that was fixed beforehand (--margin)."
        )
    return TableAnalysis(
        file=table.file,
        method="stages",
        understood=table.understood,
        lines=(*lines, *(f"Note: {remark}." for remark in result.remarks)),
        values={"attribution": result.to_dict()},
    )
