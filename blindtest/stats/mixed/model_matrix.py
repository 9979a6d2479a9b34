"""A formula and a table as the matrices of a mixed model, worked out on the distinct rows.

The fixed part is read by formulaic (Wilkinson and Rogers 1973 notation, Appl. Statist. 22, 392). It sees each distinct
combination of the columns it uses once, however many rows share it; a term that looks at the whole column (`center(x)`,
`poly(x, 2)`) is worked out on all rows.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.stats.mixed.codes import Codes, column_codes, distinct_rows, product_codes
from blindtest.stats.mixed.random_part import RandomSpec, RandomTerm, checked_terms, parts_of

if TYPE_CHECKING:
    from pandas import DataFrame, Series

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
    left, right = _parsed(formula)
    parts = [] if random is None else parts_of(random)
    inner = {(group, text): None if text == "1" else _right_side(text, f"random.{group}") for group, text in parts}
    response_name = str(left)
    needed = _needed(left, right, inner, table, response)
    coded = _only_coded([right, *(inside for inside in inner.values() if inside is not None)])
    columns = {name: _Column.of(name, table[name], factor=name in coded) for name in needed}
    keep, dropped = _complete(columns, len(table))
    if dropped:
        columns = {name: column.kept(keep) for name, column in columns.items()}
    kept = np.flatnonzero(keep)
    if not len(kept):
        raise BlindtestError(Fault(problem=f"no row has a value in all of {', '.join(needed)}", key="table"))

    fixed_names = [name for name in needed if name in _variables(right, table.columns)]
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
            used = {name: columns[name] for name in needed if name in _variables(inside, table.columns)}
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
        cells=_cells([column for name, column in columns.items() if name in predictors], len(kept)),
        spec=spec,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Column:
    """A used column: its values, and its codes once somebody needs them."""

    name: str
    series: "Series[Any]"
    codes: Codes | None
    is_factor: bool

    @staticmethod
    def of(name: str, series: "Series[Any]", *, factor: bool) -> "_Column":
        import pandas as pd

        numeric = (
            not factor and pd.api.types.is_numeric_dtype(series.dtype) and not pd.api.types.is_bool_dtype(series.dtype)
        )
        return _Column(name=name, series=series, codes=None if numeric else column_codes(series), is_factor=not numeric)

    @property
    def missing(self) -> NDArray[np.bool_]:
        return self.codes.codes < 0 if self.codes is not None else np.asarray(self.series.isna(), dtype=bool)

    def kept(self, keep: NDArray[np.bool_]) -> "_Column":
        return _Column(
            name=self.name,
            series=self.series[keep],
            codes=None if self.codes is None else self.codes.kept(keep),
            is_factor=self.is_factor,
        )

    def coded(self) -> Codes:
        return self.codes if self.codes is not None else column_codes(self.series)

    def numbers(self) -> Floats:
        return np.asarray(self.series, dtype=np.float64)

    def taken(self, places: NDArray[np.intp]) -> Any:
        """Return the values at these rows, a factor as a Categorical of text with all its levels."""
        import pandas as pd

        if self.codes is None:
            return pd.Series(np.asarray(self.series.iloc[places]))
        # The type stubs know only one of the integer types a platform may have.
        make: Any = pd.Categorical.from_codes
        return pd.Series(make(self.codes.codes[places], categories=list(self.codes.levels)))


def _parsed(formula: str) -> tuple[Any, Any]:
    """Return the response's and the fixed part's formula."""
    from formulaic import Formula
    from formulaic.errors import FormulaParsingError

    try:
        read = Formula(formula)
    except FormulaParsingError as error:
        raise BlindtestError(_misread(formula, "formula", error)) from None
    left = getattr(read, "lhs", None)
    if left is None or len(left) != 1:
        raise BlindtestError(
            Fault(problem="a formula names one response", key="formula", got=formula, allowed="rating ~ device * mode")
        )
    return left, read.rhs


CODED = re.compile(r"C\(\s*(\w+)\s*(,.*)?\)")


def _only_coded(sides: Iterable[Any]) -> set[str]:
    """Return the columns that appear in `C(...)` only: factors, also where they hold numbers."""
    coded, plain = set(), set()
    for factor in (factor for side in sides for term in side for factor in term.factors):
        if found := CODED.fullmatch(factor.expr):
            coded.add(found[1])
        elif factor.eval_method.value != "literal":
            plain.update(re.findall(r"\w+", factor.expr))
    return coded - plain


def _right_side(text: str, key: str) -> Any:
    from formulaic import Formula
    from formulaic.errors import FormulaParsingError

    try:
        read = Formula(text)
    except FormulaParsingError as error:
        raise BlindtestError(_misread(text, key, error)) from None
    if hasattr(read, "lhs") or not len(read):
        raise BlindtestError(
            Fault(problem="not a formula of what varies", key=key, got=text, allowed='"1", "1 + mode", "0 + mode"')
        )
    return read


def _misread(text: str, key: str, error: Exception) -> Fault:
    reason = re.sub(r"\x1b\[[0-9;]*m|⧛|⧚", "", str(error)).strip().splitlines()[0].rstrip(".")
    remedy = 'random effects stand apart, random={"listener": "1"}' if "|" in text else ""
    return Fault(problem=f"can't be read as a formula: {reason}", key=key, got=text, remedy=remedy)


def _variables(side: Any, columns: Iterable[Any]) -> set[str]:
    """Return the columns that a formula names; formulaic leaves out those inside of `center(x)` and its like."""
    known = {str(name) for name in columns}
    found = {str(name) for name in side.required_variables}
    for factor in (factor for term in side for factor in term.factors):
        if factor.eval_method.value == "python":
            found |= known & set(re.findall(r"\b[^\W\d]\w*", factor.expr))
    return found


def _needed(left: Any, right: Any, inner: Mapping[Any, Any], table: "DataFrame", response: bool) -> list[str]:
    """Return the columns that are used, in the table's order, or raise one fault for each that isn't there."""
    wanted: dict[str, str] = {}
    columns = table.columns
    if response or all(name in columns for name in _variables(left, columns)):
        wanted.update((name, "formula") for name in _variables(left, columns))
    wanted.update((name, "formula") for name in _variables(right, columns))
    for (group, _), inside in inner.items():
        wanted.update((name, f"random.{group}") for name in group.split(":") if name not in wanted)
        if inside is not None:
            wanted.update((n, f"random.{group}") for n in _variables(inside, columns) if n not in wanted)
    known = [str(name) for name in table.columns]
    faults = [
        Fault(
            problem="no such column in the table",
            key=where,
            got=name,
            allowed=", ".join(known) if len(known) <= 12 else "",
            remedy=did_you_mean(name, known),
        )
        for name, where in wanted.items()
        if name not in known
    ]
    if faults:
        raise BlindtestError(*faults)
    return [name for name in known if name in wanted]


def _complete(columns: Mapping[str, _Column], rows: int) -> tuple[NDArray[np.bool_], dict[str, int]]:
    """Return which rows have all values, and how many each column drops."""
    keep = np.ones(rows, dtype=bool)
    dropped = {}
    for name, column in columns.items():
        missing = column.missing & keep
        if count := int(np.count_nonzero(missing)):
            dropped[name] = count
            keep &= ~missing
    return keep, dropped


def _cells(columns: Sequence[_Column], n: int) -> NDArray[np.intp] | None:
    """Return the distinct row of each row, where all combinations of levels are half as many as rows or fewer."""
    coded, room = [], n // 2
    for column in columns:
        coded.append(column.coded())
        room //= max(coded[-1].count, 1)
        if not room:
            return None
    return distinct_rows(coded)[0] if coded else None


def _evaluated(right: Any, columns: Mapping[str, _Column], n: int, key: str) -> tuple[Floats, NDArray[np.intp], Any]:
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


def _checked_factors(columns: Mapping[str, _Column]) -> None:
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


def _response(left: Any, columns: Mapping[str, _Column], name: str, kept: NDArray[np.intp]) -> Floats:
    import pandas as pd

    used = sorted(_variables(left, columns))
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
