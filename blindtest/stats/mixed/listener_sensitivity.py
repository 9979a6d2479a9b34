"""d' of single listeners, shrunken towards the panel's: their effects in a binary mixed model on the scale of d'.

A listener's predictor is the fixed part, averaged with equal weights over the factors not asked for, plus the
listener's own effects (and those of products, "listener:pair"); clips and others stay at 0, typical ones. Its
variance is that of the effects given all parameters, plus what the uncertainty of the parameters adds, by their joint
covariance and the slope of the modes in them (Kass & Steffey 1989, JASA 84, 717).

The scale is that of the method's decision rule (sensitivity.py):

- 2-AFC, probit, guess rate 0: p = Phi(eta), and d' = sqrt 2 eta, below 0 for a listener who hears it the other way
  round;
- any method, its guess rate in the link: p = guess + (1 - guess) F(eta), d' is where the method's psychometric
  function has that p. Interval ends are mapped the same way; p never falls below guessing, nor d' below 0;
- guess rate 0 otherwise: the same mapping, d' is 0 at guessing and below.

Shrunken effects vary less than listeners do. Their 95 % intervals held 91 to 97 % of the listeners in simulated panels
of 10 and 24 (12 answers to each pair; tests/stats/simulate_binary.py): on average, less often for the extreme ones.
"""

from collections.abc import Sequence
from itertools import product
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.stats.mixed.binary_fit import BinaryFit
from blindtest.stats.mixed.marginal_means import ReferenceGrid, checked_factors
from blindtest.stats.mixed.model_matrix import ModelMatrix
from blindtest.stats.sensitivity import DECISION_RULES

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["mode_slopes", "sensitivity_table"]

Floats = NDArray[np.float64]
BATCH = 256
"""Predictors whose variances are worked out at once."""


def sensitivity_table(
    fit: BinaryFit,
    matrix: ModelMatrix,
    grid: ReferenceGrid,
    method: str,
    *,
    group: str,
    by: Sequence[str],
    level: float,
) -> "DataFrame":
    """Return a row per level of `group` and combination of the `by` factors.

    Columns: the group, the factors, d_prime, ci_low, ci_high, proportion, predictor, std_error (of the predictor).
    `attrs["scale"]` says what the scale is.
    """
    import pandas as pd

    by = [by] if isinstance(by, str) else list(by)
    _check(fit, method, group)
    checked_factors(grid, by, key="sensitivity")
    fixed, random, labels = _weights(fit, matrix, grid, group, by)
    eta = fixed @ fit.beta + np.array([values @ fit.evaluation.mode.b[slots] for slots, values in random])
    std_error = np.sqrt(_variances(fit, fixed, random))
    half = float(ndtri((1 + level) / 2)) * std_error
    frame = pd.DataFrame(labels, columns=[group, *by])
    link = fit.likelihood.rows.link
    plain = method == "2afc" and link.name == "probit" and link.guess == 0
    for name, values in (("d_prime", eta), ("ci_low", eta - half), ("ci_high", eta + half)):
        frame[name] = sqrt(2) * values if plain else _d_primes(link.proportion(values), method)
    frame["proportion"] = link.proportion(eta)
    frame["predictor"] = eta
    frame["std_error"] = std_error
    rule = DECISION_RULES[method]
    frame.attrs["scale"] = (
        "d' of 2-AFC: sqrt 2 times the probit predictor"
        if plain
        else f"d' of {method} ({rule.model}), where its psychometric function has the model's proportion right"
    )
    return frame


def _d_primes(proportion: Floats, method: str) -> Floats:
    """Return d' of each proportion, as `sensitivity.d_prime` does for one: all of them halve their bracket together."""
    rule = DECISION_RULES[method]
    low, high = np.zeros(len(proportion)), np.ones(len(proportion))
    for _ in range(10):
        high = np.where(rule.proportion(high) < proportion, 2 * high, high)
    for _ in range(60):
        middle = (low + high) / 2
        below = rule.proportion(middle) < proportion
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    found = np.where(proportion <= float(rule.guess), 0.0, (low + high) / 2)
    return np.where(proportion >= 1, np.inf, found)


def _check(fit: BinaryFit, method: str, group: str) -> None:
    names = [g.name for g in fit.likelihood.rows.layout.groups]
    faults = []
    if group not in names:
        faults.append(
            Fault(
                problem="the random part has no such group",
                key="group",
                got=group,
                allowed=", ".join(dict.fromkeys(names)),
                remedy=did_you_mean(group, names),
            )
        )
    if method not in DECISION_RULES:
        faults.append(
            Fault(
                problem="no such method",
                key="method",
                got=method,
                allowed=", ".join(DECISION_RULES),
                remedy=did_you_mean(method, DECISION_RULES),
            )
        )
    else:
        own, guess = float(DECISION_RULES[method].guess), fit.likelihood.rows.link.guess
        if guess and abs(guess - own) > 1e-3:
            faults.append(
                Fault(
                    problem=f"the model's guess rate {guess:.4g} is not that of {method}",
                    key="method",
                    got=method,
                    remedy=f"fit with guess={DECISION_RULES[method].guess}, or name the method that was used",
                )
            )
    if faults:
        raise BlindtestError(*faults)


