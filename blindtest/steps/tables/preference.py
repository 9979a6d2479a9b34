"""Tables of paired preferences: the claimed pair or every pair by exact sign tests, and strengths of all items."""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from blindtest.errors import BlindtestError, Fault
from blindtest.report import companion_lines
from blindtest.stats import (
    LongTable,
    PreferenceConclusion,
    PreferenceResult,
    Wanted,
    conclude_preference,
    fit_paired_preferences,
    preference_companions,
    preference_sign_tests,
)
from blindtest.steps.columns import columns, p_cell
from blindtest.steps.lines.preferred import preferred_lines, strength_lines
from blindtest.steps.tables.contract import Asked, TableAnalysis
from blindtest.steps.tables.our_pairs import our_pairs
from blindtest.steps.tables.reading import faults_in, named_pair, read, refuse_twice
from blindtest.steps.tables.stopped import missing_trials

__all__ = ["PAIR", "named_outcomes", "preference"]

WORDS = {
    "first": "first", "1": "first", "second": "second", "2": "second", "tie": "tie", "0": "tie", "equal": "tie",
    "none": "tie", "no preference": "tie", "no difference": "tie",
}  # fmt: skip
PAIR = (
    Wanted(name="first", also=("a", "item_1"), what="which item was heard first"),
    Wanted(name="second", also=("b", "item_2"), what="which item was heard second"),
    Wanted(
        name="outcome",
        also=("preferred", "choice", "answer", "response", "winner"),
        what="how a pair ended: first, second or tie, or the name of the preferred item",
        words=WORDS,
        other_words=True,
    ),
    Wanted(name="listener", also=("subject", "assessor", "who"), needed=False),
    Wanted(name="clip", also=("item", "programme"), needed=False),
    Wanted(name="trial", kind="label", needed=False),
    Wanted(name="sitting", kind="label", also=("session",), needed=False),
)

STOPPED = "A table says nothing about when it was stopped: p holds only if the number of pairs was fixed beforehand."


def preference(path: Path, asked: Asked) -> TableAnalysis:
    """Return what a table of paired preferences says."""
    if asked.margin is not None and not 0 < asked.margin < 0.5:
        raise BlindtestError(
            Fault(problem="not a margin", key="--margin", got=asked.margin, allowed="between 0 and .5, beyond one half")
        )
    table = our_pairs(path, asked) or named_outcomes(read(path, PAIR, asked))
    refuse_twice(table, ("trial", "listener", "sitting", "clip", "first", "second"), "pair")
    with faults_in(table):
        claimed = _claimed(table, asked)
        tests = preference_sign_tests(table.table, claimed=claimed if asked.one_sided else None, level=1 - asked.alpha)
    lines: list[str] = []
    values: dict[str, Any] = {
        "pairs": [_row({str(name): row[name] for name in tests.columns}) for _, row in tests.iterrows()],
        "preferred": None,
    }
    concluded = None
    if claimed is not None:
        concluded = _conclude(tests, claimed, asked, table)
        values["preferred"] = {"device": claimed[0], "comparator": claimed[1], "conclusion": concluded.to_dict()}
        lines += [f"{claimed[0]} over {claimed[1]}.", *preferred_lines(concluded)]
    if len(tests) > 1:
        lines += ["", *_pair_lines(tests)]
    strengths, why_not = _strengths(table, asked)
    values |= {"strengths": strengths.to_dict() if strengths else None, "why_no_strengths": why_not}
    lines += ["", *(strength_lines(strengths) if strengths else [f"No strengths: {why_not}."])]
    won, lost = (concluded.wins, concluded.losses) if concluded is not None else (0, 0)
    companions = preference_companions(table.table, wins=won, losses=lost, alpha=asked.alpha, margin=asked.margin)
    values["companions"] = [one.to_dict() for one in companions]
    lines += ["", *companion_lines(companions)]
    if asked.planned is None:
        lines += ["", STOPPED]
    return TableAnalysis(
        file=table.file,
        method="preference",
        understood=table.understood,
        lines=tuple(lines[1:] if lines[0] == "" else lines),
        values=values,
    )


