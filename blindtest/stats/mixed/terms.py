"""What the terms of a formula say about the means: the hypotheses of "type III" tests, whatever the coding.

The test of a term asks whether its effect is there with every other factor averaged with equal weights over its levels
and every numeric covariate at its mean: the same means that marginal_means.py gives, so that tables, contrasts and
tests tell one story, and neither the coding (treatment, sum, ...) nor the order of the levels matters. With all
combinations present and without products of factors and covariates these are the usual hypotheses of type III (Yates
1934's weighted squares of means; Searle, Speed & Milliken 1980).

A term with covariates, "device:position", asks about slopes: the coefficient that multiplies the covariate. Where a
formula leaves out a term within another ("device:position" without "position") the larger term carries the smaller
one's degrees of freedom, as its columns do. A formula without intercept changes nothing: differences are tested, not
whether all means are zero.

Sources: Yates 1934 (JASA 29, 51); Searle, Speed & Milliken 1980 (The American Statistician 34, 216).
"""

from collections.abc import Callable, Mapping
from itertools import chain, combinations, product
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.stats.mixed.degrees_of_freedom import JointTest
from blindtest.stats.mixed.marginal_means import ReferenceGrid

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["checked_term", "term_hypotheses", "term_tests"]

Floats = NDArray[np.float64]


def term_hypotheses(spec: Any, grid: ReferenceGrid) -> dict[str, Floats]:
    """Return for each term of the fixed part, the intercept apart, the contrasts that it says are zero, (q, p).

    Parameters
    ----------
    spec : formulaic's ModelSpec of the fixed part
    grid : its reference grid
    """
    parts = _parts(spec, grid)
    known = [(part.factors, part.numeric) for part in parts]
    hypotheses = {}
    for part in parts:
        if not part.factors and not part.numeric:
            continue
        rows = [
            _differences(_slopes(parts, part.numeric, grid), margin, grid)
            for margin in _carried(part.factors, part.numeric, known)
        ]
        hypotheses[part.name] = np.concatenate(rows)
    return hypotheses


def term_tests(hypotheses: Mapping[str, Floats], test: Callable[[Floats, str], JointTest]) -> "DataFrame":
    """Return a row per term: statistic (F), numerator_df, denominator_df, p_value.

    `test` takes contrasts, (q, p), and a name: `joint_test` or `KenwardRoger.joint_test` with its other arguments
    bound.
    """
    import pandas as pd

    tests = [test(weights, name) for name, weights in hypotheses.items()]
    columns = ("statistic", "numerator_df", "denominator_df", "p_value")
    frame = {column: [getattr(each, column) for each in tests] for column in columns}
    return pd.DataFrame(frame, index=pd.Index(list(hypotheses), name="term"))


def checked_term(hypotheses: Mapping[str, Floats], term: str) -> Floats:
    """Return the contrasts of the named term, its factors in any order, or raise BlindtestError with what there is.

    The result is (k, p).

    Parameters
    ----------
    hypotheses : of each term its contrasts, (k, p)
    """
    parts = sorted(part.strip() for part in term.split(":"))
    for name, weights in hypotheses.items():
        if sorted(name.split(":")) == parts:
            return weights
    raise BlindtestError(
        Fault(
            problem="the fixed part has no such term",
            key="term",
            got=term,
            allowed=", ".join(hypotheses) or "none: the fixed part is an intercept",
            remedy=did_you_mean(term, hypotheses),
        )
    )


class _Part:
    """A term: its factors (columns of the table), its numeric expressions, its columns on the cells of the grid."""

    def __init__(self, name: str, factors: frozenset[str], numeric: frozenset[str]) -> None:
        self.name, self.factors, self.numeric = name, factors, numeric
        self.columns: list[tuple[int, Floats, dict[str, tuple[int, Floats]]]] = []
        """Place among the coefficients; coding on the cells; each numeric expression's column and its values there."""


