"""Tables of ratings under labels that may be wrong: what is the name worth, and what the sound?"""

from pathlib import Path

from blindtest.errors import BlindtestError, Fault
from blindtest.stats import Wanted, label_effect
from blindtest.steps.tables.contract import Asked, TableAnalysis
from blindtest.steps.tables.reading import faults_in, named_pair, read, refuse_twice

__all__ = ["labels"]

RATED = (
    Wanted(name="listener", also=("subject", "assessor", "who"), what="who rated"),
    Wanted(name="clip", also=("item", "programme", "track"), what="on which clip"),
    Wanted(name="sound", also=("condition", "device", "truth"), what="what was heard"),
    Wanted(name="label", also=("name", "shown"), what="what it was called"),
    Wanted(name="rating", kind="number", also=("response", "score", "grade"), what="the rating"),
    Wanted(name="sitting", kind="label", also=("session", "day"), needed=False),
    Wanted(name="trial", kind="label", needed=False),
    Wanted(name="phase", also=("mode",), needed=False),
)
PHASE = "unreliable"
"""What our own trial tables call the phase whose names may be wrong."""
DEFAULT_MARGIN = 8.0


def labels(path: Path, asked: Asked) -> TableAnalysis:
    """Return what name and sound are worth in ratings whose labels were right on a random half."""
    if asked.margin is not None and not 0 < asked.margin < 100:
        raise BlindtestError(
            Fault(problem="not a margin", key="--margin", got=asked.margin, allowed="points of the scale, above 0")
        )
    table = read(path, RATED, asked)
    if table.has("phase"):
        own = [str(phase).casefold() == PHASE for phase in table.table["phase"]]
        table = table.only(own, "of another phase (practice, recognition)") if any(own) else table
    refuse_twice(table, ("trial", "listener", "sitting", "clip", "sound", "label"), "rating")
    known = sorted(set(table.table["sound"].dropna()) | set(table.table["label"].dropna()))
    device, comparator = named_pair(table, asked, known)
    margin = DEFAULT_MARGIN if asked.margin is None else asked.margin
    with faults_in(table):
        result = label_effect(table.table, device=device, comparator=comparator, margin=margin, alpha=asked.alpha)
    lines = [f"{device} over {comparator}.", f"Result: {result.sentence}"]
    for what, effect in (
        ("the name", result.label),
        ("the sound", result.sound),
        ("what the name changes in the sound's effect", result.together),
    ):
        low, high = effect.interval
        lines.append(f"{what[0].upper()}{what[1:]}: {effect.estimate:+.1f} points ({low:+.1f} to {high:+.1f}).")
    lines.append(
        f"Dealing the right labels anew, p = {result.exact_p_value:.3g} for the name (two-sided, {result.draws} deals; "
        "it assumes nothing about scatter)."
    )
    if asked.margin is None:
        lines.append(
            f"The margin of {margin:g} points is a default; name the one that was fixed beforehand (--margin)."
        )
    return TableAnalysis(
        file=table.file,
        method="labels",
        understood=table.understood,
        lines=(*lines, *(f"Note: {remark}." for remark in result.remarks)),
        values={"label_effect": result.to_dict()},
    )