def named_outcomes(table: LongTable) -> LongTable:
    """Return the table with every outcome as first, second or tie, where it named the preferred item.

    Raises
    ------
    BlindtestError
        An outcome that is none of the two items, or an item that is called like an answer.
    """
    rows = list(zip(*(table.table[name].tolist() for name in ("first", "second", "outcome")), strict=True))
    items = {str(item) for first, second, _ in rows for item in (first, second) if item is not None}
    if confused := sorted(item for item in items if item.casefold() in WORDS):
        raise BlindtestError(
            table.fault("an item is called like an answer", key="first", got=confused[0], remedy="rename the item")
        )
    outcomes: list[Any] = []
    faults = []
    for row, (first, second, outcome) in enumerate(rows):
        if first is not None and first == second:
            faults.append(table.fault("an item is compared with itself", row, key="second", got=second))
        elif outcome is None or outcome in WORDS.values():
            outcomes.append(outcome)
        elif outcome in (first, second):
            outcomes.append("first" if outcome == first else "second")
        else:
            faults.append(
                table.fault(
                    "the preferred item is none of the two", row, key="outcome", got=outcome,
                    allowed=f"{first}, {second}, first, second, tie, or nothing for a pair that was not answered",
                )
            )  # fmt: skip
    if faults:
        raise BlindtestError(*faults[:50])
    return replace(table, table=table.table.assign(outcome=outcomes))


def _claimed(table: LongTable, asked: Asked) -> tuple[str, str] | None:
    """Return the pair that a claim is about: as asked for, or the only two items there are."""
    items = sorted({*table.table["first"].dropna(), *table.table["second"].dropna()})
    if not (asked.device or asked.comparator) and len(items) != 2:
        if asked.margin is not None or asked.one_sided:
            named_pair(table, asked, items)
        return None
    return named_pair(table, asked, items)


def _conclude(tests: Any, claimed: tuple[str, str], asked: Asked, table: LongTable) -> PreferenceConclusion:
    for _, row in tests.iterrows():
        if {row["a"], row["b"]} == set(claimed):
            wins, losses = (row["n_a"], row["n_b"]) if row["a"] == claimed[0] else (row["n_b"], row["n_a"])
            answered = int(wins + losses + row["ties"])
            unanswered = int(row["unanswered"])
            return conclude_preference(
                int(wins),
                int(losses),
                int(row["ties"]),
                margin=asked.margin,
                alpha=asked.alpha,
                direction="claimed" if asked.one_sided else "two-sided",
                unanswered=unanswered + missing_trials(asked, answered + unanswered, file=table.file),
                by_listener=_by_listener(table.table, claimed),
            )
    raise BlindtestError(
        table.fault("these two were never compared with each other", key="first", got=" and ".join(claimed))
    )


def _by_listener(table: Any, claimed: tuple[str, str]) -> tuple[tuple[int, int], ...]:
    """Return (wins, losses) of the claimed one for each listener; () where the table names none, or not all of them."""
    if "listener" not in table:
        return ()
    found: dict[str, list[int]] = {}
    for row in table.to_dict("records"):
        if {row["first"], row["second"]} != set(claimed) or row["outcome"] not in ("first", "second"):
            continue
        if row["listener"] is None or row["listener"] != row["listener"]:
            return ()
        own = found.setdefault(str(row["listener"]), [0, 0])
        own[0 if row[row["outcome"]] == claimed[0] else 1] += 1
    return tuple((won, lost) for won, lost in found.values())


def _pair_lines(tests: Any) -> list[str]:
    rows = [
        (
            f"{row['a']} over {row['b']}", f"{row['n_a']} of {row['n_a'] + row['n_b']}", str(row["ties"]),
            f"{100 * row['ci_low']:.0f} to {100 * row['ci_high']:.0f} %", p_cell(row["p_value"]),
            p_cell(row["p_adjusted"]),
        )
        for _, row in tests.iterrows()
    ]  # fmt: skip
    return [columns(("pair", "preferred", "ties", "95 % interval", "p", "p (Holm)"), rows)]


def _strengths(table: LongTable, asked: Asked) -> tuple[PreferenceResult | None, str]:
    try:
        return fit_paired_preferences(table.table, level=1 - asked.alpha), ""
    except BlindtestError as error:
        return None, error.faults[0].problem


def _row(row: Mapping[str, Any]) -> dict[str, Any]:
    """Return a row as JSON can hold it."""
    plain = {str(name): value.item() if hasattr(value, "item") else value for name, value in row.items()}
    return {name: None if value != value else value for name, value in plain.items()}
