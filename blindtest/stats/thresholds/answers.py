"""Answers at levels: columns level, correct, trials, as they were counted; or one row a trial, without trials."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault, did_you_mean

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["LevelCounts", "read_levels"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LevelCounts:
    """Right answers at each distinct level, ascending; rows of the same level are added up."""

    level: Floats
    correct: Floats
    trials: Floats


def read_levels(table: "DataFrame") -> LevelCounts:
    """Return the counts of a table.

    Parameters
    ----------
    table : columns level (a finite number, on the scale on which the curve is to be fitted), correct, trials (counts);
        without a column trials every row is one trial, correct 0/1 or true/false

    Raises
    ------
    BlindtestError
        A missing column, or rows that are no counts at a level, each with its row number (from 1).
    """
    needed = [name for name in ("level", "correct") if name not in table]
    if needed:
        raise BlindtestError(
            *(
                Fault(
                    problem=f"the table has no column {name!r}",
                    got=", ".join(map(str, table.columns)),
                    remedy=did_you_mean(name, map(str, table.columns)) or "rename the one that holds it",
                )
                for name in needed
            )
        )
    counted = table["trials"] if "trials" in table else [1] * len(table)
    rows, faults = [], []
    for number, (level, correct, trials) in enumerate(
        zip(table["level"], table["correct"], counted, strict=True), start=1
    ):
        x, k, n = _number(level), _number(correct), _number(trials)
        if not np.isfinite(x):
            faults.append(_fault(number, "level", "no level", level, "a finite number; take logarithms of levels > 0"))
        elif not (n >= 0 and n.is_integer()):
            faults.append(_fault(number, "trials", "no number of trials", trials, "0, 1, 2 ..."))
        elif not (k.is_integer() and 0 <= k <= n):
            faults.append(_fault(number, "correct", "no count of right answers", correct, f"0 ... {n:g}"))
        elif n > 0:
            rows.append((x, k, n))
    if faults:
        raise BlindtestError(*faults)
    if not rows:
        raise BlindtestError(Fault(problem="the table has no trial", got=f"{len(table)} rows", key="trials"))
    levels, where = np.unique([x for x, _, _ in rows], return_inverse=True)
    return LevelCounts(
        level=levels,
        correct=np.bincount(where, weights=[k for _, k, _ in rows]).astype(np.float64),
        trials=np.bincount(where, weights=[n for _, _, n in rows]).astype(np.float64),
    )


def _number(cell: Any) -> float:
    try:
        return float(cell)
    except (TypeError, ValueError):
        return float("nan")


def _fault(row: int, key: str, problem: str, got: Any, allowed: str) -> Fault:
    return Fault(problem=problem, line=row, key=key, got=str(got), allowed=allowed)
