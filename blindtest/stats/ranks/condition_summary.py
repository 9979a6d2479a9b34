"""Every condition on every item, as the multi-stimulus standard has it reported: medians first, then what to look at.

Per condition and item: median, hinges, interquartile range, outliers by name, mean with its t interval, skewness and
the coefficient that suspects two groups. Then warnings: whether most scores lie where the scale has no room left,
whether many stand at its very ends, whether cells differ in how many rated them.

Source: ITU-R BS.1534-3 (2015), clauses 2, 4.1.1 and 9.
"""

from dataclasses import dataclass, replace
from math import isfinite, nan, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from blindtest.errors import BlindtestError, Fault
from blindtest.stats.binomial import checked_probability
from blindtest.stats.plain import plain
from blindtest.stats.ranks.medians import hinges, outside_fences
from blindtest.stats.ranks.multimodality import TWO_GROUPS, multimodality, sample_skewness
from blindtest.stats.rows import json_rows
from blindtest.stats.scores import read_scores

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["ConditionSummary", "summarise_conditions"]

Floats = NDArray[np.float64]
IDEAL = (0.2, 0.8)
"""Of the scale: scores ideally lie here, and most of them above is a warning (BS.1534-3, clause 2)."""
MOST = 0.5
AT_THE_ENDS = 0.25
"""Our rule: above this share of scores at the very ends of the scale, means mislead."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ConditionSummary:
    """Scores of every condition, on every item and over all of them."""

    table: "DataFrame"
    """A row per condition and item ("(all)" last): n, median, q1, q3, iqr, mean, sd, ci_low, ci_high, skewness,
    multimodality, two_groups, outliers (listeners, comma-separated)."""
    scale: tuple[float, float]
    level: float
    ideal_share: float
    """Scores within 20 ... 80 % of the scale."""
    high_share: float
    """Scores above 80 % of it."""
    end_share: float
    """Scores at the very ends."""
    warnings: tuple[str, ...]
    without_score: int
    method: str = "medians and Tukey's hinges; means with t intervals; multimodality coefficient"
    source: str = "ITU-R BS.1534-3 (2015), 2 and 4.1.1; Tukey 1977"
    assumptions: tuple[str, ...] = (
        "intervals of means: listeners independent and scores not too far from normal; over all items they rest on one "
        "mean per listener",
        "outliers are shown, none is removed",
    )

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        overall = self.table[self.table["item"] == ALL].sort_values("median", ascending=False, kind="stable")
        said = ", ".join(
            f"{row.condition} {row.median:g} ({row.q1:g} to {row.q3:g})" for row in overall.itertuples(index=False)
        )
        return " ".join((f"Medians over all items (quartiles), highest first: {said}.", *self.warnings))

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        bare = replace(self, table=())  # type: ignore[arg-type]
        return {**plain(bare), "table": json_rows(self.table), "sentence": self.sentence}


ALL = "(all)"


def summarise_conditions(
    table: "DataFrame",
    *,
    condition: str = "device",
    item: str | None = "clip",
    listener: str = "listener",
    value: str = "rating",
    scale: tuple[float, float] = (0.0, 100.0),
    level: float = 0.95,
) -> ConditionSummary:
    """Return the scores of every condition, on every item and over all of them.

    Parameters
    ----------
    item : column of the item; None where there is none
    scale : its lowest and highest score
    level : of the intervals of means

    Raises
    ------
    BlindtestError
        See `read_scores`; a score outside the scale, with its row; a scale whose ends are not in order.
    """
    import pandas as pd

    checked_probability("level", level)
    low, high = map(float, scale)
    if not low < high:
        raise BlindtestError(Fault(problem="the scale's ends are not in order", key="scale", got=scale))
    keys = [condition, listener, *([item] if item else [])]
    scores = read_scores(table, keys=keys, value=value)
    _check_scale(scores.frame, value, low, high)
    named = {condition: "condition", listener: "listener", **({item: "item"} if item else {})}
    frame = scores.frame.rename(columns=named)
    rows: list[dict[str, Any]] = []
    uneven = False
    for name, own in frame.groupby("condition", sort=True):
        if item:
            cells = [_row(str(name), str(label), cell, level) for label, cell in own.groupby("item", sort=True)]
            uneven = uneven or len({row["n"] for row in cells}) > 1
            rows += cells
        rows.append(_row(str(name), ALL, own, level))
    uneven = uneven or len({row["n"] for row in rows if row["item"] == ALL}) > 1
    values = frame["score"].to_numpy(dtype=np.float64)
    place = (values - low) / (high - low)
    shares = (
        float(np.mean((place >= IDEAL[0]) & (place <= IDEAL[1]))),
        float(np.mean(place > IDEAL[1])),
        float(np.mean((values == low) | (values == high))),
    )
    return ConditionSummary(
        table=pd.DataFrame(rows),
        scale=(low, high),
        level=float(level),
        ideal_share=shares[0],
        high_share=shares[1],
        end_share=shares[2],
        warnings=_warnings(rows, shares, uneven, (low, high)),
        without_score=scores.without_score,
    )


def _check_scale(frame: "DataFrame", value: str, low: float, high: float) -> None:
    outside = frame[(frame["score"] < low) | (frame["score"] > high)]
    if len(outside):
        faults = (
            Fault(
                problem="a score outside the scale",
                line=int(row),
                key=value,
                got=float(score),
                allowed=f"{low:g} to {high:g}",
                remedy="correct the row, or name the scale that was used",
            )
            for row, score in zip(outside.index.tolist(), outside["score"].tolist(), strict=True)
        )
        raise BlindtestError.of(faults)


def _row(condition: str, item: str, cell: "DataFrame", level: float) -> dict[str, Any]:
    values = cell["score"].to_numpy(dtype=np.float64)
    q1, median, q3 = hinges(values)
    means = cell.groupby("listener", sort=True)["score"].mean().to_numpy(dtype=np.float64)
    n = len(means)
    sd = float(means.std(ddof=1)) if n > 1 else nan
    half = float(stdtrit(n - 1, (1 + level) / 2)) * sd / sqrt(n) if n > 1 else nan
    b = multimodality(values)
    outliers = cell["listener"].to_numpy()[outside_fences(values)]
    return {
        "condition": condition,
        "item": item,
        "n": len(values),
        "median": median,
        "q1": q1,
        "q3": q3,
        "iqr": q3 - q1,
        "mean": float(means.mean()),
        "sd": sd,
        "ci_low": float(means.mean()) - half,
        "ci_high": float(means.mean()) + half,
        "skewness": sample_skewness(values),
        "multimodality": b,
        "two_groups": bool(isfinite(b) and b > TWO_GROUPS),
        "outliers": ", ".join(dict.fromkeys(map(str, outliers))),
    }


def _warnings(
    rows: list[dict[str, Any]], shares: tuple[float, float, float], uneven: bool, scale: tuple[float, float]
) -> tuple[str, ...]:
    ideal, high, ends = shares
    low, top = scale
    edges = [low + share * (top - low) for share in IDEAL]
    said = []
    if high > MOST:
        said.append(
            f"{100 * high:.0f} % of the scores lie above {edges[1]:g}: the method or the material may not fit, a test "
            "of small differences against a reference would show more."
        )
    elif ideal < MOST:
        said.append(f"Only {100 * ideal:.0f} % of the scores lie within {edges[0]:g} to {edges[1]:g}.")
    if ends > AT_THE_ENDS:
        said.append(f"{100 * ends:.0f} % of the scores stand at an end of the scale: read medians, not means.")
    suspected = [f"{row['condition']} on {row['item']}" for row in rows if row["two_groups"] and row["item"] != ALL]
    if suspected:
        said.append(
            f"There may be two groups of listeners (coefficient above 5/9, or one very skewed): {', '.join(suspected)}."
        )
    if uneven:
        said.append("Cells differ in how many scores they hold: over all items, those with more count for more.")
    return tuple(said)
