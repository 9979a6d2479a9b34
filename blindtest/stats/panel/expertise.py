"""How well each listener of a panel measures: tells stimuli apart, repeats itself, agrees with the rest.

From replicated ratings, listener by listener:

- discrimination F = MS(stimulus) / MS(replicate), above the noise floor or not: the floor is the 95 % point of F when
  that listener's own ratings are dealt out anew to the stimuli, so that it fits the listener's use of the scale;
- reliability: the standard deviation of a repeated rating; with two replicates the SD of their differences over root
  2, with more the residual of stimulus x replicate (a shift of a whole replicate is no unreliability);
- agreement: the correlation of the listener's means of the stimuli with those of all others.

Source: after ITU-R BS.2300-0 (2014), Methods for assessor screening, which names the three; the formulas are our form
of them. A listener whose stimuli do not differ cannot tell them apart: include some that do.
"""

from dataclasses import dataclass, replace
from math import inf, nan, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault
from blindtest.nouns import number_of
from blindtest.stats.binomial import checked_probability
from blindtest.stats.plain import plain
from blindtest.stats.rows import json_rows
from blindtest.stats.scores import SEPARATOR, read_scores

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["ExpertiseResult", "assessor_expertise"]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
NEGLIGIBLE = 1e-13
"""Of the mean square of ratings: below this a sum of squares is rounding."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ExpertiseResult:
    """Each listener as a measuring instrument."""

    listeners: "DataFrame"
    """A row per listener: stimuli, ratings, f_value, noise_floor, p_value (permutation), above_floor, reliability
    (scale points, smaller is better), agreement (-1 ... 1)."""
    stimuli: tuple[str, ...]
    level: float
    """Of the noise floor."""
    permutations: int
    seed: int
    remarks: tuple[str, ...]
    method: str = "F of stimuli over replicates with a permutation noise floor; reliability; agreement with the rest"
    source: str = "after ITU-R BS.2300-0 (2014)"
    assumptions: tuple[str, ...] = (
        "replicates were rated blind and apart, so that a rating is not remembered",
        "the stimuli differ audibly: nobody can tell apart what is alike",
        "agreement with a panel is no virtue where tastes differ: it screens attributes, not preferences",
    )

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        able = self.listeners[self.listeners["above_floor"]]
        below = self.listeners[~self.listeners["above_floor"]]
        text = (
            f"{len(able)} of {len(self.listeners)} listeners tell the {len(self.stimuli)} stimuli apart beyond their "
            f"own noise floor ({100 * self.level:g} %)"
        )
        text += f"; not {', '.join(map(str, below.index))}." if len(below) else "."
        return " ".join((text, *self.remarks))

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        bare = replace(self, listeners=())  # type: ignore[arg-type]
        return {**plain(bare), "listeners": json_rows(self.listeners, index="listener"), "sentence": self.sentence}


def assessor_expertise(
    table: "DataFrame",
    *,
    stimulus: str | tuple[str, ...] = ("device", "clip"),
    listener: str = "listener",
    value: str = "rating",
    level: float = 0.95,
    permutations: int = 2000,
    seed: int = 1,
) -> ExpertiseResult:
    """Return how well each listener tells stimuli apart, repeats itself and agrees with the rest.

    Parameters
    ----------
    table : a row per rating; several rows of one listener and stimulus are replicates, in the order of the table
    stimulus : its column, or columns whose product it is
    level : point of the permutation distribution that is the noise floor
    permutations, seed : of each listener's ratings

    Raises
    ------
    BlindtestError
        See `read_scores`; a single stimulus; nobody who rated any stimulus twice.
    ValueError
        A level outside 0 ... 1, fewer than 19 permutations.
    """
    import pandas as pd

    checked_probability("level", level)
    if permutations < 19:
        raise ValueError(f"there must be at least 19 permutations for a 95 % point, got {permutations}")
    names = (stimulus,) if isinstance(stimulus, str) else tuple(stimulus)
    scores = read_scores(table, keys=[listener, *names], value=value)
    frame = scores.frame.assign(_stimulus=scores.frame[list(names)].agg(SEPARATOR.join, axis=1))
    stimuli = tuple(sorted(frame["_stimulus"].unique().tolist()))
    if len(stimuli) < 2:
        raise BlindtestError(
            Fault(problem="one stimulus cannot be told apart from anything", key=SEPARATOR.join(names), got=stimuli[0])
        )
    if not frame.duplicated([listener, "_stimulus"]).any():
        raise BlindtestError(
            Fault(
                problem="nobody rated a stimulus twice, so nobody's repeatability is known",
                key=value,
                remedy="expertise needs replicates: rate each stimulus at least twice",
            )
        )
    means = frame.groupby([listener, "_stimulus"])["score"].mean().unstack("_stimulus")
    rng = np.random.default_rng(seed)
    rows: dict[str, dict[str, Any]] = {}
    remarks: list[str] = []
    for name, own in frame.groupby(listener, sort=True):
        row, said = _one_listener(own, level, permutations, rng)
        others = means.drop(index=name).mean(axis=0)
        row["agreement"] = _correlation(means.loc[name].to_numpy(), others.to_numpy())
        rows[str(name)] = row
        remarks += [f"{name}: {text}" for text in said]
    if scores.without_score:
        remarks.append(f"{number_of(scores.without_score, 'row holds', 'rows hold')} no score.")
    return ExpertiseResult(
        listeners=pd.DataFrame.from_dict(rows, orient="index").rename_axis("listener"),
        stimuli=stimuli,
        level=float(level),
        permutations=permutations,
        seed=seed,
        remarks=tuple(remarks),
    )


def _one_listener(
    own: "DataFrame", level: float, permutations: int, rng: np.random.Generator
) -> tuple[dict[str, Any], list[str]]:
    values = own["score"].to_numpy(dtype=np.float64)
    labels, place = np.unique(own["_stimulus"].to_numpy(dtype=object), return_inverse=True)
    counts = np.bincount(place)
    row: dict[str, Any] = {"stimuli": len(labels), "ratings": len(values)}
    nothing = {"f_value": nan, "noise_floor": nan, "p_value": nan, "above_floor": False, "reliability": nan}
    if len(labels) < 2 or len(values) == len(labels):
        return {**row, **nothing}, ["rated one stimulus only, or nothing twice: no F."]
    said = []
    if np.ptp(values) == 0:
        return {**row, **nothing, "reliability": 0.0}, ["gave one rating throughout: no F."]
    f_value = float(_f_values(values[None, :], place, counts)[0])
    dealt = _f_values(rng.permuted(np.tile(values, (permutations, 1)), axis=1), place, counts)
    # The rank (m + 1) level of m dealt values, so that a listener who guesses passes with at most 1 - level.
    rank = min(permutations, int(np.ceil((permutations + 1) * level - 1e-9)))
    floor = float(np.sort(dealt)[rank - 1])
    slack = 1e-9 * f_value if f_value < inf else 0.0
    if len(set(counts.tolist())) > 1:
        said.append("stimuli differ in how often they were rated: reliability is that within stimuli.")
    return {
        **row,
        "f_value": f_value,
        "noise_floor": floor,
        "p_value": (int(np.sum(dealt >= f_value - slack)) + 1) / (permutations + 1),
        "above_floor": bool(f_value > floor + 1e-9 * floor) if floor < inf else False,
        "reliability": _reliability(values, place, counts),
    }, said


def _f_values(values: Floats, place: Ints, counts: Ints) -> Floats:
    """Return MS(stimulus) / MS(replicate) of each row of (draws, ratings)."""
    n, k = values.shape[1], len(counts)
    centred = values - values.mean(axis=1, keepdims=True)
    marks = np.zeros((n, k))
    marks[np.arange(n), place] = 1
    between = np.sum((centred @ marks) ** 2 / counts, axis=1)
    total = np.sum(centred**2, axis=1)
    within = np.maximum(total - between, 0.0)
    within[within <= NEGLIGIBLE * total] = 0.0
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray((between / (k - 1)) / (within / (n - k)))


def _reliability(values: Floats, place: Ints, counts: Ints) -> float:
    k = len(counts)
    if len(set(counts.tolist())) > 1:
        means = np.bincount(place, values) / counts
        return sqrt(float(np.sum((values - means[place]) ** 2)) / (len(values) - k))
    replicates = np.array([values[place == stimulus] for stimulus in range(k)])
    r = replicates.shape[1]
    residuals = replicates - replicates.mean(axis=1, keepdims=True) - replicates.mean(axis=0) + replicates.mean()
    return sqrt(float(np.sum(residuals**2)) / ((k - 1) * (r - 1)))


def _correlation(own: Floats, others: Floats) -> float:
    both = np.isfinite(own) & np.isfinite(others)
    if both.sum() < 3 or np.ptp(own[both]) == 0 or np.ptp(others[both]) == 0:
        return nan
    return float(np.corrcoef(own[both], others[both])[0, 1])
