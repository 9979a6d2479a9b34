"""How long until a track is skipped: with the device playing, and with the others. Tracks that ended are censored.

Kaplan & Meier 1958 (JASA 53, 457) for the curves; the log-rank statistic, observed minus expected skips of the device
(Mantel 1966, Cancer Chemother. Rep. 50, 163; Peto & Peto 1972, JRSS A 135, 185), is stratified by listener: somebody
who skips everything is compared with themselves. It is a sum over tracks of what each would add if the device had been
playing, so it can be recomputed over the draws that the plan could have made (redraws.py), which needs no large
numbers; the usual chi-square limit stands beside it. The ratio of hazards is the one-step estimate of Peto,
exp((O - E)/V), rough when it is far from 1.

With `played="chosen"` the listener chose what played: the test is one of "the device makes no difference to anything",
and a device that is chosen on better tracks gets the credit of the tracks. With `played="start"` what played was drawn.
"""

from dataclasses import dataclass
from math import exp, inf, nan, sqrt
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import erfc, ndtri

from blindtest.errors import BlindtestError, Fault
from blindtest.stats.binomial import Interval, checked_probability
from blindtest.stats.direction import Direction
from blindtest.stats.free_listening.redraws import Unit, redrawn
from blindtest.stats.free_listening.tracks import Track, check_device, read_tracks
from blindtest.stats.plain import plain

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["SkipResult", "kaplan_meier", "log_rank", "skip_test"]

