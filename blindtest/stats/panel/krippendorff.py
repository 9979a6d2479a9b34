"""Krippendorff's alpha: 1 - observed over expected disagreement, for any number of judges and missing ratings.

Values that two judges gave to the same target are paired in the coincidence matrix, a target of m ratings counting
each of its ordered pairs 1/(m - 1). Disagreement of two values is the square of their distance: different or not
(nominal), values in between counted by how many ratings they hold (ordinal), difference (interval), difference over sum
(ratio).

Sources: Krippendorff 2004, *Content Analysis*, 2nd ed., chapter 11; Hayes & Krippendorff 2007 (Communication Methods
and Measures 1, 77).
"""

from collections.abc import Sequence
from math import nan
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

__all__ = ["LEVELS", "Measurement", "krippendorff_alpha"]

Floats = NDArray[np.float64]
Measurement = Literal["nominal", "ordinal", "interval", "ratio"]
LEVELS: tuple[Measurement, ...] = get_args(Measurement)


def krippendorff_alpha(ratings: Sequence[Sequence[object]] | Floats, *, level: Measurement) -> float:
    """Return alpha of (targets, judges) ratings; None and NaN are missing.

    1 is agreement, 0 what judges who rate without looking would reach; below 0 they disagree by system. NaN: no two
    ratings of one target, or one value throughout (there is nothing they could have disagreed about); for "ratio" also
    where a rating is negative.

    Raises
    ------
    ValueError
        Another level; text where numbers are needed (all levels but "nominal").
    """
    if level not in LEVELS:
        raise ValueError(f"no level of measurement {level!r} (there are: {', '.join(LEVELS)})")
    rows = [[value for value in row if not (value is None or value != value)] for row in ratings]
    rows = [row for row in rows if len(row) > 1]
    values = sorted({value for row in rows for value in row}, key=lambda v: (isinstance(v, str), v))
    if len(values) < 2:
        return nan
    if level != "nominal" and any(isinstance(value, str) for value in values):
        raise ValueError(f"alpha at the level {level!r} needs numbers, got {values[-1]!r}")
    place = {value: number for number, value in enumerate(values)}
    counts = np.zeros((len(rows), len(values)))
    for number, row in enumerate(rows):
        for value in row:
            counts[number, place[value]] += 1
    weights = 1 / (counts.sum(axis=1) - 1)
    coincidences = np.einsum("t,ti,tj->ij", weights, counts, counts) - np.diag(weights @ counts)
    totals = coincidences.sum(axis=1)
    distances = _distances(values, totals, level)
    if distances is None:
        return nan
    expected = float(totals @ distances @ totals) / (totals.sum() - 1)
    return float(1 - np.sum(coincidences * distances) / expected)


def _distances(values: list[object], totals: Floats, level: Measurement) -> Floats | None:
    if level == "nominal":
        return 1 - np.eye(len(values))
    if level == "ordinal":
        middles = np.cumsum(totals) - totals / 2
        return np.asarray(np.subtract.outer(middles, middles) ** 2)
    numbers = np.array(values, dtype=np.float64)
    differences = np.subtract.outer(numbers, numbers)
    if level == "interval":
        return np.asarray(differences**2)
    if numbers.min() < 0:
        return None
    sums = np.add.outer(numbers, numbers)
    return np.asarray(np.divide(differences, sums, out=np.zeros_like(sums), where=sums > 0) ** 2)
