"""Averages of staircases: a threshold without a model of the curve, beside the fitted one.

A rule of k right answers down, one wrong one up (Levitt 1971) settles where both are equally likely, at p^k = 1/2; one
up and one down of unequal size (Kaernbach 1991) where step_up (1 - p) = step_down p. The level is averaged over
reversals, where its direction turns. Reversals up to the last change of the step's size are dropped, and an even number
is kept (of an odd one the first is dropped), so that upper and lower turns count alike: the mean is then that of the
middles of runs.

Levels are averaged on the scale on which they come: dB or a logarithm for steps that are factors. The trials of a
staircase are not independent of each other, so there is no binomial test of them, and the spread is that between
tracks.

Source: Levitt 1971 (JASA 49, 467); Kaernbach 1991 (Perception & Psychophysics 49, 227).
"""

from dataclasses import dataclass
from math import nan, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from blindtest.errors import BlindtestError, Fault
from blindtest.nouns import number_of
from blindtest.stats.binomial import Interval, checked_probability
from blindtest.stats.plain import plain

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["StaircaseResult", "StaircaseTrack", "staircase_average", "up_down_target", "weighted_step_ratio"]

Floats = NDArray[np.float64]
TRACK = ("listener", "track", "sitting", "block")
"""Columns that tell tracks apart, as far as a table has them."""
ENOUGH_TRACKS = 3


def up_down_target(*, down: int = 1, up: int = 1) -> float:
    """Return the proportion correct at which a rule settles: `down` right answers in a row down, `up` wrong ones up.

    Raises
    ------
    ValueError
        Counts below 1, or both above 1: where such a rule settles depends on how its runs are counted.
    """
    if down < 1 or up < 1:
        raise ValueError(f"a rule needs at least one answer for a step, got {down} down, {up} up")
    if down > 1 and up > 1:
        raise ValueError(f"one of both must be 1, got {down} down, {up} up")
    return float(0.5 ** (1 / down)) if up == 1 else float(1 - 0.5 ** (1 / up))


def weighted_step_ratio(proportion: float) -> float:
    """Return how many times the upward step must be the downward one to settle at this proportion correct."""
    return checked_probability("the proportion", proportion) / (1 - proportion)


