"""Do listeners, and clips, differ in what is preferred? Strengths for the population, deviations around them.

Pooled strengths (strengths.py) take all answers as independent: where listeners differ their intervals are too narrow,
and an average of two camps is nobody's preference. Here every listener, and every clip, has strengths of its own,
scattered around the population's with one standard deviation per part; a part may also let the order effect differ
between listeners. Fixed parameters and standard deviations are found together at the maximum of Laplace's
approximation (pair_deviations.py); a standard deviation of zero is an outcome like any other.

Sources: Bradley & Terry 1952 (Biometrika 39, 324); Davidson 1970 (JASA 65, 317); random strengths as in Böckenholt
2001 (Psychological Methods 6, 49); Laplace's approximation as in Breslow & Clayton 1993 (JASA 88, 9), with the exact
mode and curvature; test of a variance Self & Liang 1987 (JASA 82, 605).
"""

from collections.abc import Sequence
from math import exp
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.stats.binomial import checked_probability
from blindtest.stats.comparisons import OUTCOMES, Comparisons, read_comparisons
from blindtest.stats.heterogeneity_result import HeterogeneityResult
from blindtest.stats.pair_deviations import PARTS, DeviationModel, Mode
from blindtest.stats.pair_model import Convergence, pair_model, separated_names
from blindtest.stats.ranks.likelihood_ratio import LikelihoodRatio

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["fit_heterogeneous_preferences"]

Floats = NDArray[np.float64]
SMALL_GRADIENT = 1e-6
SMALL_TAU, SMALLEST_TAU = 0.05, 1e-4
"""Below the first a standard deviation is held against 0; below the second it is 0."""
GROUPS = {"listener": "listener", "clip": "clip", "listener:order": "listener"}
"""Part -> the column it needs."""


def fit_heterogeneous_preferences(
    table: "DataFrame",
    *,
    parts: Sequence[str] | None = None,
    ties: str | None = "davidson",
    order: bool = True,
    level: float = 0.95,
) -> HeterogeneityResult:
    """Return strengths in a population of listeners (and clips) that differ, and how far they differ.

    Parameters
    ----------
    table : first, second, outcome, and listener and clip for their parts; see `read_comparisons`
    parts : of "listener", "clip", "listener:order"; None takes listener, and clip where there are two or more
    ties : "davidson" keeps ties in the model; None leaves them out
    order : whether being heard first has an effect of its own

    Raises
    ------
    BlindtestError
        See `read_comparisons`; a part that there is none of, or whose column is not there or has one level; an item
        that never lost or was never preferred (the pooled fit is penalised there, this one has no maximum); an order
        effect that can't be told apart.
    ValueError
        Another way to treat ties, a level outside 0 ... 1.
    """
    if ties not in ("davidson", None):
        raise ValueError(f"no model of ties {ties!r} (there are: 'davidson', None)")
    checked_probability("level", level)
    counts = read_comparisons(table)
    chosen = _checked_parts(table, parts, order)
    with_ties = ties is not None and counts.ties > 0
    _check_maximum(counts, ties=with_ties, order=order)
    model, names = _model(table, counts, chosen, ties=with_ties, order=order)
    parameters, value, mode, convergence = _maximised(model)
    return _result(
        model, counts, names, parameters, value, mode, convergence, ties=ties, order=order, level=float(level)
    )


