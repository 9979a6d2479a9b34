"""Formulas of a mixed model, as formulaic reads them (Wilkinson and Rogers 1973 notation, Appl. Statist. 22, 392)."""

import re
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from blindtest.errors import BlindtestError, Fault, did_you_mean

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["CODED", "needed_columns", "only_coded", "response_and_fixed", "right_side", "variables"]


def response_and_fixed(formula: str) -> tuple[Any, Any]:
    """Return the response's and the fixed part's formula.

    Raises
    ------
    BlindtestError
        It can't be read, or names no response or several.
    """
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
"""A column that is a factor whatever it holds."""


def only_coded(sides: Iterable[Any]) -> set[str]:
    """Return the columns that appear in `C(...)` only: factors, also where they hold numbers."""
    coded, plain = set(), set()
    for factor in (factor for side in sides for term in side for factor in term.factors):
        if found := CODED.fullmatch(factor.expr):
            coded.add(found[1])
        elif factor.eval_method.value != "literal":
            plain.update(re.findall(r"\w+", factor.expr))
    return coded - plain


def right_side(text: str, key: str) -> Any:
    """Return the formula of what varies over a group.

    Raises
    ------
    BlindtestError
        It can't be read, names a response or has no term; `key` is named there.
    """
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


def variables(side: Any, columns: Iterable[Any]) -> set[str]:
    """Return the columns that a formula names; formulaic leaves out those inside of `center(x)` and its like."""
    known = {str(name) for name in columns}
    found = {str(name) for name in side.required_variables}
    for factor in (factor for term in side for factor in term.factors):
        if factor.eval_method.value == "python":
            found |= known & set(re.findall(r"\b[^\W\d]\w*", factor.expr))
    return found


def needed_columns(left: Any, right: Any, inner: Mapping[Any, Any], table: "DataFrame", response: bool) -> list[str]:
    """Return the columns that are used, in the table's order, or raise one fault for each that isn't there."""
    wanted: dict[str, str] = {}
    columns = table.columns
    if response or all(name in columns for name in variables(left, columns)):
        wanted.update((name, "formula") for name in variables(left, columns))
    wanted.update((name, "formula") for name in variables(right, columns))
    for (group, _), inside in inner.items():
        wanted.update((name, f"random.{group}") for name in group.split(":") if name not in wanted)
        if inside is not None:
            wanted.update((n, f"random.{group}") for n in variables(inside, columns) if n not in wanted)
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