@dataclass(frozen=True, slots=True, kw_only=True)
class StaircaseTrack:
    """One track and the average of its late reversals."""

    name: str
    listener: str
    trials: int
    reversals: tuple[float, ...]
    """Levels at all of them, in order."""
    used: tuple[float, ...]
    """Those averaged: an even number after the last change of the step."""
    estimate: float
    """Their mean; NaN where fewer than two are left."""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class StaircaseResult:
    """The average of staircases: over tracks of one listener, or over listeners."""

    tracks: tuple[StaircaseTrack, ...]
    listeners: tuple[tuple[str, float, float], ...]
    """Name, mean over tracks, standard deviation between tracks (NaN for one track)."""
    estimate: float
    """Mean over tracks of one listener; of several: mean of their means."""
    between: float
    """Standard deviation between those; NaN if there is one only."""
    std_error: float
    interval: Interval
    """By Student's t; infinite if there is one only."""
    target: float | None
    """Proportion correct at which the rule settles, if it was given."""
    level: float
    method: str = "mean of an even number of late reversals"
    source: str = "Levitt 1971; Kaernbach 1991"
    assumptions: tuple[str, ...] = (
        "the rule did not change after the last change of the step",
        "tracks (or listeners) are independent and roughly normal about what they estimate",
    )

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        several = len(self.listeners) > 1
        counted = f"{len(self.listeners)} listeners" if several else f"{number_of(len(self.tracks), 'track')}"
        at = "" if self.target is None else f" at {100 * self.target:.1f} % right"
        few = (
            f" Fewer than {ENOUGH_TRACKS} tracks: the spread is hardly known."
            if not several and len(self.tracks) < ENOUGH_TRACKS
            else ""
        )
        return (
            f"Level{at}: {self.estimate:.4g} ({100 * self.level:g} % interval {self.interval[0]:.4g} to "
            f"{self.interval[1]:.4g}), mean over {counted}, standard deviation between them {self.between:.3g}.{few}"
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included; undefined numbers become None."""
        return plain(self, "sentence")


def staircase_average(
    table: "DataFrame", *, down: int | None = None, up: int = 1, target: float | None = None, level: float = 0.95
) -> StaircaseResult:
    """Return the average level of the late reversals of the tracks in a table.

    It lies beside the level its rule is meant to settle at: two down one up with a last step of half a standard
    deviation of the curve came out .15 of a standard deviation too low (simulated, standard error .02), so the interval
    narrows about a place that is a third of a step off (tests/references/stats/thresholds_error_rates.csv).

    Parameters
    ----------
    table : a row per trial, in order within each track: level; tracks are told apart by the columns listener, track,
        sitting, block, as far as they are there
    down, up : the rule, if it is known: `target` follows
    target : proportion correct at which the rule settles, if it is a weighted one
    level : of the interval

    Raises
    ------
    BlindtestError
        No column level, a level that is no number (with its row), or no track with two late reversals.
    """
    checked_probability("level", level)
    if down is not None:
        target = up_down_target(down=down, up=up)
    tracks = _tracks(table)
    judged = [track for track in tracks if track.estimate == track.estimate]
    if not judged:
        raise BlindtestError(
            Fault(
                problem="no track has two reversals after the last change of its step",
                key="level",
                got="; ".join(f"{track.name}: {len(track.reversals)} reversals" for track in tracks),
                remedy="run tracks for longer, or fit a psychometric function to their trials",
            )
        )
    names = sorted({track.listener for track in judged})
    listeners = tuple(_of_listener(name, judged) for name in names)
    values = [mean for _, mean, _ in listeners] if len(listeners) > 1 else [track.estimate for track in judged]
    between = float(np.std(values, ddof=1)) if len(values) > 1 else nan
    error = between / sqrt(len(values))
    mean = float(np.mean(values))
    half = float(stdtrit(len(values) - 1, (1 + level) / 2)) * error if len(values) > 1 else float("inf")
    return StaircaseResult(
        tracks=tuple(tracks),
        listeners=listeners,
        estimate=mean,
        between=between,
        std_error=error,
        interval=(mean - half, mean + half),
        target=target,
        level=float(level),
    )


def _of_listener(name: str, tracks: list[StaircaseTrack]) -> tuple[str, float, float]:
    values = [track.estimate for track in tracks if track.listener == name]
    return name, float(np.mean(values)), float(np.std(values, ddof=1)) if len(values) > 1 else nan


def _tracks(table: "DataFrame") -> list[StaircaseTrack]:
    import pandas as pd

    if "level" not in table:
        raise BlindtestError(
            Fault(problem="the table has no column 'level'", got=", ".join(map(str, table.columns)), key="level")
        )
    levels = pd.to_numeric(table["level"], errors="coerce").astype(float)
    wrong = np.flatnonzero(~np.isfinite(levels.to_numpy()))
    if wrong.size:
        raise BlindtestError(
            *(
                Fault(problem=f"row {row + 1}: no level", key="level", got=str(table["level"].iloc[row]))
                for row in wrong[:20]
            )
        )
    if levels.empty:
        raise BlindtestError(Fault(problem="the table has no trial", key="level", got="0 rows"))
    keys = [name for name in TRACK if name in table]
    labels = pd.Series("", index=table.index) if not keys else table[keys].astype(str).agg(" / ".join, axis=1)
    listener = table["listener"].astype(str) if "listener" in table else pd.Series("(not named)", index=table.index)
    found = []
    for name, where in labels.groupby(labels, sort=False).groups.items():
        found.append(
            _track(str(name), str(listener.loc[where].iloc[0]), np.asarray(levels.loc[where], dtype=np.float64))
        )
    return found


def _track(name: str, listener: str, levels: Floats) -> StaircaseTrack:
    moves = np.flatnonzero(np.diff(levels))
    steps = np.diff(levels)[moves]
    turns = [
        (order, int(moves[order])) for order in range(1, len(moves)) if (steps[order] > 0) != (steps[order - 1] > 0)
    ]
    settled = _last_change(steps) + 1
    reversals = tuple(float(levels[at]) for _, at in turns)
    late = [float(levels[at]) for order, at in turns if order > settled]
    used = tuple(late[len(late) % 2 :])
    return StaircaseTrack(
        name=name,
        listener=listener,
        trials=len(levels),
        reversals=reversals,
        used=used,
        estimate=float(np.mean(used)) if used else nan,
    )


def _last_change(steps: Floats) -> int:
    """Return the order of the last step that is not yet of its final size; up and down have sizes of their own."""
    last = -1
    for side in (steps > 0, steps < 0):
        sizes = np.abs(steps[side])
        if sizes.size:
            early = np.flatnonzero(~np.isclose(sizes, sizes[-1], rtol=1e-6))
            if early.size:
                last = max(last, int(np.flatnonzero(side)[early[-1]]))
    return last