def _checked_parts(table: "DataFrame", parts: Sequence[str] | None, order: bool) -> tuple[str, ...]:
    known = [str(column) for column in table.columns]
    if parts is None:
        found = tuple(name for name in ("listener", "clip") if name in known and table[name].nunique() > 1)
        if not found:
            raise BlindtestError(
                Fault(
                    problem="the table names neither two listeners nor two clips that could differ",
                    got=", ".join(known),
                    remedy="one listener's answers to one clip go into fit_paired_preferences",
                )
            )
        return found
    faults = []
    for place, part in enumerate(parts):
        if part not in PARTS or part in parts[:place]:
            faults.append(
                Fault(
                    problem="no such part",
                    key="parts",
                    got=part,
                    allowed=", ".join(PARTS),
                    remedy=did_you_mean(part, PARTS),
                )
            )
        elif GROUPS[part] not in known:
            faults.append(Fault(problem=f"the part {part} needs a column", key=GROUPS[part], got=", ".join(known)))
        elif table[GROUPS[part]].nunique() < 2:
            faults.append(
                Fault(
                    problem="one level cannot differ from others",
                    key=GROUPS[part],
                    got=str(table[GROUPS[part]].iloc[0]) if len(table) else None,
                    remedy="leave the part out",
                )
            )
        elif part == "listener:order" and not order:
            faults.append(
                Fault(problem="order effects differ only where there is one", key="parts", remedy="order=True")
            )
    if not parts:
        faults.append(Fault(problem="no part is named", key="parts", remedy="use fit_paired_preferences without any"))
    if faults:
        raise BlindtestError(*faults)
    return tuple(part for part in PARTS if part in parts)


def _check_maximum(counts: Comparisons, *, ties: bool, order: bool) -> None:
    pooled = pair_model(counts, ties=ties, order=order)
    flat = (pooled.features - pooled.features.mean(axis=1, keepdims=True)).reshape(-1, pooled.features.shape[2])
    if np.linalg.matrix_rank(flat) < flat.shape[1]:
        raise BlindtestError(
            Fault(
                problem="the strengths (or the order effect) can't be told apart with these pairs",
                got="; ".join(f"{first} before {second}" for first, second in sorted(counts.cells)),
                remedy="hear the pairs in both orders, join all items by pairs, or leave the order effect out",
            )
        )
    separated = separated_names(pooled)
    if separated:
        raise BlindtestError(
            Fault(
                problem="an item that never lost (or was never preferred) has no finite strength here",
                got=", ".join(separated),
                remedy="use fit_paired_preferences, which holds such strengths by a penalty",
            )
        )


def _model(
    table: "DataFrame", counts: Comparisons, parts: tuple[str, ...], *, ties: bool, order: bool
) -> tuple[DeviationModel, tuple[tuple[str, ...], tuple[str, ...]]]:
    """Return the model of distinct rows, and the names of listeners and clips."""
    groups = {
        name: [str(value) for value in table[name]]
        if any(GROUPS[part] == name for part in parts)
        else [""] * len(table)
        for name in ("listener", "clip")
    }
    held: dict[tuple[str, str, str, str, str], int] = {}
    columns = (groups["listener"], groups["clip"], table["first"], table["second"], table["outcome"])
    for listener, clip, first, second, outcome in zip(*columns, strict=True):
        if str(outcome) in OUTCOMES[: 3 if ties else 2]:
            key = (listener, clip, str(first), str(second), str(outcome))
            held[key] = held.get(key, 0) + 1
    items = counts.items
    size = len(items)
    marks = np.zeros((len(held), size))
    listeners, clips = (tuple(sorted(set(groups[name]))) for name in ("listener", "clip"))
    place = {name: number for number, name in enumerate(listeners)}, {name: number for number, name in enumerate(clips)}
    outcome_codes = np.empty(len(held), dtype=np.intp)
    who, where = np.empty(len(held), dtype=np.intp), np.empty(len(held), dtype=np.intp)
    for row, (listener, clip, first, second, outcome) in enumerate(held):
        marks[row, items.index(first)] += 1
        marks[row, items.index(second)] -= 1
        outcome_codes[row] = OUTCOMES.index(outcome)
        who[row], where[row] = place[0][listener], place[1][clip]
    contrast = marks @ _sum_zero(size)
    advantage = np.column_stack((contrast, np.ones(len(held)))) if order else contrast
    model = DeviationModel(
        advantage=advantage,
        contrast=contrast,
        outcome=outcome_codes,
        weights=np.array(list(held.values()), dtype=np.float64),
        listeners=who,
        clips=where,
        counts=(len(listeners), len(clips)),
        has_ties=ties,
        parts=parts,
    )
    return model, (listeners, clips)


