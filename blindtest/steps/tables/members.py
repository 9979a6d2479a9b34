"""The methods that tables can be analysed by, and the door to them."""

from dataclasses import fields
from pathlib import Path
from typing import Any

from blindtest.errors import Fault, WrongUse, did_you_mean
from blindtest.stats import DECISION_RULES
from blindtest.steps.tables.adjustment import adjustment
from blindtest.steps.tables.against_original import multi_stimulus, small_impairment
from blindtest.steps.tables.agreement import agree
from blindtest.steps.tables.choices import choices
from blindtest.steps.tables.contract import Asked, TableAnalysis, TableMethod
from blindtest.steps.tables.free_listening import free_listening
from blindtest.steps.tables.labels import labels
from blindtest.steps.tables.preference import preference
from blindtest.steps.tables.rating import rating
from blindtest.steps.tables.same_different import same_different
from blindtest.steps.tables.stages import stages
from blindtest.steps.tables.survival import survives
from blindtest.steps.tables.threshold import threshold
from blindtest.steps.tables.two_ac import two_ac

__all__ = ["TABLE_METHODS", "analyze_table"]

SAME_DIFFERENT = ("same-different", "same-different-independent")
TABLE_METHODS: dict[str, TableMethod] = {
    one.name: one
    for one in (
        *(
            TableMethod(
                name=name,
                reads="correct (or response and truth), listener, trial",
                analyse=choices,
                options=frozenset({"margin", "planned"}),
            )
            for name in DECISION_RULES
            if name not in SAME_DIFFERENT
        ),
        *(
            TableMethod(
                name=name,
                reads="pair (same or different), response (same or different), listener; or correct",
                analyse=same_different,
                options=frozenset({"margin", "planned"}),
            )
            for name in SAME_DIFFERENT
        ),
        TableMethod(
            name="2-ac",
            reads="first, second, outcome (first, second, none), listener, trial",
            analyse=two_ac,
            options=frozenset({"planned", "device", "comparator", "one_sided"}),
        ),
        TableMethod(
            name="preference",
            reads="first, second, outcome, listener, clip, trial",
            analyse=preference,
            options=frozenset({"margin", "planned", "device", "comparator", "one_sided"}),
        ),
        TableMethod(
            name="rating",
            reads="rating, listener, clip, device, mode, and any column that the formula names",
            analyse=rating,
            options=frozenset({"margin", "device", "comparator", "one_sided", "formula", "random", "df"}),
        ),
        TableMethod(
            name="multi-stimulus",
            reads="listener, clip, device (the hidden reference and the anchors among them), rating",
            analyse=multi_stimulus,
            options=frozenset({"margin", "device", "comparator", "one_sided"}),
        ),
        TableMethod(
            name="small-impairment",
            reads="listener, clip, trial, device (the hidden reference among them), rating",
            analyse=small_impairment,
        ),
        TableMethod(
            name="survival",
            reads="listener, clip, device, mode (labelled or blind), sitting, rating",
            analyse=survives,
            options=frozenset({"margin", "device", "comparator"}),
        ),
        TableMethod(
            name="labels",
            reads="listener, clip, sound (what was heard), label (what it was called), rating, sitting, trial",
            analyse=labels,
            options=frozenset({"margin", "device", "comparator"}),
        ),
        TableMethod(
            name="stages",
            reads="listener, clip, rating, and a column for each stage of the chain: on or off",
            analyse=stages,
            options=frozenset({"margin"}),
        ),
        TableMethod(
            name="free-listening",
            reads="track, order (A=heron|B=plover) or a column per slot, chosen, dwell, skipped_at_s, listener",
            analyse=free_listening,
            options=frozenset({"margin", "device", "comparator", "one_sided"}),
        ),
        TableMethod(
            name="threshold",
            reads="level, correct, trials (without it a row is one trial), listener",
            analyse=threshold,
            options=frozenset({"guess", "link", "lapse", "log_levels"}),
        ),
        TableMethod(
            name="adjustment",
            reads="setting (0 is the match), start, listener, trial",
            analyse=adjustment,
            options=frozenset({"margin"}),
        ),
        TableMethod(
            name="agreement",
            reads="listener, rating and what was rated (device, clip, target); or a row per target, a column per judge",
            analyse=agree,
        ),
    )
}
"""Adding one: a file, a line here, a test, a section of the guide's page on tables."""

_OF_PAIRS = "pairs that differ in one stage are analysed in the study that drew them: blindtest analyze DIR"
IN_A_STUDY = {
    "stage-pairs": _OF_PAIRS,
    "stage-pair": _OF_PAIRS,
    "attribution-pairs": _OF_PAIRS,
    "attribution": "ratings with stages on and off are --method stages",
}
"""What is said of words that a reader of the guide may try here."""

ALWAYS = frozenset({"method", "columns", "alpha"})


def analyze_table(path: Path, *, method: str, **asked: Any) -> TableAnalysis:
    """Return the statistics of anybody's table; what can be asked for is in `Asked`.

    Raises
    ------
    WrongUse
        No such method, or something asked for that it has no use for.
    BlindtestError
        Everything in the file that can't be read or contradicts itself, with row numbers.
    """
    if method not in TABLE_METHODS:
        raise WrongUse(
            Fault(
                problem="no such method",
                key="--method",
                got=method,
                allowed=", ".join(TABLE_METHODS),
                remedy=IN_A_STUDY.get(method) or did_you_mean(method, TABLE_METHODS),
            )
        )
    member, question = TABLE_METHODS[method], Asked(method=method, **asked)
    if not 0 < question.alpha < 0.5:
        raise WrongUse(Fault(problem="not a level", key="--alpha", got=question.alpha, allowed="above 0, below .5"))
    needless = [
        field.name
        for field in fields(Asked)
        if field.name not in ALWAYS | member.options and getattr(question, field.name) != _default(field)
    ]
    if needless:
        raise WrongUse(
            *(
                Fault(
                    problem=f"the method {method} has no use for this",
                    key=f"--{name.replace('_', '-')}",
                    allowed=", ".join(f"--{one.replace('_', '-')}" for one in sorted(member.options)) or "none",
                )
                for name in needless
            )
        )
    return member.analyse(path, question)


def _default(field: Any) -> Any:
    return field.default_factory() if callable(field.default_factory) else field.default
