"""Learning and fatigue: does a listener get better or worse over the trials?

Exact test: given how many answers were right, *which* ones is a fair draw if nothing changes; the positions of the
right ones, added up, have a known distribution then (the rank-sum test of positions). Listeners are strata, so they may
differ in ability and in numbers of trials. Halves are compared in the same way, by exchange of trials.

The slope that goes with that test is the change of the log odds of being right per trial, given how many were right of
each listener: its exact interval and the test never disagree. Beside it stands the change of what is *heard*, with the
guess rate taken out: p = guess + (1 - guess)/(1 + exp(-a - b t)), t from -1/2 at the first trial to +1/2 at the last,
by profile likelihood. For all listeners together a and b are common: an intercept for each would bend b away from 0
(Neyman & Scott 1948, Econometrica 16, 1); differences between listeners that are left out bend it towards 0. Where that
matters take the mixed model.

A trend makes the binomial test no less valid against guessing (a guesser has no trend to show), but one proportion then
does not describe the sitting.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf, nan
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, log_expit

from blindtest.errors import BlindtestError, Fault
from blindtest.stats.binomial import Interval, checked_probability
from blindtest.stats.exact_sums import score_sum, tilt
from blindtest.stats.listeners import counted_trials, one_method
from blindtest.stats.multiplicity import adjust_p_values
from blindtest.stats.plain import plain
from blindtest.stats.profile_likelihood import joint_peak, peak, profile_limits
from blindtest.stats.sensitivity import decision_rule

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["TrialTrend", "trial_trend"]

Floats = NDArray[np.float64]
STEEPEST = 60.0
"""Change of the log odds from first to last trial beyond which a slope is taken to be infinite."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialTrend:
    """How right answers lie along the trials; of one listener, or of all with `by_listener`."""

    listener: str
    """"(all)" for all listeners together."""
    trials: int
    correct: int
    p_value: float
    """Two-sided exact, of no trend."""
    adjusted_p_value: float
    """Holm, over listeners; for all together the same as `p_value`."""
    learning_p_value: float
    """One-sided exact: right answers lie no later than by luck."""
    fatigue_p_value: float
    """One-sided exact: right answers lie no earlier than by luck."""
    z: float
    """Standard deviations by which right answers lie late (above 0) or early."""
    slope: float
    """Change of the log odds of being right per trial; infinite where right answers lie as late as they could."""
    slope_interval: Interval
    """Exact, goes with `p_value`."""
    heard_slope: float
    """Change of the log odds of hearing from first to last trial; infinite or NaN where answers don't bound it."""
    heard_slope_interval: Interval
    """Profile likelihood; approximate."""
    first_half: tuple[int, int]
    """Right, trials; an odd trial in the middle belongs to neither."""
    second_half: tuple[int, int]
    halves_p_value: float
    """Two-sided exact, of equal halves."""
    level: float
    exact: bool
    """False where a distribution was too large and the normal one stood in."""
    order: str
    """What the order of trials was taken from."""
    by_listener: tuple["TrialTrend", ...] = ()
    test: str = "exact rank-sum test of the positions of right answers, listeners as strata"
    source: str = "Mann & Whitney 1947; Mehta, Patel & Gray 1985 for strata"
    assumptions: tuple[str, ...] = (
        "within a listener, nothing but luck and time decides which answers are right: trials are equally hard, or "
        "their difficulty was drawn in random order",
    )

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        (a, n), (b, m) = self.first_half, self.second_half
        return (
            f"{self.listener}: {a} of {n} right in the first half, {b} of {m} in the second. Without a trend right "
            f"answers lie so far from even with probability {self.p_value:.3g} (exact, two-sided; later: "
            f"{self.learning_p_value:.3g}, earlier: {self.fatigue_p_value:.3g})."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included; infinite and undefined numbers become None."""
        return plain(self, "sentence")


def trial_trend(
    table: "DataFrame",
    *,
    method: str | None = None,
    within: Literal["listener", "sitting"] = "listener",
    level: float = 0.95,
) -> TrialTrend:
    """Return whether right answers lie early or late among the trials of a table.

    Parameters
    ----------
    table : a row per trial: correct, and `method` unless it is given; `listener`, `sitting`, `trial` and `answered_at`
        where they are there. See `counted_trials` for the rows that count
    within : "listener": over all of a listener's trials (learning); "sitting": over each sitting, added up (fatigue)

    The exact tests and `slope_interval` keep what they state. `heard_slope_interval` is approximate: at 95 % it covers
    .85 with 20 trials and a guess rate of 1/2, .89 to .91 with 40 (tests/references/stats/panels_error_rates.csv).

    Order is that of `answered_at`, else of `sitting` and `trial`, else of the rows: `.order` says which.

    Raises
    ------
    BlindtestError
        No answered trial; see `listener_results`.
    """
    if within not in ("listener", "sitting"):
        raise ValueError(f"a trend lies within a 'listener' or a 'sitting', got {within!r}")
    checked_probability("level", level)
    if "correct" not in table:
        raise BlindtestError(
            Fault(problem="the table has no column 'correct'", got=", ".join(map(str, table.columns)), key="correct")
        )
    counted = counted_trials(table)
    if counted.empty:
        raise BlindtestError(
            Fault(problem="no trial of this table was answered", key="correct", got=f"{len(table)} rows")
        )
    guess = float(decision_rule(one_method(counted, method)).guess)
    ordered, order = _ordered(counted)
    names = ordered["listener"].astype("string").fillna("(not named)") if "listener" in ordered else None
    if within == "sitting" and "sitting" not in ordered:
        raise BlindtestError(Fault(problem="the table does not say which sitting a trial was of", key="sitting"))
    runs: dict[str, list[list[bool]]] = {}
    for position in range(len(ordered)):
        name = "(not named)" if names is None else str(names.iloc[position])
        runs.setdefault(name, [])
    for name, own in runs.items():
        part = ordered if names is None else ordered[names == name]
        groups = [part] if within == "listener" else [group for _, group in part.groupby("sitting", sort=True)]
        own.extend([[bool(value) for value in group["correct"]] for group in groups])
    single = [_trend(name, runs[name], guess, level, order) for name in sorted(runs)]
    adjusted = adjust_p_values([result.p_value for result in single])
    by_listener = tuple(replace(result, adjusted_p_value=float(p)) for result, p in zip(single, adjusted, strict=True))
    if len(by_listener) == 1:
        return by_listener[0]
    every = _trend("(all)", [run for name in sorted(runs) for run in runs[name]], guess, level, order)
    return replace(every, by_listener=by_listener)


def _ordered(counted: "DataFrame") -> tuple["DataFrame", str]:
    import pandas as pd

    if "answered_at" in counted and counted["answered_at"].notna().all():
        return counted.sort_values("answered_at", kind="stable"), "answered_at"
    keys = [name for name in ("sitting", "trial") if name in counted and counted[name].notna().all()]
    if "trial" in keys and all(pd.api.types.is_numeric_dtype(counted[name]) for name in keys):
        return counted.sort_values(keys, kind="stable"), " and ".join(keys)
    return counted, "the order of rows"


def _trend(name: str, runs: Sequence[Sequence[bool]], guess: float, level: float, order: str) -> TrialTrend:
    late = score_sum([([2 * i - len(run) + 1 for i in range(len(run))], run) for run in runs])
    halves = score_sum([(_halves(len(run)), run) for run in runs])
    per_score, limits = tilt(late, level=level)
    heard, heard_interval = _heard_slope(runs, guess, level)
    sides = [
        [right for run in runs for right, half in zip(run, _halves(len(run)), strict=True) if half == side]
        for side in (-1, 1)
    ]
    return TrialTrend(
        listener=name,
        trials=sum(map(len, runs)),
        correct=sum(map(sum, runs)),
        p_value=min(1.0, 2 * min(late.upper, late.lower)),
        adjusted_p_value=min(1.0, 2 * min(late.upper, late.lower)),
        learning_p_value=late.upper,
        fatigue_p_value=late.lower,
        z=late.z,
        # A trial is two units of score: positions are doubled to keep them whole.
        slope=2 * per_score,
        slope_interval=(2 * limits[0], 2 * limits[1]),
        heard_slope=heard,
        heard_slope_interval=heard_interval,
        first_half=(sum(sides[0]), len(sides[0])),
        second_half=(sum(sides[1]), len(sides[1])),
        halves_p_value=min(1.0, 2 * min(halves.upper, halves.lower)),
        level=float(level),
        exact=late.exact and halves.exact,
        order=order,
    )


def _halves(trials: int) -> list[int]:
    half = trials // 2
    return [-1] * half + [0] * (trials % 2) + [1] * half


def _heard_slope(runs: Sequence[Sequence[bool]], guess: float, level: float) -> tuple[float, Interval]:
    times = np.concatenate([np.arange(len(run)) / max(len(run) - 1, 1) - 0.5 for run in runs])
    right = np.concatenate([np.asarray(run, dtype=np.float64) for run in runs])

    def log_likelihood(intercept: Floats, slope: Floats) -> Floats:
        eta = intercept[..., None] + slope[..., None] * times
        with np.errstate(divide="ignore"):
            wrong = np.log1p(-guess) + log_expit(-eta)
            return np.asarray(np.sum(np.where(right > 0, np.log(guess + (1 - guess) * expit(eta)), wrong), axis=-1))

    def profile(slope: float) -> float:
        reach = 40.0 + abs(slope)
        return peak(lambda a: log_likelihood(a, np.full_like(a, slope)), -reach, reach)[1]

    (_, slope), best, _ = joint_peak(log_likelihood, (-40 - STEEPEST, -STEEPEST), (40 + STEEPEST, STEEPEST))
    if best - min(profile(-STEEPEST), profile(0.0), profile(STEEPEST)) < 1e-9:
        return nan, (-inf, inf)  # nothing depends on the slope: all right, or no more right than by guessing
    low, high = profile_limits(profile, slope, best=best, level=level, bounds=(-STEEPEST, STEEPEST))
    at_end = inf if slope >= STEEPEST * 0.99 else -inf if slope <= -STEEPEST * 0.99 else slope
    return at_end, (-inf if low <= -STEEPEST else low, inf if high >= STEEPEST else high)
