"""A long table of scores, one row a rating: columns checked, names as text, the score a number.

What the rank-based analyses and the panel's figures have in common is how they read a table; which column is what is
told by the caller, since tables come from anywhere.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.nouns import number_of
from blindtest.stats.cell import holds_nothing

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["Blocks", "Scores", "checked_columns", "checked_number", "complete_blocks", "read_scores"]

Floats = NDArray[np.float64]
SEPARATOR = ":"
"""Between the names of a product of columns: "clip1:A"."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scores:
    """Rows of a table that hold a score."""

    frame: "DataFrame"
    """The named columns as text, and `score` as float; the index is the row's number in the table, from 1."""
    without_score: int
    """Rows without one, left out."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Blocks:
    """One mean score per block and treatment, complete blocks only."""

    values: Floats
    """(blocks, treatments)"""
    blocks: tuple[str, ...]
    treatments: tuple[str, ...]
    left_out: tuple[str, ...]
    """Blocks without a score for every treatment."""
    averaged: int
    """Largest number of rows averaged in one cell."""
    without_score: int

    @property
    def remarks(self) -> tuple[str, ...]:
        """What a reader must know about the rows that went in."""
        said = []
        if self.left_out:
            said.append(f"Left out, not scored everywhere: {', '.join(self.left_out)}.")
        if self.averaged > 1:
            said.append(f"Up to {self.averaged} scores of a cell (clips, repeats) were averaged.")
        if self.without_score:
            said.append(f"{number_of(self.without_score, 'row holds', 'rows hold')} no score.")
        return tuple(said)


def checked_columns(table: "DataFrame", names: Sequence[str], what: str) -> None:
    """Raise a fault for every name that is no column of the table."""
    known = [str(column) for column in table.columns]
    faults = [
        Fault(
            problem=f"the table of {what} has no such column",
            key=name,
            got=", ".join(known),
            remedy=did_you_mean(name, known) or "name the column that holds it",
        )
        for name in names
        if name not in known
    ]
    if faults:
        raise BlindtestError(*faults)


def read_scores(table: "DataFrame", *, keys: Sequence[str], value: str) -> Scores:
    """Return the rows that hold a score, with their names in `keys`.

    Raises
    ------
    BlindtestError
        A column that is not there, a row that does not say one of `keys`, a score that is no finite number, no score.
    """
    import pandas as pd

    checked_columns(table, [*keys, value], "scores")
    faults: list[Fault] = []
    rows: list[tuple[Any, ...]] = []
    numbers: list[int] = []
    without = 0
    columns = [table[name].tolist() for name in (*keys, value)]
    for number, cells in enumerate(zip(*columns, strict=True), start=1):
        score = cells[-1]
        if holds_nothing(score):
            without += 1
            continue
        unsaid = [key for key, cell in zip(keys, cells, strict=False) if holds_nothing(cell)]
        faults += [Fault(problem="the row does not say this", line=number, key=key) for key in unsaid]
        found = checked_number(score, line=number, key=value)
        if isinstance(found, Fault):
            faults.append(found)
        elif not unsaid:
            rows.append((*map(str, cells[:-1]), found))
            numbers.append(number)
    if faults:
        raise BlindtestError.of(faults)
    if not rows:
        raise BlindtestError(Fault(problem="the table holds no score", key=value, remedy="collect ratings first"))
    frame = pd.DataFrame(rows, columns=[*keys, "score"], index=pd.Index(numbers, name="row"))
    return Scores(frame=frame, without_score=without)


def checked_number(value: Any, *, line: int | None, key: str) -> "float | Fault":
    """Return the value as a number, or the fault that it is none."""
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = float("nan")
    if not isfinite(number) or isinstance(value, (bool, str)):
        return Fault(problem="not a number", line=line, key=key, got=value, allowed="a finite number")
    return number


def complete_blocks(scores: Scores, *, block: Sequence[str], treatment: Sequence[str]) -> Blocks:
    """Return one mean score per block and treatment; blocks that lack a treatment are left out by name.

    Raises
    ------
    BlindtestError
        Fewer than two treatments, or no complete block.
    """
    frame = scores.frame
    # Joined as lists: pandas would make a Series of every row.
    named = frame.assign(
        _block=[SEPARATOR.join(names) for names in zip(*(frame[key] for key in block), strict=True)],
        _treatment=[SEPARATOR.join(names) for names in zip(*(frame[key] for key in treatment), strict=True)],
    )
    cells = named.groupby(["_block", "_treatment"])["score"].agg(["mean", "count"])
    wide = cells["mean"].unstack("_treatment").sort_index()
    complete = wide.dropna()
    treatments = tuple(str(name) for name in wide.columns)
    if len(treatments) < 2:
        raise BlindtestError(
            Fault(
                problem="there is nothing to compare",
                key=SEPARATOR.join(treatment),
                got=", ".join(treatments),
                allowed="two or more levels",
            )
        )
    if complete.empty:
        raise BlindtestError(
            Fault(
                problem=f"no {SEPARATOR.join(block)} was scored on every {SEPARATOR.join(treatment)}",
                key=SEPARATOR.join(block),
                got=f"{len(wide)} blocks, {len(treatments)} levels",
                remedy="compare fewer levels, or use a mixed model, which takes incomplete tables",
            )
        )
    return Blocks(
        values=complete.to_numpy(dtype=np.float64),
        blocks=tuple(str(name) for name in complete.index),
        treatments=treatments,
        left_out=tuple(str(name) for name in wide.index.difference(complete.index)),
        averaged=int(cells["count"].max()),
        without_score=scores.without_score,
    )
