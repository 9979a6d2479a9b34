"""Planned pages of ratings that nobody answered, set against whichever conclusion is drawn about a stage.

A sitting that is broken off may be broken off because of what it would have shown. So each page that is missing stands
for ratings that speak against the conclusion, by as much as the margin; if it does not survive that, nothing is
concluded. The same rule as that of claims rated one above another (`scale_contrast`).
"""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["against", "with_missing"]


def against(word: str, margin: float) -> tuple[float, ...]:
    """Return the effects, points, that missing pages stand for where a conclusion is put to the test.

    Shown: the margin the other way round; refuted: the margin; negligible: twice the margin either way.
    """
    return {"shown": (-margin,), "refuted": (margin,), "negligible": (2 * margin, -2 * margin)}.get(word, ())


def with_missing(table: "DataFrame", missing: Sequence[Mapping[str, Any]], *, stage: str, effect: float) -> "DataFrame":
    """Return ratings with a row for each missing one, which stands for `effect` of a stage and for nothing else.

    Parameters
    ----------
    table : listener, clip, rating and a column for each stage, on or off
    missing : the same without rating
        The rating is that listener's mean (of all listeners, where there is none), half of `effect` above it where the
        stage is on and half of it below where it is off.
    """
    import pandas as pd

    means = table.groupby("listener")["rating"].mean()
    everybody = float(table["rating"].mean())
    rows = [
        {**row, "rating": float(means.get(row["listener"], everybody)) + (0.5 if row[stage] == "on" else -0.5) * effect}
        for row in missing
    ]
    if not rows:
        return table
    return pd.concat([table, pd.DataFrame(rows)], ignore_index=True)
