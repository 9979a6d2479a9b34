"""Tables of ratings against an original: the standards' own analysis, with and without whom they leave out afterwards.

Multi-stimulus (after ITU-R BS.1534-3): medians and hinges of every condition on every item, the rules of post-screening
and, of one pair, the permutation test of medians and t limits of the means. Small impairments (after ITU-R BS.1116-3):
difference grades, their means with t intervals, and the one-sided t test of each listener.

Which condition is the hidden reference, and which the mid anchor, is read off their names, or off the column `order` of
our own tables, in which the open reference stands too.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from math import isfinite, nan
from pathlib import Path
from typing import Any

from blindtest.errors import BlindtestError
from blindtest.stats import (
    ConditionSummary,
    ContrastConclusion,
    LongTable,
    MeanDifferenceGrade,
    MedianDifference,
    ScreeningResult,
    Wanted,
    bs_1116_rules,
    bs_1534_rules,
    conclude_contrast,
    difference_grades,
    mean_difference_grades,
    median_difference_test,
    screen_listeners,
    summarise_conditions,
    with_and_without,
)
from blindtest.steps.columns import columns, p_cell
from blindtest.steps.tables.contract import Asked, TableAnalysis
from blindtest.steps.tables.reading import faults_in, named_pair, read, refuse_twice

__all__ = ["multi_stimulus", "small_impairment"]

WANTED = (
    Wanted(name="listener", also=("subject", "assessor", "judge", "who"), what="who rated"),
    Wanted(name="device", also=("condition", "system", "product", "object"), what="what was rated"),
    Wanted(name="clip", also=("item", "programme", "track"), what="on which item"),
    # Text at first: rows of other methods, which are left out, may hold answers in words.
    Wanted(name="rating", also=("response", "score", "grade"), what="the rating"),
    Wanted(name="method", needed=False),
    Wanted(name="phase", needed=False),
    Wanted(name="order", needed=False),
    Wanted(name="sitting", also=("session", "day"), needed=False),
    Wanted(name="trial", kind="label", needed=False),
)
REFERENCES = ("reference", "hidden reference", "ref", "original")
LOW_ANCHORS = ("low anchor", "anchor low", "low", "low range anchor")
MID_ANCHORS = ("mid anchor", "anchor mid", "mid", "mid range anchor")
OPEN_SLOTS = {"multi-stimulus": "R", "small-impairment": "A"}
PRACTICE = "practice"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pair:
    """What is said of two conditions: medians first, then means."""

    device: str
    comparator: str
    medians: MedianDifference
    means: ContrastConclusion | None

    @property
    def sentence(self) -> str:
        return f"{self.medians.sentence} Means: {self.means.sentence if self.means else 'one listener, no test.'}"

    def to_dict(self) -> dict[str, Any]:
        return {
            "device": self.device,
            "comparator": self.comparator,
            "medians": self.medians.to_dict(),
            "means": self.means.to_dict() if self.means else None,
        }


def multi_stimulus(path: Path, asked: Asked) -> TableAnalysis:
    """Return medians, screening and the claimed pair of a table of ratings from 0 to 100."""
    table = _counted(read(path, WANTED, asked), "multi-stimulus")
    frame = table.table
    names = sorted({str(name) for name in frame["device"].dropna()})
    reference, mid = _reference(table, names, "multi-stimulus"), _named(names, MID_ANCHORS)
    with faults_in(table):
        screening = _screened(frame, reference, mid)
        summary: Any = summarise_conditions(frame, level=1 - asked.alpha)
        known = (reference, mid, _named(names, LOW_ANCHORS))
        pair = _claimed(table, asked, [name for name in names if name not in known])
        tested: Any = _of_pair(frame, pair, asked) if pair else None
        if screening is not None:
            summary = with_and_without(lambda rows: summarise_conditions(rows, level=1 - asked.alpha), frame, screening)
            if pair:
                tested = with_and_without(lambda rows: _of_pair(rows, pair, asked), frame, screening)
    everybody: ConditionSummary = summary.everybody if screening is not None else summary
    lines = [_references(reference, mid), f"Result: {summary.sentence}", "", _cells(everybody)]
    lines += ["", screening.sentence if screening else "Nobody is screened: no condition is called the reference."]
    if tested is not None and pair:
        lines += ["", f"{pair[0]} over {pair[1]}, one mean per listener.", tested.sentence]
    return TableAnalysis(
        file=table.file,
        method="multi-stimulus",
        understood=table.understood,
        lines=tuple(lines),
        values={
            "reference": reference,
            "mid_anchor": mid,
            "summary": summary.to_dict(),
            "screening": screening.to_dict() if screening else None,
            "claim": tested.to_dict() if tested is not None else None,
        },
    )


def small_impairment(path: Path, asked: Asked) -> TableAnalysis:
    """Return the difference grades of a table of grades from 5.0 to 1.0, a row per grade."""
    table = _counted(read(path, WANTED, asked), "small-impairment")
    frame = table.table
    names = sorted({str(name) for name in frame["device"].dropna()})
    reference = _reference(table, names, "small-impairment")
    if not reference:
        raise BlindtestError(
            table.fault(
                "which condition is the hidden reference?",
                key="device",
                got=", ".join(names),
                allowed=", ".join(REFERENCES),
                remedy="call it so in the table",
            )
        )
    keys = [name for name in ("listener", "sitting", "trial") if table.has(name)]
    trial = keys if "trial" in keys else [*keys, "clip"]
    with faults_in(table):
        grades = difference_grades(frame, reference=reference, trial=trial)
        grades["item"] = grades["device"]
        screening = screen_listeners(grades, bs_1116_rules())
        means = with_and_without(_Means.of(1 - asked.alpha), grades, screening)
    everybody = means.everybody.objects
    lines = [
        f"Hidden reference: {reference}. A difference grade is the object's grade less the reference's.",
        f"Result: {means.sentence}",
        "",
        _objects(everybody),
        "",
        screening.sentence,
    ]
    return TableAnalysis(
        file=table.file,
        method="small-impairment",
        understood=table.understood,
        lines=tuple(lines),
        values={"reference": reference, "grades": means.to_dict(), "screening": screening.to_dict()},
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Means:
    """Mean difference grades of all objects."""

    objects: tuple[MeanDifferenceGrade, ...]

    @staticmethod
    def of(level: float) -> Callable[[Any], "_Means"]:
        return lambda grades: _Means(objects=mean_difference_grades(grades, level=level))

    @property
    def sentence(self) -> str:
        return " ".join(one.sentence for one in self.objects)

    def to_dict(self) -> dict[str, Any]:
        return {"objects": [one.to_dict() for one in self.objects]}


def _counted(table: LongTable, method: str) -> LongTable:
    """Return the rows of this method that count: training is never used (BS.1534-3, 5.2)."""
    if table.has("method"):
        methods = table.table["method"].tolist()
        others = sorted({str(one) for one in methods if one not in (None, method)})
        table = table.only([one in (None, method) for one in methods], f"of the method {', '.join(others)}")
    if table.has("phase"):
        table = table.only([one != PRACTICE for one in table.table["phase"].tolist()], "training, never counted")
    refuse_twice(table, ("trial", "listener", "sitting", "clip", "device"), "rating")
    return _with_numbers(table)


def _with_numbers(table: LongTable) -> LongTable:
    """Return the table with its ratings as numbers.

    Raises
    ------
    BlindtestError
        A rating that is none, with its line.
    """
    numbers: list[Any] = []
    faults = []
    for row, cell in enumerate(table.table["rating"].tolist()):
        try:
            # A decimal comma: in a cell there is nothing else for a comma to be.
            number = None if cell is None or cell != cell else float(str(cell).replace(",", "."))
        except ValueError:
            number = nan
        if number is not None and not isfinite(number):
            allowed = "a finite number"
            faults.append(table.fault("can't be read", row, key="rating", got=cell, allowed=allowed))
        numbers.append(number)
    if faults:
        raise BlindtestError(*faults[:50])
    return replace(table, table=table.table.assign(rating=numbers).astype({"rating": float}))


def _reference(table: LongTable, names: list[str], method: str) -> str:
    """Return what the hidden reference is called; '' where nothing says so."""
    if table.has("order"):
        slot = OPEN_SLOTS[method]
        opened = {
            held.partition("=")[2]
            for order in table.table["order"].dropna()
            for held in str(order).split("|")
            if held.partition("=")[0] == slot
        }
        if len(opened) == 1 and opened <= set(names):
            return opened.pop()
    return _named(names, REFERENCES)


def _named(names: list[str], wanted: tuple[str, ...]) -> str:
    plain = {re.sub(r"[^a-z0-9]+", " ", name.lower()).strip(): name for name in names}
    return next((plain[one] for one in wanted if one in plain), "")


def _screened(frame: Any, reference: str, mid: str) -> ScreeningResult | None:
    rules = bs_1534_rules(reference=reference, mid_anchor=mid)
    held = [rule for rule in rules if rule.condition]
    return screen_listeners(frame, held) if held else None


def _claimed(table: LongTable, asked: Asked, systems: list[str]) -> tuple[str, str] | None:
    """Return the pair asked for, or the only two systems; None where there are others and none is named."""
    if not (asked.device or asked.comparator):
        if len(systems) != 2 and (asked.margin is not None or asked.one_sided):
            return named_pair(table, asked, systems)
        return (systems[0], systems[1]) if len(systems) == 2 else None
    known = sorted({str(name) for name in table.table["device"].dropna()})
    return named_pair(table, asked, known)


def _of_pair(frame: Any, pair: tuple[str, str], asked: Asked) -> _Pair:
    device, comparator = pair
    own = frame[frame["device"].isin(pair) & frame["rating"].notna()]
    means = own.pivot_table(index="listener", columns="device", values="rating", aggfunc="mean").dropna()
    differences = means[device] - means[comparator]
    concluded = None
    if len(differences) > 1:
        concluded = conclude_contrast(
            float(differences.mean()),
            float(differences.sem()),
            float(len(differences) - 1),
            margin=asked.margin,
            alpha=asked.alpha,
            direction="claimed" if asked.one_sided else "two-sided",
        )
    return _Pair(
        device=device,
        comparator=comparator,
        medians=median_difference_test(
            means[device].to_numpy(),
            means[comparator].to_numpy(),
            paired=True,
            alternative="greater" if asked.one_sided else "two-sided",
        ),
        means=concluded,
    )


def _references(reference: str, mid: str) -> str:
    said = f"Hidden reference: {reference}." if reference else "No condition is called the reference."
    return f"{said} Mid anchor: {mid}." if mid else f"{said} No condition is called the mid anchor."


def _cells(summary: ConditionSummary) -> str:
    rows = [
        (
            str(row["condition"]), str(row["item"]), str(row["n"]),
            *(f"{row[name]:g}" for name in ("median", "q1", "q3")),
            f"{row['mean']:.1f}", "-" if row["n"] < 2 else f"{row['ci_low']:.1f} to {row['ci_high']:.1f}",
            str(row["outliers"]),
        )
        for row in summary.table.to_dict("records")
    ]  # fmt: skip
    interval = f"{100 * summary.level:g} % interval"
    return columns(("condition", "item", "n", "median", "q1", "q3", "mean", interval, "outliers"), rows)


def _objects(objects: tuple[MeanDifferenceGrade, ...]) -> str:
    rows = [
        (
            one.condition,
            f"{one.mean:+.2f}",
            "-" if one.interval[0] != one.interval[0] else f"{one.interval[0]:+.2f} to {one.interval[1]:+.2f}",
            str(one.df),
            "-" if one.p_value != one.p_value else p_cell(one.p_value),
            str(one.listeners),
            str(one.trials),
            str(one.confused),
        )
        for one in objects
    ]
    return columns(("object", "mean", "interval", "df", "p", "listeners", "trials", "above"), rows)
