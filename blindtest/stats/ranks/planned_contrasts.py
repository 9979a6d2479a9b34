"""Planned differences of conditions, one mean per listener each, adjusted by Hochberg's step-up.

Source: ITU-R BS.1534-3 (2015), attachment 4, which asks for contrasts that were planned, not for all pairs; Hochberg
1988 (Biometrika 75, 800), which holds for independent and for positively dependent tests.
"""

from collections.abc import Sequence
from math import inf, nan, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr, stdtrit

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.stats.binomial import checked_probability
from blindtest.stats.multiplicity import Adjustment, adjust_p_values
from blindtest.stats.scores import Scores, complete_blocks, read_scores

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["planned_contrasts"]


def planned_contrasts(
    table: "DataFrame",
    pairs: Sequence[tuple[str, str]],
    *,
    condition: str = "device",
    listener: str = "listener",
    value: str = "rating",
    adjust: Adjustment = "hochberg",
    level: float = 0.95,
) -> "DataFrame":
    """Return the planned differences, each by the paired t test of listeners' means.

    Returns
    -------
    DataFrame, a row per pair in the order given
        a, b, n (listeners who rated both), estimate (a minus b), ci_low, ci_high (not adjusted), t_value, df, p_value,
        p_adjusted. Without spread p is 0 or 1; with one listener nothing but the estimate exists (NaN).

    Raises
    ------
    BlindtestError
        See `read_scores` and `complete_blocks`; a condition that nobody rated, no pair, a pair named twice.
    """
    import pandas as pd

    checked_probability("level", level)
    scores = read_scores(table, keys=[listener, condition], value=value)
    known = sorted(scores.frame[condition].unique().tolist())
    _check_pairs(pairs, known, condition)
    rows = []
    for a, b in pairs:
        both = scores.frame[scores.frame[condition].isin([a, b])]
        found = complete_blocks(Scores(frame=both, without_score=0), block=[listener], treatment=[condition])
        first = found.treatments.index(a)
        rows.append({"a": a, "b": b, **_paired_t(found.values[:, first] - found.values[:, 1 - first], level)})
    frame = pd.DataFrame(rows)
    known_p = frame["p_value"].notna()
    frame["p_adjusted"] = nan
    frame.loc[known_p, "p_adjusted"] = adjust_p_values(frame.loc[known_p, "p_value"].to_numpy(), method=adjust)
    return frame


def _check_pairs(pairs: Sequence[tuple[str, str]], known: list[str], condition: str) -> None:
    faults = [
        Fault(
            problem="a planned contrast names a condition that nobody rated",
            key=condition,
            got=name,
            allowed=", ".join(known),
            remedy=did_you_mean(str(name), known),
        )
        for pair in pairs
        for name in pair
        if name not in known
    ]
    seen: set[frozenset[str]] = set()
    for pair in pairs:
        if len(set(pair)) != 2 or frozenset(pair) in seen:
            faults.append(Fault(problem="not a pair, or one that was named before", key="pairs", got=tuple(pair)))
        seen.add(frozenset(pair))
    if not pairs:
        faults.append(Fault(problem="no contrast was planned", key="pairs", remedy='name pairs, [("A", "B")]'))
    if faults:
        raise BlindtestError(*faults)


def _paired_t(differences: NDArray[np.float64], level: float) -> dict[str, Any]:
    n, estimate = len(differences), float(differences.mean())
    error = float(differences.std(ddof=1)) / sqrt(n) if n > 1 else nan
    if error <= 1e-12 * max(1.0, abs(estimate)):
        error = 0.0
    half = float(stdtrit(n - 1, (1 + level) / 2)) * error if n > 1 else nan
    t_value = nan if n < 2 else (estimate / error if error > 0 else (0.0 if estimate == 0 else inf * estimate))
    p_value = nan if n < 2 else (2 * float(stdtr(n - 1, -abs(t_value))) if abs(t_value) < inf else 0.0)
    return {
        "n": n,
        "estimate": estimate,
        "ci_low": estimate - half,
        "ci_high": estimate + half,
        "t_value": t_value,
        "df": n - 1,
        "p_value": p_value,
    }