def _sum_zero(size: int) -> Floats:
    """Return an orthonormal basis of vectors that sum to zero, (size, size - 1)."""
    basis = np.zeros((size, size - 1))
    for column in range(size - 1):
        basis[: column + 1, column] = -1
        basis[column + 1, column] = column + 1
    return np.asarray(basis / np.linalg.norm(basis, axis=0))


def _maximised(model: DeviationModel) -> tuple[Floats, float, Mode, Convergence]:
    """Return parameters at the maximum, with standard deviations at zero where they end there.

    The search moves logarithms of standard deviations: the likelihood is even in a standard deviation, so that at 0 its
    slope is zero whether or not there is a maximum. One that becomes tiny is set to 0, if nothing is lost by it.
    """
    from scipy.optimize import minimize

    answers = float(model.weights.sum())
    warm: list[Mode | None] = [None]

    def minus(searched: Floats) -> tuple[float, Floats]:
        parameters = _opened(searched, model.size)
        value, slope, warm[0] = model.laplace(parameters, warm[0])
        slope[model.size :] *= parameters[model.size :]
        return -value / answers, -slope / answers

    start = np.concatenate((np.zeros(model.size), np.full(len(model.parts), np.log(0.5))))
    found = minimize(minus, start, jac=True, method="BFGS", options={"gtol": SMALL_GRADIENT / 10, "maxiter": 500})
    parameters = _opened(np.asarray(found.x, dtype=np.float64), model.size)
    value, slope, mode = model.laplace(parameters)
    for part, tau in zip(model.parts, parameters[model.size :].tolist(), strict=True):
        if tau < SMALL_TAU:
            inner, without, _, convergence = _maximised(model.without(part))
            if without >= value - 1e-8 * abs(value) or tau < SMALLEST_TAU:
                place = model.size + model.parts.index(part)
                parameters = np.insert(inner, place, 0.0)
                return parameters, without, model.mode(parameters), convergence
    slope[model.size :] *= parameters[model.size :]
    steepest = float(np.max(np.abs(slope))) / answers
    converged = steepest <= SMALL_GRADIENT
    return (
        parameters,
        value,
        mode,
        Convergence(
            converged=converged,
            steps=int(found.nit),
            gradient=steepest,
            criterion=f"largest slope of the log-likelihood per answer <= {SMALL_GRADIENT:g}",
            start="strengths, order effect and log nu at 0, standard deviations at 0.5",
            remedy="" if converged else "leave a part out, or pool the answers (fit_paired_preferences)",
        ),
    )


def _opened(searched: Floats, size: int) -> Floats:
    return np.concatenate((searched[:size], np.exp(np.clip(searched[size:], -20, 5))))


def _information(model: DeviationModel, parameters: Floats, free: list[int], mode: Mode) -> Floats:
    """Return minus the Hessian in the free parameters, by central differences of the gradient."""
    out = np.empty((len(free), len(free)))
    for row, place in enumerate(free):
        width = 1e-4 * (1.0 if place < model.size else min(1.0, parameters[place]))
        step = np.zeros(len(parameters))
        step[place] = width
        up, down = model.laplace(parameters + step, mode)[1], model.laplace(parameters - step, mode)[1]
        out[row] = -(up - down)[free] / (2 * width)
    return (out + out.T) / 2


