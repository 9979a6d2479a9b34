"""Tables of ratings with and without names: does what was heard with them survive?"""

from dataclasses import replace
from pathlib import Path

from blindtest.errors import BlindtestError, Fault
from blindtest.stats import Wanted, survival
from blindtest.steps.lines.rated import rated_lines
from blindtest.steps.tables.contract import Asked, TableAnalysis
from blindtest.steps.tables.reading import METHOD, faults_in, named_pair, of_ratings, read

__all__ = ["survives"]

MODES = {
    "labelled": "labelled", "labeled": "labelled", "sighted": "labelled", "named": "labelled", "blind": "blind",
    "worn": "worn", "practice": "practice",
}  # fmt: skip
RATED = (
    Wanted(name="listener", also=("subject", "assessor", "who"), what="who rated"),
    Wanted(name="clip", also=("item", "programme", "track"), what="on which clip"),
    Wanted(name="device", also=("condition", "system", "product"), what="what was rated"),
    Wanted(
        name="mode", also=("phase", "label", "condition"), words=MODES, what="whether names were shown"
    ),
    Wanted(name="sitting", kind="label", also=("session", "day"), needed=False),
    Wanted(name="rating", kind="number", also=("response", "score", "grade"), what="the rating"),
    Wanted(name="trial", kind="label", needed=False),
    Wanted(name="repeat", kind="label", also=("rep", "replicate"), needed=False),
)  # fmt: skip
DEFAULT_MARGIN = 8.0


def survives(path: Path, asked: Asked) -> TableAnalysis:
    """Return the verdict about labelled and blind ratings."""
    if asked.margin is not None and not 0 < asked.margin < 100:
        raise BlindtestError(
            Fault(problem="not a margin", key="--margin", got=asked.margin, allowed="points of the scale, above 0")
        )
    table = of_ratings(read(path, (*RATED, METHOD), asked))
    if not table.has("sitting"):
        table = replace(
            table,
            table=table.table.assign(sitting=table.table["mode"]),
            understood=(*table.understood, "nothing says in which sitting: all ratings of a mode are taken as of one"),
        )
    device, comparator = named_pair(table, asked, sorted(set(table.table["device"].dropna())))
    margin = DEFAULT_MARGIN if asked.margin is None else asked.margin
    with faults_in(table):
        result = survival(table.table, device=device, comparator=comparator, margin=margin, alpha=asked.alpha)
    lines = [f"{device} over {comparator}.", *rated_lines(result, ())]
    if asked.margin is None:
        lines.append(
            f"The margin of {margin:g} points is a default; name the one that was fixed beforehand (--margin)."
        )
    return TableAnalysis(
        file=table.file,
        method="survival",
        understood=table.understood,
        lines=(*lines, *(f"Note: {remark}." for remark in result.remarks)),
        values={"survival": result.to_dict()},
    )