def _weights(
    fit: BinaryFit, matrix: ModelMatrix, grid: ReferenceGrid, group: str, by: Sequence[str]
) -> tuple[Floats, list[tuple[NDArray[np.int64], Floats]], list[tuple[str, ...]]]:
    """Return each predictor's weights of fixed effects, its slots of random ones with their values, and its labels."""
    layout = fit.likelihood.rows.layout
    factors = list(grid.factors)
    # Every cell of the grid, and the mean over those that share the `by` levels.
    cells = list(product(*(grid.factors[name] for name in factors)))
    flat = grid.weights.reshape(len(cells), -1)
    wanted = list(product(*(grid.factors[name] for name in by)))
    places = [factors.index(name) for name in by]
    members = [[n for n, cell in enumerate(cells) if tuple(cell[p] for p in places) == want] for want in wanted]
    mine: list[tuple[int, list[str]]] = []
    for term, one in enumerate(layout.groups):
        parts = one.name.split(":")
        others = [part for part in parts if part not in group.split(":")]
        if set(group.split(":")) <= set(parts) and all(part in factors for part in others):
            mine.append((term, parts))
    index = [{name: place for place, name in enumerate(layout.groups[term].levels)} for term, _ in mine]
    of_level = [dict(zip(group.split(":"), name.split(":"), strict=False)) for name in _levels(fit, group)]
    fixed, random, labels = [], [], []
    for name, named in zip(_levels(fit, group), of_level, strict=True):
        for want, inside in zip(wanted, members, strict=True):
            share = 1 / len(inside)
            met: dict[int, float] = {}
            for cell in inside:
                values = {**{f: str(v) for f, v in zip(factors, cells[cell], strict=True)}, **named}
                for (term, parts), known in zip(mine, index, strict=True):
                    place = known.get(
                        ":".join(values[part] for part in parts) if ":" in layout.groups[term].name else name
                    )
                    if place is None:
                        continue
                    for column, slot in zip(layout.groups[term].columns, layout.slots[term][place], strict=True):
                        value = _column_value(column, matrix.terms, flat[cell])
                        met[int(slot)] = met.get(int(slot), 0.0) + share * value
            fixed.append(flat[inside].mean(axis=0))
            random.append((np.fromiter(met, dtype=np.int64), np.fromiter(met.values(), dtype=np.float64)))
            labels.append((name, *want))
    return np.asarray(fixed), random, labels


def _levels(fit: BinaryFit, group: str) -> tuple[str, ...]:
    return next(g.levels for g in fit.likelihood.rows.layout.groups if g.name == group)


def _column_value(column: str, terms: Sequence[str], weights: Floats) -> float:
    if column == "Intercept":
        return 1.0
    if column in terms:
        return float(weights[list(terms).index(column)])
    raise BlindtestError(
        Fault(
            problem="a slope of the random part is not a term of the fixed part: its value is unknown here",
            key="sensitivity",
            got=column,
            allowed=", ".join(terms),
        )
    )


def mode_slopes(fit: BinaryFit) -> Floats:
    """Return the slope of the effects' modes in beta and theta, (slots, p + t), in units of the predictor."""
    rows, mode = fit.likelihood.rows, fit.evaluation.mode
    layout, levels, scale = rows.layout, rows.layout.root_levels, mode.scale
    weight = mode.pieces.information
    columns = []
    for place in range(len(fit.beta)):
        pushed = weight * rows.cells.gather(rows.fixed[:, place])
        pull = -scale.transposed_times(rows.random_sums(pushed), levels)
        columns.append(scale.times(mode.factor.solve(pull), levels))
    for term, row, column in fit.likelihood.places:
        at, to = layout.slots[term][:, row], layout.slots[term][:, column]
        direct = np.zeros(layout.size)
        direct[at] = mode.u[to]
        pull = -scale.transposed_times(rows.random_sums(weight * rows.random_predictor(direct)), levels)
        pull[to] += mode.sums[at]
        columns.append(direct + scale.times(mode.factor.solve(pull), levels))
    return np.column_stack(columns)


def _variances(fit: BinaryFit, fixed: Floats, random: Sequence[tuple[NDArray[np.int64], Floats]]) -> Floats:
    mode, count = fit.evaluation.mode, len(fit.beta)
    levels, size = fit.likelihood.rows.layout.root_levels, fit.likelihood.rows.layout.size
    slopes = mode_slopes(fit)
    variances = np.empty(len(random))
    for first in range(0, len(random), BATCH):
        batch = random[first : first + BATCH]
        given = np.zeros((len(batch), size))
        for row, (slots, values) in enumerate(batch):
            given[row, slots] = values
        scaled = np.array([mode.scale.transposed_times(row, levels) for row in given]).T
        own = np.sum(scaled * mode.factor.solve(scaled), axis=0)
        moved = given @ slopes
        moved[:, :count] += fixed[first : first + BATCH]
        variances[first : first + BATCH] = own + np.einsum("ni,ij,nj->n", moved, fit.covariance, moved)
    return variances