Floats = NDArray[np.float64]
Played = Literal["chosen", "start"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SkipResult:
    """Whether tracks are skipped later while the device plays."""

    device: str
    played: Played
    """What says which condition played: the choice, or the start slot."""
    tracks: tuple[int, int]
    """With the device playing, with another."""
    skips: tuple[int, int]
    """Tracks skipped among them; the others are censored."""
    expected_skips: float
    """Of the device, if it made no difference (given who skips how fast)."""
    medians_s: tuple[float, float]
    """Median time to skip, device and others; infinite where fewer than half were skipped; NaN without a track."""
    hazard_ratio: float
    """Skips per time, device against others; below 1: the device is skipped later. NaN where nothing can be told."""
    hazard_ratio_interval: Interval
    p_value: float
    """Re-randomised over the draws the plan could have made, on the side or sides that the direction says."""
    p_claimed: float
    """One-sided: skipped as late or later."""
    p_other: float
    exact: bool
    """All draws were gone through; else a sample."""
    draws: int
    chi_square: float
    """Log-rank, one degree of freedom."""
    chi_square_p_value: float
    """Two-sided, in the limit of many skips."""
    curves: tuple[tuple[str, float, float], ...]
    """("device" or "others", seconds, share not skipped yet) after each skip."""
    direction: Direction
    level: float
    left_out: int
    """Tracks without a time, without what played, or without the device in a slot."""
    method: str = "log-rank stratified by listener, re-randomised"
    source: str = "Kaplan & Meier 1958; Mantel 1966; Peto & Peto 1972; Edgington & Onghena 2007, Randomization Tests"
    assumptions: tuple[str, ...] = (
        "which slot held what was drawn anew for each track",
        "a track that ended says nothing about when it would have been skipped",
        "hazard ratio: the same at all times, and near 1 (one-step estimate)",
    )

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        if not sum(self.skips):
            return f"None of {sum(self.tracks)} tracks was skipped: nothing speaks for a difference or against it."
        low, high = self.hazard_ratio_interval
        ratio = (
            f"hazard ratio {self.hazard_ratio:.2f} ({low:.2f} to {high:.2f})"
            if self.hazard_ratio == self.hazard_ratio
            else "no ratio of hazards can be told"
        )
        return (
            f"While {self.device} played, {self.skips[0]} of {self.tracks[0]} tracks were skipped ("
            f"{self.expected_skips:.1f} expected if it made no difference), while others played, {self.skips[1]} of "
            f"{self.tracks[1]}; {ratio}, p = {self.p_value:.3g} ({self.direction}, re-randomised)."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        return plain(self, "sentence")

    def to_table(self) -> "DataFrame":
        """Return the Kaplan-Meier curves: group, time_s, not_skipped."""
        import pandas as pd

        return pd.DataFrame(list(self.curves), columns=["group", "time_s", "not_skipped"])


def skip_test(
    table: "DataFrame",
    *,
    device: str,
    played: Played = "chosen",
    direction: Direction = "two-sided",
    level: float = 0.95,
    seed: int = 1,
) -> SkipResult:
    """Return whether tracks are skipped later while `device` plays.

    Parameters
    ----------
    table : a row per track: track, order, skipped_at_s, censored, and chosen or start (tracks.py)
    played : whether the chosen slot played, or the one drawn to play first
    level : of the interval of the hazard ratio
    seed : of the sample of draws, where there are more than about a million

    Raises
    ------
    BlindtestError
        A table that can't be read, a condition that isn't there, no track with a time.
    ValueError
        Another name for what played or for the direction, a level outside 0 ... 1.
    """
    checked_probability("level", level)
    if played not in ("chosen", "start"):
        raise ValueError(f"nothing plays by {played!r} (there are: chosen, start)")
    if direction not in ("two-sided", "claimed"):
        raise ValueError(f"no direction {direction!r} (there are: two-sided, claimed)")
    tracks = read_tracks(table, needed=("skipped_at_s", "censored", played))
    check_device(tracks, device)
    counted = [track for track in tracks if _counts(track, device, played)]
    if not counted:
        raise BlindtestError(
            Fault(
                problem="no track says when it was skipped or ended, whether it was, and what played",
                key="skipped_at_s",
                got=f"{len(tracks)} tracks",
                allowed=f"skipped_at_s, censored and {played} in the same row",
            )
        )
    times = np.array([track.skipped_at_s for track in counted], dtype=np.float64)
    skipped = np.array([not track.censored for track in counted])
    with_device = np.array([_playing(track, played) == device for track in counted])
    strata = np.unique([track.listener for track in counted], return_inverse=True)[1]
    scores, variance = log_rank(times, skipped, with_device, strata)
    excess = float(scores[with_device].sum())
    reference = redrawn(
        [_unit(track, score, is_device) for track, score, is_device in zip(counted, scores, with_device, strict=True)],
        seed=seed,
    )
    p_claimed, p_other = reference.p_greater(), reference.p_less()
    chi_square = excess**2 / variance if variance > 0 else nan
    z = float(ndtri((1 + level) / 2))
    ratio, half = (excess / variance, z / sqrt(variance)) if variance > 0 else (nan, nan)
    groups = (with_device, ~with_device)
    curves = [kaplan_meier(times[group], skipped[group]) for group in groups]
    return SkipResult(
        device=device,
        played=played,
        tracks=(int(with_device.sum()), int((~with_device).sum())),
        skips=(int(skipped[with_device].sum()), int(skipped[~with_device].sum())),
        expected_skips=float(skipped[with_device].sum()) - excess,
        medians_s=(_median(groups[0], curves[0]), _median(groups[1], curves[1])),
        hazard_ratio=exp(ratio) if ratio == ratio else nan,
        hazard_ratio_interval=(exp(ratio - half), exp(ratio + half)) if ratio == ratio else (nan, nan),
        p_value=p_claimed if direction == "claimed" else min(1.0, 2 * min(p_claimed, p_other)),
        p_claimed=p_claimed,
        p_other=p_other,
        exact=reference.exact,
        draws=reference.draws,
        chi_square=chi_square,
        chi_square_p_value=float(erfc(sqrt(chi_square / 2))) if variance > 0 else 1.0,
        curves=tuple(
            (name, float(time), float(share))
            for name, (at, shares) in zip(("device", "others"), curves, strict=True)
            for time, share in zip(at, shares, strict=True)
        ),
        direction=direction,
        level=float(level),
        left_out=len(tracks) - len(counted),
    )


def _playing(track: Track, played: Played) -> str | None:
    return track.chosen if played == "chosen" else track.start_condition


def _counts(track: Track, device: str, played: Played) -> bool:
    known = track.skipped_at_s is not None and track.censored is not None and _playing(track, played) is not None
    return known and device in track.conditions


def _unit(track: Track, score: float, is_device: bool) -> Unit:
    """Return what the track adds to expected minus observed skips if the slot that played holds the device, else 0."""
    values = np.zeros(len(track.slots))
    values[0] = -score
    return Unit(values=values, place=0 if is_device else 1)


def kaplan_meier(times: Floats, events: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Return the times of events and the share that had none up to and including each (Kaplan & Meier 1958).

    Parameters
    ----------
    times, events : (units,) ; where `events` is False the unit was last seen at its time, and had none

    Returns
    -------
    (times,) and (times,), ascending; each time once
    """
    at = np.unique(times[events])
    at_risk = np.array([np.sum(times >= time) for time in at], dtype=np.float64)
    happened = np.array([np.sum(events & (times == time)) for time in at], dtype=np.float64)
    return at, np.asarray(np.cumprod(1 - happened / at_risk), dtype=np.float64)


def _median(group: NDArray[np.bool_], curve: tuple[Floats, Floats]) -> float:
    if not group.any():
        return nan
    below = curve[0][curve[1] <= 0.5]
    return float(below[0]) if below.size else inf


def log_rank(
    times: Floats, events: NDArray[np.bool_], group: NDArray[np.bool_], strata: NDArray[np.int64]
) -> tuple[Floats, float]:
    """Return each unit's share in observed minus expected events, were it in the group; and the variance of the sum.

    Parameters
    ----------
    times, events : (units,) ; at equal times those censored are still at risk
    group, strata : (units,) ; the sum over the group is the log-rank statistic of the strata together
    """
    scores, variance = np.zeros(len(times)), 0.0
    for stratum in np.unique(strata):
        here = strata == stratum
        t, event, in_group = times[here], events[here], group[here]
        score = event.astype(np.float64)
        for time in np.unique(t[event]):
            at_risk = t >= time
            n, d = int(at_risk.sum()), int(np.sum(event & (t == time)))
            mine = int(np.sum(at_risk & in_group))
            score[at_risk] -= d / n
            if n > 1:
                variance += d * (mine / n) * (1 - mine / n) * (n - d) / (n - 1)
        scores[here] = score
    return scores, variance
