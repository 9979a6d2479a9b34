"""Answers of a table as counted rows: right answers and trials, alike rows once.

Three ways to write answers: a row per answer, 0/1 or True/False; a row per count, the response the number right and
`trials` naming the column with how many there were; the same with the response as a proportion of them. Whole-number
columns with `trials` are counts, columns of fractions between 0 and 1 are proportions.
"""

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.stats.mixed.effect_layout import Group, RowSum, compressed_rows, effect_layout, root_group
from blindtest.stats.mixed.laplace import BinaryRows
from blindtest.stats.mixed.links import Link
from blindtest.stats.mixed.model_matrix import ModelMatrix
from blindtest.stats.mixed.random_part import RandomTerm

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["binomial_constant", "counted_answers", "counted_rows", "with_trials"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WHOLE = 1e-6
"""How far a proportion times its trials may lie from a whole number."""


def with_trials(table: "DataFrame", trials: str | None) -> tuple["DataFrame", Ints]:
    """Return the rows that say how many trials they hold, and their places in the table.

    Counts of one trial or more make a group with a level per row a legitimate one (a row per listener), which a row per
    answer is not: a row without answers is added, so that there are more rows than levels.

    The places, (rows kept,), count from 0 in `table`.

    Parameters
    ----------
    trials : column with the number of trials of each row; None: a row is one answer
    """
    if trials is None:
        return table, np.arange(len(table))
    if trials not in table.columns:
        known = [str(name) for name in table.columns]
        raise BlindtestError(
            Fault(
                problem="no such column in the table", key="trials", got=trials, remedy=did_you_mean(str(trials), known)
            )
        )
    import pandas as pd

    column = pd.to_numeric(table[trials], errors="coerce")
    numbers = column.to_numpy(dtype=np.float64)
    missing = np.asarray(table[trials].isna(), dtype=bool)
    bad = ~missing & ~((numbers >= 0) & (numbers == np.floor(numbers)) & np.isfinite(numbers))
    if bad.any():
        place = int(np.flatnonzero(bad)[0])
        raise BlindtestError(
            Fault(
                problem=f"row {place + 1} of the table: not a number of trials",
                key=trials,
                got=table[trials].iloc[place],
                allowed="a whole number, 0 or more",
            )
        )
    kept, places = table.loc[~missing], np.flatnonzero(~missing)
    if len(kept) and float(numbers[~missing].max()) > 1:
        empty = kept.iloc[[0]].copy()
        empty[trials] = 0
        kept, places = pd.concat([kept, empty]), np.append(places, places[0])
    return kept, places


def counted_answers(matrix: ModelMatrix, table: "DataFrame", places: Ints, trials: str | None) -> tuple[Floats, Floats]:
    """Return right answers and trials of each used row, or raise a fault for the first row that can't be so.

    Both are (n,), one for each row that `matrix` kept.

    Parameters
    ----------
    places : (rows of `table`,) where each stood in the table that was given, from 0
    trials : column of `table` with whole numbers 0 or more; None: a row is one answer, 0 or 1
    """
    response, name = matrix.response, matrix.response_name
    number = places[matrix.kept] + 1
    if trials is None:
        bad = np.flatnonzero((response != 0) & (response != 1))
        if len(bad):
            got = float(response[bad[0]])
            raise BlindtestError(
                Fault(
                    problem=f"row {number[bad[0]]} of the table: not an answer",
                    key=name,
                    got=got,
                    allowed="0 or 1, False or True",
                    remedy='counts and proportions need trials="the column with the number of trials"',
                )
            )
        return response, np.ones(len(response))
    many = table[trials].to_numpy(dtype=np.float64)[matrix.kept]
    right = response
    of_fractions = name in table.columns and table[name].dtype.kind == "f"
    if of_fractions and np.all(response <= 1) and np.any(many > 1):
        if np.all((response == 0) | (response == 1)):
            raise BlindtestError(
                Fault(
                    problem="only 0 and 1 as fractional numbers: counts or proportions?",
                    key=name,
                    remedy="write counts as whole numbers (astype(int)), or proportions times trials",
                )
            )
        right = response * many
    whole = np.rint(right)
    bad = np.flatnonzero((np.abs(right - whole) > WHOLE * np.maximum(many, 1)) | (whole < 0) | (whole > many))
    bad = bad[many[bad] > 0]
    if len(bad):
        row = bad[0]
        raise BlindtestError(
            Fault(
                problem=f"row {number[row]} of the table: not a number of right answers among {many[row]:g} trials",
                key=name,
                got=float(response[row]),
                allowed=f"a whole number 0 ... {many[row]:g}, or a proportion of that many",
            )
        )
    return np.where(many > 0, whole, 0.0), many


def binomial_constant(right: Floats, trials: Floats) -> float:
    """Return the sum of log C(trials, right): 0 for a row per answer."""
    from scipy.special import gammaln

    many = trials > 1
    n, k = trials[many], right[many]
    return float(np.sum(gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)))


def counted_rows(matrix: ModelMatrix, right: Floats, trials: Floats, link: Link) -> BinaryRows:
    """Return the model's distinct rows with their counts, sorted by the root group of its random effects.

    Parameters
    ----------
    right, trials : (n,) of each row of `matrix`, 0 <= right <= trials
    """
    groups = [_group(term) for term in matrix.random]
    root = root_group(groups)
    order = [root, *(place for place in range(len(groups)) if place != root)]
    keys = [groups[place].codes for place in order]
    sizes = [len(groups[place].levels) for place in order]
    for group in groups:
        for values in group.values:
            if values is not None:
                distinct, place = np.unique(values, return_inverse=True)
                keys.append(place)
                sizes.append(len(distinct))
    keys.append(matrix.distinct)
    sizes.append(len(matrix.fixed))
    first, inverse = compressed_rows(keys, sizes)
    if inverse is not None:
        sums = RowSum(inverse, len(first))
        right, trials = sums(right), sums(trials)
    taken = [
        Group(
            name=group.name,
            levels=group.levels,
            codes=group.codes[first],
            columns=group.columns,
            values=tuple(None if values is None else values[first] for values in group.values),
        )
        for group in groups
    ]
    return BinaryRows(
        fixed=matrix.fixed,
        cells=RowSum(np.asarray(matrix.distinct[first], dtype=np.int64), len(matrix.fixed)),
        right=right,
        trials=trials,
        layout=effect_layout(taken),
        link=link,
    )


def _group(term: RandomTerm) -> Group:
    columns = term.columns
    if columns == ("Intercept",):
        values: tuple[Floats | None, ...] = (None,)
    else:
        values = tuple(
            None if np.all(column == 1) else np.ascontiguousarray(column) for column in np.asarray(term.values).T
        )
    return Group(
        name=term.group,
        levels=term.levels,
        codes=np.asarray(term.codes, dtype=np.int64),
        columns=columns,
        values=values,
    )
