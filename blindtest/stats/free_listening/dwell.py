"""How long a listener stays: the device's share of the seconds after all slots of a track had been heard once.

The unit is the track, never the second. Which slot held the device was drawn, so the statistic (the mean share of the
device's slot) is recomputed over the draws that the plan could have made (redraws.py): exact where they can be gone
through, else p = (b + 1)/(m + 1) of a sample. With a panel each listener's mean share beyond an equal one is one value,
and its sign is flipped: for listeners like these. The limits suppose that the device adds the same amount to its slot's
share on every track (panel: that listeners' shares lie symmetrically around the mean).

Sources: Fisher 1935, *The Design of Experiments*; Edgington & Onghena 2007, *Randomization Tests*. Words: words.py.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import nan
from typing import TYPE_CHECKING, Any

import numpy as np

from blindtest.errors import BlindtestError, Fault
from blindtest.stats.binomial import Interval, checked_probability
from blindtest.stats.direction import Direction
from blindtest.stats.free_listening.panel_share import (
    PanelShare,
    TracksToo,
    UnitName,
    check_direction_and_unit,
    panel_share,
    too_few,
)
from blindtest.stats.free_listening.redraws import Redrawn, Unit, flips, redrawn, redrawn_by_plans
from blindtest.stats.free_listening.tracks import Track, check_device, read_tracks
from blindtest.stats.free_listening.words import MEANING, checked_margin, side_of, word_of
from blindtest.stats.multiplicity import adjust_p_values
from blindtest.stats.plain import plain
from blindtest.stats.preference import PreferenceWord, Side

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["CANNOT_TELL", "DwellResult", "DwellShare", "dwell_test"]

CANNOT_TELL = (
    "staying with a slot out of habit (drawn anew per track, it hides a difference and makes none)",
    "searching for a fault looks like liking",
    "novelty",
    "a musical event at the moment of a switch",
    "recognising a device, and loyalty to one's own verdict",
    "absence, where the page did not pause itself",
    "hour and fatigue",
    "level: repeat with offsets of +-0.3 dB",
)
"""What may move dwell beside liking: it shows that the condition moves behaviour, not why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DwellShare:
    """The device's share of the time on some tracks, held against all draws the plan could have made."""

    listener: str
    """Empty: all of them."""
    tracks: int
    share: float
    """Mean over tracks of the device's share beyond an equal one."""
    p_claimed: float
    p_other: float
    p_value: float
    p_adjusted: float
    """Holm over listeners; NaN where there is one only."""
    smallest_p: float
    level: float
    lower_limit: float
    """Share beyond an equal one, one-sided."""
    upper_limit: float
    interval: Interval
    side: Side
    within_margin: bool
    draws: int
    exact: bool

    @property
    def word(self) -> PreferenceWord:
        """The word of these tracks alone."""
        return word_of(self.side, self.within_margin)

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "word")


