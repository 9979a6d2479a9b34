"""An exact sign test for every pair of a table of comparisons."""

from math import nan
from typing import TYPE_CHECKING, Any

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.stats.comparisons import Comparisons, read_comparisons
from blindtest.stats.direction import Direction
from blindtest.stats.multiplicity import adjust_p_values
from blindtest.stats.preference import preference_test

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["preference_sign_tests"]


def preference_sign_tests(
    table: "DataFrame", *, claimed: tuple[str, str] | None = None, level: float = 0.95
) -> "DataFrame":
    """Return an exact sign test for every pair of a table of comparisons (first, second, outcome).

    Parameters
    ----------
    claimed : (device, comparator) whose direction was sealed: that pair stands as a, b and is tested one-sided

    Returns
    -------
    DataFrame, a row per pair in the order of names
        a, b, n_a, n_b (how often each was preferred), ties, p_value (two-sided unless `claimed`), ci_low, ci_high
        (probability that a is preferred, among trials with a preference, two-sided; Clopper & Pearson), proportion,
        p_adjusted (Holm over the pairs), direction, unanswered.

    Raises
    ------
    BlindtestError
        See `read_comparisons`; or a claimed pair that was not compared.
    """
    import pandas as pd

    counts = read_comparisons(table)
    pairs = [_oriented(pair, claimed) for pair in counts.compared()]
    if claimed is not None and tuple(claimed) not in pairs:
        raise BlindtestError(_not_compared(claimed, counts))
    rows: list[dict[str, Any]] = []
    for a, b in pairs:
        n_a, n_b, ties = counts.pair(a, b)
        direction: Direction = "claimed" if claimed is not None and (a, b) == tuple(claimed) else "two-sided"
        result = preference_test(n_a, n_b, ties, direction=direction, level=level)
        rows.append(
            {
                "a": a,
                "b": b,
                "n_a": n_a,
                "n_b": n_b,
                "ties": ties,
                "p_value": result.p_value,
                "ci_low": result.interval[0],
                "ci_high": result.interval[1],
                "proportion": result.proportion,
                "p_adjusted": nan,
                "direction": direction,
                "unanswered": counts.unanswered.get((min(a, b), max(a, b)), 0),
            }
        )
    frame = pd.DataFrame(rows)
    frame["p_adjusted"] = adjust_p_values(frame["p_value"].to_numpy())
    return frame


def _oriented(pair: tuple[str, str], claimed: tuple[str, str] | None) -> tuple[str, str]:
    return pair if claimed is None or pair != (claimed[1], claimed[0]) else (claimed[0], claimed[1])


def _not_compared(claimed: tuple[str, str], counts: Comparisons) -> Fault:
    unknown = [name for name in claimed if name not in counts.items]
    return Fault(
        problem="the claimed pair was never compared",
        key="claimed",
        got=" over ".join(claimed),
        allowed="; ".join(f"{a}, {b}" for a, b in counts.compared()),
        remedy=did_you_mean(unknown[0], counts.items) if unknown else "",
    )
