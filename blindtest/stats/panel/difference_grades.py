"""Difference grades: what an object was graded less what the hidden reference was graded in the same trial.

Source: ITU-R BS.1116-3 (2015): grades of object and hidden reference from 5.0 down to 1.0, difference grades usually in
-4 to 0; above 0 the two were confused. Means rest on one mean per listener, or on single trials where there is only one
listener, with t intervals (Student 1908).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, nan, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import stdtr, stdtrit

from blindtest.errors import BlindtestError, Fault
from blindtest.stats.binomial import checked_probability
from blindtest.stats.plain import plain
from blindtest.stats.scores import checked_columns, read_scores

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["MeanDifferenceGrade", "difference_grades", "grades_of_pair", "mean_difference_grades"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanDifferenceGrade:
    """The mean difference grade of one object."""

    condition: str
    mean: float
    interval: tuple[float, float]
    """Two-sided, at `level`; NaN of a single value."""
    level: float
    t_value: float
    df: int
    p_value: float
    """One-sided: that the mean lies below 0."""
    listeners: int
    trials: int
    confused: int
    """Trials in which the object was graded above the hidden reference."""
    alike: int
    """Trials in which both got the same grade."""
    unit: str
    """What one value of the t test is: a listener's mean, or a trial of the only listener."""
    method: str = "mean difference grade, t"
    source: str = "ITU-R BS.1116-3 (2015); Student 1908"
    assumptions: tuple[str, ...] = ("values are independent and not too far from normal",)

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        low, high = self.interval
        limits = "" if low != low else f" ({low:+.2f} to {high:+.2f}, {100 * self.level:g} %)"
        tested = "" if self.p_value != self.p_value else f", one-sided p = {self.p_value:.3g}"
        return (
            f"{self.condition}: mean difference grade {self.mean:+.2f}{limits}{tested}; above "
            f"the hidden reference in {self.confused} of {self.trials} trials, alike in {self.alike}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "sentence")


def difference_grades(
    table: "DataFrame",
    *,
    reference: str,
    trial: Sequence[str] = ("listener", "trial"),
    condition: str = "device",
    value: str = "rating",
) -> "DataFrame":
    """Return a row per object and trial with `sdg`, its grade less that of the hidden reference.

    Parameters
    ----------
    table : a row per grade
    reference : what the hidden reference is called in the column `condition`
    trial : columns that together name one trial

    Returns
    -------
    DataFrame: the columns of `trial`, `condition`, grade, reference_grade, sdg; in the table's order

    Raises
    ------
    BlindtestError
        See `read_scores`; a trial without one grade of the hidden reference, or with several.
    """
    import pandas as pd

    scores = read_scores(table, keys=[*trial, condition], value=value)
    frame = scores.frame
    hidden: dict[tuple[str, ...], float] = {}
    faults: list[Fault] = []
    keys = [tuple(cells) for cells in frame[list(trial)].to_numpy().tolist()]
    rows = list(zip(frame.index.tolist(), keys, frame[condition].tolist(), frame["score"].tolist(), strict=True))
    for line, key, name, score in rows:
        if name != reference:
            continue
        if key in hidden:
            again = "a second grade of the hidden reference in one trial"
            faults.append(Fault(problem=again, line=line, key=condition, got=_said(trial, key)))
        hidden[key] = score
    lacking = {key: line for line, key, name, _ in reversed(rows) if name != reference and key not in hidden}
    faults += [
        Fault(
            problem="a trial without a grade of the hidden reference",
            line=line,
            key=condition,
            got=_said(trial, key),
            allowed=reference,
        )
        for key, line in lacking.items()
    ]
    if faults:
        raise BlindtestError.of(sorted(faults, key=lambda fault: fault.line or 0)[:50])
    found = [
        (*key, name, score, hidden[key], round(score - hidden[key], 9))
        for _, key, name, score in rows
        if name != reference
    ]
    return pd.DataFrame(found, columns=[*trial, condition, "grade", "reference_grade", "sdg"])


def grades_of_pair(grades: "DataFrame", *, device: str, comparator: str, reference: str) -> "DataFrame":
    """Return listener, clip, device and rating of two conditions, with difference grades for ratings.

    The hidden reference's own is 0 in every trial of the other one, where it is one of the two.

    Parameters
    ----------
    grades : see `difference_grades`; with the columns listener and clip
    """
    import pandas as pd

    rows = grades[grades["device"].isin([device, comparator])][["listener", "clip", "device", "sdg"]]
    rows = rows.rename(columns={"sdg": "rating"})
    if reference in (device, comparator):
        rows = pd.concat([rows, rows.assign(device=reference, rating=0.0)], ignore_index=True)
    return rows


def _said(names: Sequence[str], cells: Sequence[str]) -> str:
    return ", ".join(f"{name} {cell.removesuffix('.0')}" for name, cell in zip(names, cells, strict=True))


def mean_difference_grades(
    grades: "DataFrame",
    *,
    condition: str = "device",
    listener: str = "listener",
    value: str = "sdg",
    level: float = 0.95,
) -> tuple[MeanDifferenceGrade, ...]:
    """Return the mean difference grade of each object, in the order of their names.

    Raises
    ------
    BlindtestError
        See `read_scores`.
    """
    checked_probability("level", level)
    checked_columns(grades, [condition, listener, value], "difference grades")
    frame = read_scores(grades, keys=[condition, listener], value=value).frame
    return tuple(_mean(str(name), own, listener, level) for name, own in frame.groupby(condition, sort=True))


def _mean(name: str, own: "DataFrame", listener: str, level: float) -> MeanDifferenceGrade:
    each = own["score"].to_numpy(dtype=np.float64)
    means = own.groupby(listener, sort=True)["score"].mean().to_numpy(dtype=np.float64)
    values, unit = (means, "listener") if len(means) > 1 else (each, "trial")
    n, mean = len(values), float(values.mean())
    error = float(values.std(ddof=1)) / sqrt(n) if n > 1 else nan
    half = float(stdtrit(n - 1, (1 + level) / 2)) * error if n > 1 else nan
    if n < 2:
        t_value, p_value = nan, nan
    elif error > 1e-12 * max(1.0, abs(mean)):
        t_value = mean / error
        p_value = float(stdtr(n - 1, t_value))
    else:
        t_value = 0.0 if mean == 0 else (-inf if mean < 0 else inf)
        p_value = 0.0 if mean < 0 else 1.0
    return MeanDifferenceGrade(
        condition=name,
        mean=mean,
        interval=(mean - half, mean + half),
        level=float(level),
        t_value=t_value,
        df=n - 1,
        p_value=p_value,
        listeners=len(means),
        trials=len(each),
        confused=int(np.sum(each > 0)),
        alike=int(np.sum(each == 0)),
        unit=unit,
    )
