"""A formula and a table as the matrices of a mixed model, worked out on the distinct rows.

The fixed part is read by formulaic (`formulas.py`). It sees each distinct
combination of the columns it uses once, however many rows share it; a term that looks at the whole column (`center(x)`,
`poly(x, 2)`) is worked out on all rows.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault
from blindtest.stats.mixed.codes import distinct_rows, product_codes
from blindtest.stats.mixed.formulas import CODED, needed_columns, only_coded, response_and_fixed, right_side, variables
from blindtest.stats.mixed.random_part import RandomSpec, RandomTerm, checked_terms, parts_of
from blindtest.stats.mixed.table_columns import TableColumn, cells_of, complete_rows

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["ModelMatrix", "model_matrix"]

Floats = NDArray[np.float64]

NO_ROWS = "no row has these levels: leave the term out"
SMALL = 1e-9
"""What is left of a column of length 1 after those before it, at which it counts as their sum."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ModelMatrix:
    """A table as a mixed model sees it."""

    formula: str
    response_name: str
    response: Floats
    """(n,); empty where the table has none and none was asked for."""
    fixed: Floats
    """(d, p): the distinct rows of the fixed part."""
    distinct: NDArray[np.intp]
    """(n,): which of them each row is."""
    terms: tuple[str, ...]
    """Names of the columns, as formulaic gives them: "Intercept", "device[T.B]", "days"."""
    factors: Mapping[str, tuple[str, ...]]
    """Levels of each factor of the fixed part, the reference first."""
    covariates: Mapping[str, float]
    """Mean over the rows of each numeric column of the fixed part."""
    random: tuple[RandomTerm, ...]
    kept: NDArray[np.intp]
    """(n,): places in the table of the rows that were used."""
    dropped: Mapping[str, int]
    """Column -> rows of the table left out because its value is missing (a row counts once, for the first of them)."""
    cells: NDArray[np.intp] | None
    """(n,): rows that are alike in everything but the response share a cell; None where hardly any are."""
    spec: Any
    """formulaic's ModelSpec of the fixed part."""

    @property
    def n(self) -> int:
        """Rows used."""
        return len(self.distinct)

    def dense(self) -> Floats:
        """Return the fixed part of every row, (n, p)."""
        return self.fixed[self.distinct]

    def encode(self, rows: "DataFrame") -> Floats:
        """Return the fixed part of new rows, (m, p), coded as this table was."""
        return _encoded(self.spec, _prepared(rows, self.factors), len(rows))


def model_matrix(formula: str, table: "DataFrame", *, random: RandomSpec | None, response: bool = True) -> ModelMatrix:
    """Read a mixed model's fixed and random part from a table.

    Parameters
    ----------
    formula : response ~ fixed part
    table : a row per answer; text and Categorical columns are factors, the first level is the reference
    random : group -> formula of what varies over it, see `random_part`; None: the fixed part only
    response : False allows a table without the response's column (for simulation)

    Raises
    ------
    BlindtestError
        All at once: unknown columns, a response that is no number, groups with too few or too many levels, a fixed part
        whose effects can't be told apart.
    """
    left, right = response_and_fixed(formula)
    parts = [] if random is None else parts_of(random)
    inner = {(group, text): None if text == "1" else right_side(text, f"random.{group}") for group, text in parts}
    response_name = str(left)
    needed = needed_columns(left, right, inner, table, response)
    coded = only_coded([right, *(inside for inside in inner.values() if inside is not None)])
    columns = {name: TableColumn.of(name, table[name], factor=name in coded) for name in needed}
    keep, dropped = complete_rows(columns, len(table))
    if dropped:
        columns = {name: column.kept(keep) for name, column in columns.items()}
    kept = np.flatnonzero(keep)
    if not len(kept):
        raise BlindtestError(Fault(problem=f"no row has a value in all of {', '.join(needed)}", key="table"))

    fixed_names = [name for name in needed if name in variables(right, table.columns)]
    _checked_factors({name: columns[name] for name in fixed_names})
    fixed, distinct, spec = _evaluated(right, {name: columns[name] for name in fixed_names}, len(kept), "formula")
    terms = tuple(str(name) for name in spec.column_names)
    predictors = {*fixed_names, *(name for group, _ in parts for name in group.split(":"))}
    _checked_rank(fixed, terms)
    random_terms = []
    for group, text in parts:
        grouping = product_codes([columns[name].coded() for name in group.split(":")])
        inside = inner[group, text]
        if inside is None:
            names: tuple[str, ...] = ("Intercept",)
            slopes = None
        else:
            used = {name: columns[name] for name in needed if name in variables(inside, table.columns)}
            predictors |= used.keys()
            values, place, own = _evaluated(inside, used, len(kept), f"random.{group}")
            names = tuple(str(name) for name in own.column_names)
            slopes = None if names == ("Intercept",) else (values, place)
        random_terms.append(RandomTerm(group=group, columns=names, grouping=grouping, slope_rows=slopes))
    return ModelMatrix(
        formula=formula,
        response_name=response_name,
        response=_response(left, columns, response_name, kept),
        fixed=fixed,
        distinct=distinct,
        terms=terms,
        factors={name: columns[name].coded().levels for name in fixed_names if columns[name].is_factor},
        covariates={name: float(columns[name].numbers().mean()) for name in fixed_names if not columns[name].is_factor},
        random=checked_terms(random_terms, len(kept)),
        kept=kept,
        dropped=dropped,
        cells=cells_of([column for name, column in columns.items() if name in predictors], len(kept)),
        spec=spec,
    )


