"""Tables of ratings of any design: a mixed model of what varies, means, differences, and what ranks say."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from blindtest.errors import BlindtestError, Fault
from blindtest.report import companion_lines
from blindtest.stats import (
    Companion,
    ContrastConclusion,
    LinearMixedResult,
    LongTable,
    RatingModel,
    Wanted,
    conclude_contrast,
    detectable_difference,
    fit_linear_mixed,
    rating_companions,
    rating_model,
)
from blindtest.steps.columns import columns, p_cell
from blindtest.steps.tables.contract import Asked, TableAnalysis
from blindtest.steps.tables.reading import METHOD, faults_in, named_pair, of_ratings, read, refuse_twice

__all__ = ["rating"]

RATED = (
    Wanted(name="rating", kind="number", also=("response", "score", "grade"), what="the rating"),
    Wanted(name="listener", also=("subject", "assessor", "judge", "who"), needed=False),
    Wanted(name="clip", also=("item", "programme", "track"), needed=False),
    Wanted(name="device", also=("system", "product", "condition"), needed=False),
    Wanted(name="mode", also=("phase", "condition"), needed=False),
    Wanted(name="sitting", also=("session", "day"), needed=False),
    Wanted(name="trial", kind="label", needed=False),
)
DF_METHODS = ("satterthwaite", "kenward-roger")
MOST_CONTRASTS = 60
OTHER_PHASES = ("practice", "worn")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Contrasts:
    """Differences between the levels of what is tested."""

    factor: str
    by: tuple[str, ...]
    rows: Any


def rating(path: Path, asked: Asked) -> TableAnalysis:
    """Return what a table of ratings says about its devices, or about whatever the formula names."""
    if asked.df not in DF_METHODS:
        raise BlindtestError(
            Fault(problem="no such degrees of freedom", key="--df", got=asked.df, allowed=", ".join(DF_METHODS))
        )
    table = _compared(of_ratings(read(path, (*RATED, METHOD), asked, beside=None)))
    refuse_twice(table, ("trial", "listener", "sitting", "clip", "device", "mode", "attempt"), "rating")
    with faults_in(table):
        model = rating_model(table.table, formula=asked.formula, random=asked.random)
        fit = fit_linear_mixed(model.formula, table.table, random=model.random, df=asked.df, level=1 - asked.alpha)
    contrasts = _contrasts(fit, model)
    concluded = _concluded(table, fit, contrasts, asked)
    companions = rating_companions(fit, table.table, factor=contrasts.factor if contrasts else "", alpha=asked.alpha)
    lines = [model.sentence, *(f"Left out: {remark}." for remark in model.remarks), fit.sentence]
    if concluded is not None:
        device, comparator, conclusion = concluded
        reached = detectable_difference(
            std_error=conclusion.std_error, df=conclusion.df, alpha=asked.alpha, two_sided=not asked.one_sided
        )
        lines += [
            "",
            f"{device} over {comparator}.",
            f"Result: {conclusion.sentence}",
            f"A table like this would have shown, with probability 0.8, a difference of {reached:.3g}; smaller ones "
            "were more likely to be missed.",
        ]
    lines += _table_lines(fit, model, contrasts)
    lines += ["", _shares(fit), *companion_lines(companions)]
    return TableAnalysis(
        file=table.file,
        method="rating",
        understood=table.understood,
        lines=tuple(lines),
        values=_values(model, fit, contrasts, concluded, companions),
    )


def _compared(table: LongTable) -> LongTable:
    """Leave out ratings of practice, and of worn devices, which are another phase and never compared."""
    if not table.has("mode"):
        return table
    other = [isinstance(mode, str) and mode.casefold() in OTHER_PHASES for mode in table.table["mode"]]
    return table.only([not one for one in other], f"of another phase ({' or '.join(OTHER_PHASES)})")


def _contrasts(fit: LinearMixedResult, model: RatingModel) -> _Contrasts | None:
    factors = [name for name in model.factors if len(fit.fit.model.factors.get(name, ())) > 1]
    if not factors:
        return None
    crossed = [name for name in factors[1:] if any(name in term.split(":") and ":" in term for term in _terms(fit))]
    rows = fit.contrast(factors[0], by=crossed, adjust="tukey")
    return _Contrasts(factor=factors[0], by=tuple(crossed), rows=rows)


def _terms(fit: LinearMixedResult) -> Sequence[str]:
    return [str(name) for name in fit.tests().index]


def _concluded(
    table: LongTable, fit: LinearMixedResult, contrasts: _Contrasts | None, asked: Asked
) -> tuple[str, str, ContrastConclusion] | None:
    """Return the claimed pair, averaged over all else, with its conclusion: as asked for, or the only two there are."""
    if contrasts is None:
        return None
    levels = [str(level) for level in fit.fit.model.factors[contrasts.factor]]
    if not (asked.device or asked.comparator) and len(levels) != 2:
        if asked.margin is not None or asked.one_sided:
            named_pair(table, asked, levels)
        return None
    device, comparator = named_pair(table, asked, levels)
    pairs = fit.contrast(contrasts.factor, adjust="none")
    for row in pairs.to_dict("records"):
        if row["contrast"] in (f"{device} - {comparator}", f"{comparator} - {device}"):
            sign = 1 if row["contrast"] == f"{device} - {comparator}" else -1
            return (
                device,
                comparator,
                conclude_contrast(
                    sign * row["estimate"],
                    row["std_error"],
                    row["df"],
                    margin=asked.margin,
                    alpha=asked.alpha,
                    direction="claimed" if asked.one_sided else "two-sided",
                ),
            )
    return None


def _shares(fit: LinearMixedResult) -> str:
    """Return how the variance of one rating is shared out, or that slopes leave no such shares."""
    try:
        return fit.intraclass_shares().sentence
    except BlindtestError as error:
        return f"No shares of variance: {error.faults[0].problem}."


def _table_lines(fit: LinearMixedResult, model: RatingModel, contrasts: _Contrasts | None) -> list[str]:
    lines = ["", _tests(fit)]
    if contrasts is not None:
        names = [contrasts.factor, *contrasts.by]
        lines += ["", _means(fit, names), ""]
        if len(contrasts.rows) <= MOST_CONTRASTS:
            lines.append(_differences(contrasts))
    return lines


def _tests(fit: LinearMixedResult) -> str:
    rows = [
        (str(term), f"{row['statistic']:.2f}", f"{row['numerator_df']:g}", f"{row['denominator_df']:.1f}",
         p_cell(row["p_value"]))
        for term, row in fit.tests().iterrows()
    ]  # fmt: skip
    return columns(("tested", "F", "df", "of", "p"), rows)


def _means(fit: LinearMixedResult, names: Sequence[str]) -> str:
    rows = [
        (*(str(row[name]) for name in names), f"{row['estimate']:.1f}", f"{row['ci_low']:.1f} to {row['ci_high']:.1f}")
        for _, row in fit.means(names).iterrows()
    ]
    return columns((*names, "mean", f"{100 * fit.level:g} % interval"), rows)


def _differences(contrasts: _Contrasts) -> str:
    rows = [
        (
            str(row["contrast"]), *(str(row[name]) for name in contrasts.by), f"{row['estimate']:+.1f}",
            f"{row['ci_low']:+.1f} to {row['ci_high']:+.1f}", f"{row['df']:.1f}", p_cell(row["p_value"]),
        )
        for _, row in contrasts.rows.iterrows()
    ]  # fmt: skip
    return columns(("difference", *contrasts.by, "estimate", "interval", "df", "p (Tukey)"), rows)


def _values(
    model: RatingModel,
    fit: LinearMixedResult,
    contrasts: _Contrasts | None,
    concluded: tuple[str, str, ContrastConclusion] | None,
    companions: Sequence[Companion],
) -> dict[str, Any]:
    return {
        "model": model.to_dict(),
        "fit": fit.to_dict(),
        "tests": _rows(fit.tests().reset_index()),
        "means": _rows(fit.means([contrasts.factor, *contrasts.by])) if contrasts else [],
        "contrasts": _rows(contrasts.rows) if contrasts else [],
        "claim": None
        if concluded is None
        else {"device": concluded[0], "comparator": concluded[1], "conclusion": concluded[2].to_dict()},
        "companions": [one.to_dict() for one in companions],
    }


def _rows(frame: Any) -> list[dict[str, Any]]:
    """Return rows as JSON can hold them."""
    found = []
    for _, row in frame.iterrows():
        plain = {str(name): value.item() if hasattr(value, "item") else value for name, value in row.items()}
        found.append({name: _number(value) for name, value in plain.items()})
    return found


def _number(value: Any) -> Any:
    return None if isinstance(value, float) and (value != value or abs(value) == float("inf")) else value
