"""The table of ratings that anybody may bring, read and checked row by row; `ratings.py` says what is made of it.

Columns: listener, clip, device, mode ("labelled" or "blind"), sitting, rating; one row a rating. Rows of another
device are other stimuli of the same pages (anchors among them). Rows of the mode "worn" or "practice" are another
phase and are counted, not used; so are rows without a rating. Several rows of one listener, clip, device, mode and
sitting are repeats.

Which phase a listener had first stands in an optional column `order` ("blind-first" or "labelled-first"); without it,
sittings that are all whole numbers are taken in their order, if no number stands in both modes.
"""

from math import isfinite
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.stats.cell import holds_nothing
from blindtest.stats.phase_order import orders_of_sittings, stated_orders
from blindtest.stats.ratings import MODES, Ratings

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["read_ratings"]

COLUMNS = ("listener", "clip", "device", "mode", "sitting", "rating")
OTHER_PHASES = ("worn", "practice")


def read_ratings(table: "DataFrame") -> Ratings:
    """Return the usable rows of a table of ratings.

    Raises
    ------
    BlindtestError
        A column that is not there, a row that does not say who, what or when, a mode of another name, a rating that is
        no number; one trial of a column `trial` or `repeat` that stands there twice.
    """
    missing = [name for name in COLUMNS if name not in table]
    if missing:
        known = [str(column) for column in table.columns]
        raise BlindtestError(
            *(
                Fault(
                    problem="the table of ratings has no such column",
                    key=name,
                    got=", ".join(known),
                    allowed="columns " + ", ".join(COLUMNS),
                    remedy=did_you_mean(name, known),
                )
                for name in missing
            )
        )
    faults: list[Fault] = []
    rows: list[tuple[str, str, str, str, str, float]] = []
    seen: dict[tuple[Any, ...], int] = {}
    numbering = [name for name in ("trial", "repeat", "rep", "attempt") if name in table]
    without_rating = other_phases = 0
    columns = [table[name].tolist() for name in (*COLUMNS, *numbering)]
    for number, cells in enumerate(zip(*columns, strict=True), start=1):
        named, rating, extra = cells[:5], cells[5], cells[6:]
        if holds_nothing(rating):
            without_rating += 1
            continue
        if str(named[3]) in OTHER_PHASES:
            other_phases += 1
            continue
        found = _row_faults(number, named, rating)
        if numbering and not found and not any(map(holds_nothing, extra)):
            first = seen.setdefault((*map(str, named), *extra), number)
            if first != number:
                found = [_twice(number, first, named, numbering, extra)]
        faults += found
        if not found:
            listener, clip, device, mode, sitting = map(str, named)
            rows.append((listener, clip, device, mode, sitting, float(rating)))
    if faults:
        raise BlindtestError.of(faults)
    return Ratings(
        rows=tuple(rows),
        without_rating=without_rating,
        other_phases=other_phases,
        step=_step(np.array([row[5] for row in rows])),
        orders=stated_orders(table, MODES) if "order" in table else orders_of_sittings(rows, MODES),
    )


def _row_faults(number: int, named: tuple[Any, ...], rating: Any) -> list[Fault]:
    faults = [
        Fault(problem="the row does not say this", line=number, key=name)
        for name, value in zip(COLUMNS, named, strict=False)
        if holds_nothing(value)
    ]
    mode = named[3]
    if not holds_nothing(mode) and str(mode) not in MODES:
        allowed = (*MODES, *OTHER_PHASES)
        faults.append(
            Fault(
                problem="no such mode",
                line=number,
                key="mode",
                got=mode,
                allowed=", ".join(allowed),
                remedy=did_you_mean(str(mode), allowed),
            )
        )
    try:
        finite = isfinite(rating)
    except (TypeError, ValueError):
        finite = False
    if not finite or isinstance(rating, bool):
        faults.append(Fault(problem="not a number", line=number, key="rating", got=rating, allowed="a finite number"))
    return faults


def _twice(number: int, first: int, named: tuple[Any, ...], numbering: list[str], extra: tuple[Any, ...]) -> Fault:
    where = ", ".join(
        f"{name} {value}" for name, value in zip((*COLUMNS[:5], *numbering), (*named, *extra), strict=True)
    )
    return Fault(
        problem=f"this rating stands there twice, first in row {first}",
        line=number,
        key=numbering[0],
        got=where,
        remedy="remove one of the two",
    )


def _step(ratings: NDArray[np.float64]) -> float:
    for digits in range(7):
        if np.all(np.abs(ratings - np.round(ratings, digits)) <= 1e-9 * np.maximum(1.0, np.abs(ratings))):
            return float(10.0**-digits)
    return 0.0
