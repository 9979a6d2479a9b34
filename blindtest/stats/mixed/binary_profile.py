"""Profile likelihood intervals of a binary mixed model: where the other parameters can't make up for a wrong value.

A value is inside while twice the fall of the maximised log-likelihood stays below the chi square quantile on one
degree of freedom (Venzon & Moolgavkar 1988, Appl. Statist. 37, 87). Near chance the likelihood of a coefficient
flattens out below: the lower end is then infinite. A standard deviation's lower end is 0 where 0 itself is inside;
the interval is then wider than its level says, since 0 is the edge of what is possible.
"""

from collections.abc import Sequence
from math import inf, sqrt
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from blindtest.stats.mixed.binary_fit import BinaryFit, profiled
from blindtest.stats.mixed.profiled_names import profiled_names

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["profile_interval", "profile_table"]

Floats = NDArray[np.float64]

CLOSE = 1e-5
"""Difference of the root of the deviance from its goal at which an end is found."""
FURTHEST = 60.0
"""How far out on the scale of the link an end is sought, times the predictor's size per unit of the coefficient."""


def profile_table(fit: BinaryFit, terms: Sequence[str], names: Sequence[str] | None, *, level: float) -> "DataFrame":
    """Return estimate, ci_low, ci_high of the named parameters, by default of all.

    All values are on the scale of the link.

    Parameters
    ----------
    terms : (p,) names of the fixed effects, in their order
    names : of these, or "sd(group)"
    level : of each interval, 0 ... 1
    """
    import pandas as pd

    count, places = len(fit.beta), fit.likelihood.places
    groups = fit.likelihood.rows.layout.groups
    known = {name: place for place, name in enumerate(terms)}
    for place, (term, row, _) in enumerate(places):
        group = groups[term]
        if len(group.columns) == 1:
            label = group.name if group.columns == ("Intercept",) else f"{group.name}, {group.columns[row]}"
            known[f"sd({label})"] = count + place
    wanted = profiled_names(names, known)
    records = []
    for name in wanted:
        low, high = profile_interval(fit, known[name], level=level)
        records.append({"estimate": float(fit.point[known[name]]), "ci_low": low, "ci_high": high})
    return pd.DataFrame(records, index=pd.Index(wanted, name="term"), columns=["estimate", "ci_low", "ci_high"])


def profile_interval(fit: BinaryFit, place: int, *, level: float) -> tuple[float, float]:
    """Return the ends for the parameter at `place` of the fit's point.

    Ends are on the scale of the link; infinite where the likelihood stays flat.

    Parameters
    ----------
    place : from 0: the p fixed effects, then theta
    level : 0 ... 1
    """
    from scipy.special import ndtri

    goal = float(ndtri((1 + level) / 2))
    spread = place >= len(fit.beta)
    low = _end(fit, place, -1, goal, floor=0.0 if spread else -inf)
    return low, _end(fit, place, 1, goal, floor=-inf)


def _end(fit: BinaryFit, place: int, side: int, goal: float, *, floor: float) -> float:
    """Return where the signed root of the deviance reaches `goal`, by a safeguarded secant."""
    estimate = float(fit.point[place])
    width = sqrt(float(fit.covariance[place, place])) or 0.3
    largest = 1.0
    if place < len(fit.beta):
        largest = float(np.max(np.abs(fit.likelihood.rows.fixed[:, place]))) or 1.0
    limit = estimate + side * FURTHEST / largest
    if side < 0:
        limit = max(limit, floor)
        if estimate <= floor:
            return floor
    inside, inside_root, point = estimate, 0.0, fit.point
    outside: float | None = None
    outside_root = inf
    step = width * goal
    at = estimate
    for _ in range(60):
        if outside is None:
            at = inside + side * step
            if side * (at - limit) >= 0:
                at = limit
        else:
            share = (goal - inside_root) / (outside_root - inside_root)
            at = inside + float(np.clip(share, 0.05, 0.95)) * (outside - inside)
            if not np.isfinite(at):
                at = (inside + outside) / 2
        value, found = profiled(fit, place, at, point)
        root = sqrt(max(2 * (fit.value - value), 0.0)) if np.isfinite(value) else inf
        if abs(root - goal) < CLOSE:
            return at
        if root < goal:
            if at == limit:
                return floor if side < 0 and floor == 0 else side * inf
            if root - inside_root < 1e-4 and abs(at - estimate) * largest > 15:
                return side * inf
            slope = (root - inside_root) / abs(at - inside)
            step = float(np.clip((goal - root) / slope if slope > 0 else inf, 0.1 * step, 2 * step + width))
            step *= 1.02
            inside, inside_root, point = at, root, found
        else:
            outside, outside_root = at, root
        if outside is not None and abs(outside - inside) < 1e-9 * max(1.0, abs(estimate)):
            return (inside + outside) / 2
    return at