def _parts(spec: Any, grid: ReferenceGrid) -> list[_Part]:
    from pandas import DataFrame

    levels = grid.factors
    cells = DataFrame(list(product(*levels.values())), columns=list(levels)) if levels else DataFrame(index=[0])
    for name, value in grid.covariates.items():
        cells[name] = value
    codings = {factor.expr: state for factor, state in spec.factor_contrasts.items()}
    used = {
        factor.expr: {str(name) for name in variables} & set(levels)
        for factor, variables in spec.factor_variables.items()
    }
    values: dict[str, Floats] = {}
    parts, place = [], 0
    for term in spec.structure:
        expressions = [factor.expr for factor in term.term.factors if factor.expr != "1"]
        factors = frozenset(chain.from_iterable(used[expr] for expr in expressions if expr in codings))
        part = _Part(str(term.term), factors, frozenset(expr for expr in expressions if expr not in codings))
        for scoped in term.scoped_terms:
            blocks = []
            for each in scoped.factors:
                expr = each.factor.expr
                if expr in codings:
                    blocks.append(_coding(expr, codings[expr], used[expr], cells, reduced=each.reduced))
                else:
                    if expr not in values:
                        values[expr] = _values(spec, expr, cells)
                    blocks.append(values[expr])
            # formulaic lets the first factor's columns run fastest.
            for reversed_choice in product(*(range(block.shape[1]) for block in reversed(blocks))):
                coding = np.full(len(cells), float(scoped.scale))
                numeric = {}
                for each, block, choice in zip(scoped.factors, blocks, reversed(reversed_choice), strict=True):
                    if each.factor.expr in codings:
                        coding = coding * block[:, choice]
                    else:
                        numeric[each.factor.expr] = (choice, block[:, choice])
                part.columns.append((place, coding, numeric))
                place += 1
        parts.append(part)
    return parts


def _coding(expression: str, state: Any, columns: set[str], cells: "DataFrame", *, reduced: bool) -> Floats:
    """Return a factor's coding of every cell, (cells, columns)."""
    names = [str(level) for level in state.levels]
    values = [str(value) for value in cells[next(iter(columns))]] if len(columns) == 1 else []
    if not values or not set(values) <= set(names):
        raise BlindtestError(
            Fault(
                problem="a factor that the formula makes can't be tested as a term",
                key="formula",
                got=expression,
                allowed="a column of the table, C(column)",
                remedy="make a column of it beforehand",
            )
        )
    matrix = np.asarray(state.contrasts.get_coding_matrix(state.levels, reduced_rank=reduced), dtype=np.float64)
    return matrix[[names.index(value) for value in values]]


def _values(spec: Any, expression: str, cells: "DataFrame") -> Floats:
    """Return a numeric expression's columns on the cells, by the state (means, knots) it had on the table."""
    from formulaic import Formula

    alone = spec.update(formula=Formula(f"0 + {expression}"), structure=None)
    return np.asarray(alone.get_model_matrix(cells, na_action="ignore"), dtype=np.float64)


def _slopes(parts: list[_Part], numeric: frozenset[str], grid: ReferenceGrid) -> list[Floats]:
    """Return what multiplies the named expressions on every cell, (levels ..., p): all of it for none, the means."""
    size = sum(len(part.columns) for part in parts)
    shape = tuple(len(levels) for levels in grid.factors.values())
    found: dict[tuple[tuple[str, int], ...], Floats] = {}
    for part in parts:
        if not numeric <= part.numeric:
            continue
        for place, coding, values in part.columns:
            key = tuple(sorted((name, values[name][0]) for name in numeric))
            column = coding
            for name, (_, there) in values.items():
                if name not in numeric:
                    column = column * there
            found.setdefault(key, np.zeros((len(coding), size)))[:, place] = column
    return [weights.reshape(*shape, size) for weights in found.values()]


def _carried(
    factors: frozenset[str], numeric: frozenset[str], known: list[tuple[frozenset[str], frozenset[str]]]
) -> list[frozenset[str]]:
    """Return the margins that this term answers for: its own, and those within it that no term between carries."""
    inner = [other for other, theirs in known if theirs == numeric and other < factors]
    margins = []
    for count in range(len(factors) + 1):
        for names in combinations(sorted(factors), count):
            margin = frozenset(names)
            if not margin and not numeric:
                continue
            if not any(margin <= other for other in inner):
                margins.append(margin)
    return margins


def _differences(slopes: list[Floats], margin: frozenset[str], grid: ReferenceGrid) -> Floats:
    """Return the differences over all factors of the margin, the other factors averaged, (q, p).

    As contrasts of cells they have length 1 and are orthogonal: so the eigenvectors that a joint test takes, and with
    them its degrees of freedom, are the same in whatever order the levels lie.
    """
    rows = []
    for weights in slopes:
        left = weights
        for axis, (name, levels) in enumerate(grid.factors.items()):
            count = len(levels)
            matrix = _orthonormal_contrasts(count) if name in margin else np.full((1, count), count**-0.5)
            left = np.moveaxis(np.tensordot(matrix, left, axes=(1, axis)), 0, axis)
        rows.append(left.reshape(-1, left.shape[-1]))
    return np.concatenate(rows)


def _orthonormal_contrasts(count: int) -> Floats:
    """Return (count - 1, count), each level against the mean of those before it, each row of length 1 (Helmert)."""
    matrix = np.tril(np.full((count - 1, count), -1.0))
    places = np.arange(1, count)
    matrix[places - 1, places] = places
    return np.asarray(matrix / np.sqrt(places * (places + 1.0))[:, None], dtype=np.float64)