def _result(
    model: DeviationModel,
    counts: Comparisons,
    names: tuple[tuple[str, ...], tuple[str, ...]],
    parameters: Floats,
    value: float,
    mode: Mode,
    convergence: Convergence,
    *,
    ties: str | None,
    order: bool,
    level: float,
) -> HeterogeneityResult:
    import pandas as pd

    items = counts.items
    basis = _sum_zero(len(items))
    taus = parameters[model.size :]
    free = [place for place in range(len(parameters)) if place < model.size or parameters[place] > 0]
    covariance = np.linalg.inv(_information(model, parameters, free, mode))
    rows = [*items, *(["order"] if order else []), *(["log_nu"] if model.has_ties else [])]
    to_rows = np.zeros((len(rows), model.size))
    to_rows[: len(items), : len(items) - 1] = basis
    for extra in range(len(items), len(rows)):
        to_rows[extra, extra - 1] = 1
    fixed = to_rows @ covariance[: model.size, : model.size] @ to_rows.T
    estimates = dict(zip(rows, (to_rows @ parameters[: model.size]).tolist(), strict=True))
    errors = dict(zip(rows, np.sqrt(np.maximum(np.diag(fixed), 0.0)).tolist(), strict=True))
    z = float(ndtri((1 + level) / 2))
    strengths = pd.DataFrame(
        [(estimates[i], errors[i], estimates[i] - z * errors[i], estimates[i] + z * errors[i]) for i in items],
        columns=["estimate", "std_error", "ci_low", "ci_high"],
        index=pd.Index(items, name="item"),
    )
    tau_errors = [
        float(np.sqrt(covariance[free.index(place), free.index(place)])) if place in free else np.nan
        for place in range(model.size, len(parameters))
    ]
    tests = [_part_test(model, part, value) for part in model.parts]
    own, own_errors = _listeners_own(model, parameters, mode, basis, strengths, names[0])
    remarks = [
        f"The standard deviation of {p} is estimated as 0." for p, t in zip(model.parts, taus, strict=True) if t == 0
    ]
    if ties is None and counts.ties:
        remarks.append(f"{counts.ties} ties were left out, which favours whoever ties seldom.")
    if not convergence.converged:
        remarks.append(f"The fit did not converge in {convergence.steps} steps: {convergence.remedy}.")
    return HeterogeneityResult(
        strengths=strengths,
        order_effect=estimates["order"] if order else None,
        order_effect_std_error=errors["order"] if order else None,
        tie_parameter=exp(estimates["log_nu"]) if model.has_ties else (0.0 if ties else None),
        parts=pd.DataFrame(
            {
                "standard_deviation": taus,
                "std_error": tau_errors,
                "statistic": [test.statistic for test in tests],
                "p_value": [test.p_value for test in tests],
            },
            index=pd.Index(model.parts, name="part"),
        ),
        listener_strengths=own,
        listener_std_errors=own_errors,
        covariance=pd.DataFrame(fixed, index=rows, columns=rows),
        log_likelihood=value,
        answers=int(model.weights.sum()),
        ties=counts.ties,
        unanswered=sum(counts.unanswered.values()),
        listeners=counts.listeners,
        clips=counts.clips,
        level=level,
        remarks=tuple(remarks),
        convergence=convergence,
    )


def _part_test(model: DeviationModel, part: str, value: float) -> LikelihoodRatio:
    from scipy.special import chdtrc

    smaller = model.without(part)
    other = _maximised(smaller)[1]
    statistic = max(0.0, 2 * (value - other))
    # Half of the time the estimate is 0 although nothing is: half of chi-square's tail, and 1 at 0.
    p_value = float(chdtrc(1, statistic)) / 2 if statistic > 0 else 1.0
    return LikelihoodRatio(what=part, statistic=statistic, df=1, p_value=p_value)


def _listeners_own(
    model: DeviationModel,
    parameters: Floats,
    mode: Mode,
    basis: Floats,
    strengths: "DataFrame",
    listeners: tuple[str, ...],
) -> tuple["DataFrame", "DataFrame"]:
    import pandas as pd

    if "listener" not in model.parts:
        return pd.DataFrame(), pd.DataFrame()
    values, errors = model.deviations(parameters, mode, basis)
    index, columns = pd.Index(listeners, name="listener"), [str(item) for item in strengths.index]
    middle = strengths["estimate"].to_numpy(dtype=np.float64)
    return (
        pd.DataFrame(middle + values, index=index, columns=columns),
        pd.DataFrame(errors, index=index, columns=columns),
    )