def _evaluated(
    right: Any, columns: Mapping[str, TableColumn], n: int, key: str
) -> tuple[Floats, NDArray[np.intp], Any]:
    """Return (distinct rows, columns), which of them each row is, and formulaic's spec."""
    import pandas as pd

    whole = any(
        factor.eval_method.value == "python" and not CODED.fullmatch(factor.expr)
        for term in right
        for factor in term.factors
    )
    if not columns:
        place, first = np.zeros(n, dtype=np.intp), np.zeros(1, dtype=np.intp)
    elif whole:
        place = first = np.arange(n)
    else:
        place, first = distinct_rows([column.coded() for column in columns.values()])
    frame = pd.DataFrame(
        {name: column.taken(first) for name, column in columns.items()}, index=pd.RangeIndex(len(first))
    )
    try:
        matrix = right.get_model_matrix(frame, na_action="ignore", output="numpy")
    except Exception as error:  # formulaic evaluates the user's expression: whatever goes wrong there is the user's
        reason = re.sub(r"\x1b\[[0-9;]*m|⧛|⧚", "", str(error)).strip().splitlines()
        raise BlindtestError(
            Fault(
                problem=f"can't be worked out: {reason[0] if reason else type(error).__name__}", key=key, got=str(right)
            )
        ) from None
    values = np.asarray(matrix, dtype=np.float64)
    if values.shape[1] == 0:
        raise BlindtestError(Fault(problem="the formula has no term", key=key, got=str(right), allowed='at least "1"'))
    bad = np.argwhere(~np.isfinite(values))
    if len(bad):
        name = str(matrix.model_spec.column_names[bad[0, 1]])
        raise BlindtestError(
            Fault(problem=f"{name} is not a finite number in every row", key=key, got=float(values[tuple(bad[0])]))
        )
    return values, place, matrix.model_spec


def _prepared(rows: "DataFrame", factors: Mapping[str, tuple[str, ...]]) -> "DataFrame":
    """Return new rows with their factors as text, as the table's were."""
    import pandas as pd

    out = rows.copy()
    for name, levels in factors.items():
        if name in out:
            values = out[name].astype(str)
            unknown = ~values.isin(levels)
            if unknown.any():
                raise BlindtestError(
                    Fault(
                        problem="a level that the model doesn't know",
                        key=name,
                        got=str(values[unknown].iloc[0]),
                        allowed=", ".join(levels),
                    )
                )
            out[name] = pd.Categorical(values, categories=list(levels))
    return out


def _encoded(spec: Any, rows: "DataFrame", m: int) -> Floats:
    import pandas as pd

    frame = rows if len(rows.columns) else pd.DataFrame(index=pd.RangeIndex(m))
    return np.asarray(spec.get_model_matrix(frame, na_action="ignore"), dtype=np.float64)


def _checked_factors(columns: Mapping[str, TableColumn]) -> None:
    """Refuse factors of one level, which formulaic would pass over in silence."""
    faults = [
        Fault(
            problem="a factor of one level has no effect to estimate",
            key=name,
            got=column.coded().levels[0],
            remedy="leave it out of the formula",
        )
        for name, column in columns.items()
        if column.is_factor and column.coded().count < 2
    ]
    if faults:
        raise BlindtestError(*faults)


def _checked_rank(fixed: Floats, terms: tuple[str, ...]) -> None:
    """Refuse columns that are sums of those before them: an empty cell, or one thing said twice."""
    from scipy.linalg import qr

    scale = np.sqrt((fixed**2).sum(axis=0))
    faults = [
        Fault(problem=f"{name} is 0 in every row", key="formula", remedy=NO_ROWS)
        for name, s in zip(terms, scale, strict=True)
        if s == 0
    ]
    if not faults:
        basis = qr(fixed / scale, mode="r")[0]
        diagonal = np.zeros(len(terms))
        diagonal[: min(basis.shape)] = np.abs(np.diagonal(basis))
        for j, name in enumerate(terms):
            if diagonal[j] <= SMALL:
                faults.append(
                    Fault(
                        problem=f"{name} can't be told apart from the terms before it",
                        key="formula",
                        remedy="a combination of levels has no rows, or two columns say the same: leave a term out",
                    )
                )
    if faults:
        raise BlindtestError(*faults)


def _response(left: Any, columns: Mapping[str, TableColumn], name: str, kept: NDArray[np.intp]) -> Floats:
    import pandas as pd

    used = sorted(variables(left, columns))
    if not all(v in columns for v in used):
        return np.empty(0)
    if used == [name]:
        column = columns[name]
        if column.is_factor and not pd.api.types.is_bool_dtype(column.series.dtype):
            raise BlindtestError(
                Fault(
                    problem="the response is no number", key=name, got=column.series.iloc[0], allowed="finite numbers"
                )
            )
        values = column.numbers()
    else:
        values = _evaluated(left, {v: columns[v] for v in used}, len(kept), "formula")[0][:, -1]
    bad = np.flatnonzero(~np.isfinite(values))
    if len(bad):
        raise BlindtestError(
            Fault(
                problem="the response is not finite",
                key=name,
                got=float(values[bad[0]]),
                remedy=f"row {int(kept[bad[0]]) + 1} of the table",
            )
        )
    return np.ascontiguousarray(values)