@dataclass(frozen=True, slots=True, kw_only=True)
class DwellResult:
    """Whether listeners stay with the device longer than an equal share."""

    word: PreferenceWord
    device: str
    unit: UnitName
    estimate: float
    """Share of the time beyond an equal one."""
    p_value: float
    limits: Interval
    """One-sided limits of `estimate`, which *negligible* compares with the margin."""
    interval: Interval
    equal_share: float
    """Mean over tracks of 1 / number of slots."""
    margin: float | None
    alpha: float
    direction: Direction
    pooled: DwellShare
    """Over all tracks: for these listeners."""
    panel: PanelShare | None
    by_listener: tuple[DwellShare, ...]
    shares: tuple[tuple[str, float], ...]
    """Each condition's mean share of the time on the tracks that held it."""
    start_share: float
    """Mean share of the slot that played first, beyond an equal one: inertia; NaN where the table does not say."""
    left_out: int
    """Tracks without a share: not all slots heard, nothing measured, or the device not on it."""
    remarks: tuple[str, ...]
    method: str
    source: str = "Fisher 1935, The Design of Experiments; Edgington & Onghena 2007, Randomization Tests"
    cannot_tell: tuple[str, ...] = CANNOT_TELL
    assumptions: tuple[str, ...] = (
        "which slot held what was drawn anew for each track, each draw as probable as any other",
        "limits: the device adds the same share on every track (panel: listeners lie symmetrically around "
        "their mean; one in ten far off costs up to 7 % errors on a side)",
        "the number of tracks was fixed before the first one",
    )

    @property
    def scope(self) -> str:
        """For whom it holds."""
        if self.unit == "listener":
            return "for listeners like these and these tracks"
        return "for this listener" if len(self.by_listener) == 1 else "for these listeners"

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        low, high = self.interval
        return (
            f"{self.word}, {self.scope}: {MEANING[self.word]}. Of the time after all slots had been heard once, "
            f"{self.device} got {self.estimate:+.3f} beyond an equal share ({low:+.3f} to {high:+.3f}) on "
            f"{self.pooled.tracks} tracks, p = {self.p_value:.3g} ({self.direction}, {self.method}). It shows whether "
            "the condition moves behaviour, not why."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        return plain(replace(self, shares=()), "scope", "sentence") | {"shares": dict(self.shares)}


def dwell_test(
    table: "DataFrame",
    *,
    device: str,
    margin: float | None = None,
    alpha: float = 0.05,
    direction: Direction = "two-sided",
    unit: UnitName | None = None,
    plans: Sequence[Sequence[str]] | None = None,
    seed: int = 1,
) -> DwellResult:
    """Return whether `device` gets more of the listening time than an equal share.

    Parameters
    ----------
    table : a row per track: track, order, dwell; listener, sitting and start where there are (tracks.py)
    margin : smallest share beyond an equal one that matters; None: *negligible* is out of reach
    direction : "claimed" only where the direction was sealed before the first track
    unit : what the word rests on; default: tracks with one listener, listeners with several
    plans : where slots were not drawn independently for each track: the draws that the plan could have made, each the
        device's slot on every row of the table; for the tests over tracks
    seed : of the sample of draws, where there are more than about a million

    Raises
    ------
    BlindtestError
        A table that can't be read, a condition that isn't there, no track with a share, a plan that doesn't fit.
    ValueError
        A margin, alpha, direction or unit out of range.
    """
    checked_probability("alpha", alpha)
    margin = checked_margin(margin)
    check_direction_and_unit(direction, unit)
    tracks = read_tracks(table, needed=("dwell",))
    check_device(tracks, device)
    counted = [track for track in tracks if track.dwell_shares is not None and device in track.conditions]
    if not counted:
        raise BlindtestError(
            Fault(
                problem="on no track with this condition were all slots heard and dwell measured",
                key="dwell",
                got=f"{len(tracks)} tracks",
                remedy="let every slot be heard once before the choice",
            )
        )
    listeners = sorted({track.listener for track in counted})

    def share_of(listener: str) -> DwellShare:
        mine = [track for track in counted if listener in ("", track.listener)]
        reference = _reference(mine, device, plans, seed)
        return _dwell_share(mine, device, reference, listener, margin=margin, alpha=alpha, direction=direction)

    by_listener = _adjusted([share_of(listener) for listener in listeners])
    pooled, panel = share_of(""), None
    equal = float(np.mean([1 / len(track.slots) for track in counted]))
    if len(listeners) > 1:
        means = [share.share for share in by_listener]
        signs = redrawn(flips(means), seed=seed)
        panel = panel_share(
            signs,
            signs,
            signs,
            listeners=len(means),
            mean=float(np.mean(means)),
            share=equal,
            margin=margin,
            alpha=alpha,
            direction=direction,
            tracks_too=None if all(len(track.slots) == 2 for track in counted) else _tracks_too(pooled),
        )
    unit = unit or ("listener" if panel else "track")
    if unit == "listener" and panel is None:
        raise BlindtestError(Fault(problem="one listener is no panel", key="unit", got=unit, allowed="track"))
    rest: DwellShare | PanelShare = panel if panel is not None and unit == "listener" else pooled
    return DwellResult(
        word=rest.word,
        device=device,
        unit=unit,
        estimate=rest.share,
        p_value=rest.p_value,
        limits=(rest.lower_limit, rest.upper_limit),
        interval=rest.interval,
        equal_share=equal,
        margin=margin,
        alpha=float(alpha),
        direction=direction,
        pooled=pooled,
        panel=panel,
        by_listener=by_listener,
        shares=_shares(counted),
        start_share=_start_share(counted),
        left_out=len(tracks) - len(counted),
        remarks=_remarks(rest, panel if unit == "listener" else None, alpha, direction, len(tracks) - len(counted)),
        method=_method(rest),
    )


def _unit(track: Track, device: str) -> Unit:
    assert track.dwell_shares is not None
    return Unit(values=np.array(track.dwell_shares), place=track.slot_of(device))


def _reference(tracks: Sequence[Track], device: str, plans: Sequence[Sequence[str]] | None, seed: int) -> Redrawn:
    units = [_unit(track, device) for track in tracks]
    if plans is None:
        return redrawn(units, seed=seed)
    places = []
    for number, plan in enumerate(plans, start=1):
        try:
            places.append([track.slots.index(plan[track.row - 1]) for track in tracks])
        except (ValueError, IndexError):
            raise BlindtestError(
                Fault(
                    problem=f"plan {number} doesn't name a slot of every row of the table",
                    key="plans",
                    got=list(plan),
                    allowed="|".join(tracks[0].slots),
                )
            ) from None
    if not places:
        raise BlindtestError(
            Fault(problem="there is no plan", key="plans", remedy="leave it out for independent draws")
        )
    return redrawn_by_plans(units, np.array(places))


def _dwell_share(
    tracks: Sequence[Track],
    device: str,
    reference: Redrawn,
    listener: str,
    *,
    margin: float | None,
    alpha: float,
    direction: Direction,
) -> DwellShare:
    equal = float(np.mean([1 / len(track.slots) for track in tracks]))

    def possible(limit: float) -> float:
        return min(1 - equal, max(-equal, limit))

    p_claimed, p_other = reference.p_greater(), reference.p_less()
    low, high = possible(reference.lower_limit(alpha)), possible(reference.upper_limit(alpha))
    return DwellShare(
        listener=listener,
        tracks=len(tracks),
        share=float(np.mean([_unit(track, device).effect for track in tracks])),
        p_claimed=p_claimed,
        p_other=p_other,
        p_value=p_claimed if direction == "claimed" else min(1.0, 2 * min(p_claimed, p_other)),
        p_adjusted=nan,
        smallest_p=reference.smallest_p,
        level=1 - alpha,
        lower_limit=low,
        upper_limit=high,
        interval=(possible(reference.lower_limit(alpha / 2)), possible(reference.upper_limit(alpha / 2))),
        side=side_of(p_claimed, p_other, alpha=alpha, direction=direction),
        within_margin=margin is not None and -margin < low and high < margin,
        draws=reference.draws,
        exact=reference.exact,
    )


def _tracks_too(pooled: DwellShare) -> TracksToo:
    return TracksToo(
        p_claimed=pooled.p_claimed,
        p_other=pooled.p_other,
        limits=(pooled.lower_limit, pooled.upper_limit),
        interval=pooled.interval,
    )


def _adjusted(shares: Sequence[DwellShare]) -> tuple[DwellShare, ...]:
    if len(shares) == 1:
        return tuple(shares)
    adjusted = adjust_p_values([share.p_value for share in shares]).tolist()
    return tuple(replace(share, p_adjusted=p) for share, p in zip(shares, adjusted, strict=True))


def _shares(tracks: Sequence[Track]) -> tuple[tuple[str, float], ...]:
    held: dict[str, list[float]] = {}
    for track in tracks:
        for condition, share in zip(track.conditions, track.dwell_shares or (), strict=True):
            held.setdefault(condition, []).append(share)
    return tuple((condition, float(np.mean(shares))) for condition, shares in sorted(held.items()))


def _start_share(tracks: Sequence[Track]) -> float:
    beyond = [
        track.dwell_shares[track.slots.index(track.start)] - 1 / len(track.slots)
        for track in tracks
        if track.start is not None and track.dwell_shares is not None
    ]
    return float(np.mean(beyond)) if beyond else nan


def _method(rest: DwellShare | PanelShare) -> str:
    drawn = f"all {rest.draws} " if rest.exact else f"{rest.draws} of the "
    if isinstance(rest, PanelShare):
        return f"{drawn}{rest.method}"
    return f"re-randomised over {drawn}draws the plan could have made"


def _remarks(
    rest: DwellShare | PanelShare, panel: PanelShare | None, alpha: float, direction: Direction, left_out: int
) -> tuple[str, ...]:
    said = [too_few(panel, alpha, direction)]
    tail = alpha / 2 if direction == "two-sided" else alpha
    if isinstance(rest, DwellShare) and rest.smallest_p > tail:
        tracks = "One track is" if rest.tracks == 1 else f"{rest.tracks} tracks are"
        said.append(f"{tracks} too few to show anything at alpha {alpha:g}.")
    if left_out:
        said.append(f"{left_out} tracks have no share of this device and are left out.")
    return tuple(text for text in said if text)
