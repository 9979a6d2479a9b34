"""One share per listener, its sign flipped: the result of a panel, for listeners like these.

With two slots a listener's share beyond an equal one is as often above 0 as below it by the same amount if the device
makes no difference, so sign flips are exact. With more slots it is not symmetrical: with three, one track per listener
and 10 listeners, they would err in 10 % of panels on the lower side at a stated 5 % (counted in the tests). There the
test over tracks, which is exact for any number of slots, has to agree: the larger p value counts, and the wider limits.

Sign flips suppose that listeners lie symmetrically around their mean. Simulated with 6 to 16 listeners who are alike or
differ normally (SD .1), sides err as stated and 95 % limits hold in 94 % to 99 % of studies. Where one listener in ten
differs by .3 and the others hardly, a side errs in up to 7 % instead of 2.5 %, *negligible* at the margin comes in up
to 13 % instead of 5 %, and limits hold in 91 % (tests/stats/simulate_free_listening.py): read the listeners one by one.
"""

from dataclasses import dataclass
from typing import Any, Literal

from blindtest.stats.binomial import Interval
from blindtest.stats.direction import Direction, check_direction
from blindtest.stats.free_listening.redraws import Redrawn
from blindtest.stats.free_listening.words import side_of, word_of
from blindtest.stats.plain import plain
from blindtest.stats.preference import PreferenceWord, Side

__all__ = ["PanelShare", "TracksToo", "UnitName", "check_direction_and_unit", "panel_share", "too_few"]

UnitName = Literal["track", "listener"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelShare:
    """One share per listener, held against an equal one by sign flips: for listeners like these."""

    listeners: int
    share: float
    """Mean over listeners of their share beyond an equal one."""
    p_claimed: float
    p_other: float
    p_value: float
    smallest_p: float
    """No one-sided p value of so few listeners can be below this."""
    level: float
    lower_limit: float
    """Share beyond an equal one, one-sided."""
    upper_limit: float
    interval: Interval
    side: Side
    within_margin: bool
    draws: int
    exact: bool
    method: str = "sign flips of one mean per listener"
    source: str = "Fisher 1935, The Design of Experiments; Hartigan 1969 (JASA 64, 1303) for the limits"

    @property
    def word(self) -> PreferenceWord:
        """The word of the panel."""
        return word_of(self.side, self.within_margin)

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "word")


@dataclass(frozen=True, slots=True, kw_only=True)
class TracksToo:
    """The test over tracks, where it has to agree with the sign flips."""

    p_claimed: float
    p_other: float
    limits: Interval
    """One-sided, share beyond an equal one."""
    interval: Interval


def panel_share(
    low: Redrawn,
    high: Redrawn,
    middle: Redrawn,
    *,
    listeners: int,
    mean: float,
    share: float,
    margin: float | None,
    alpha: float,
    direction: Direction,
    tracks_too: TracksToo | None = None,
) -> PanelShare:
    """Return the panel's result from its sign flips: unfavourable, favourable, and as answered.

    Parameters
    ----------
    mean : over listeners, of their share beyond an equal one
    share : the equal one
    """

    def possible(limit: float) -> float:
        return min(1 - share, max(-share, limit))

    p_claimed, p_other = low.p_greater(), high.p_less()
    limits = possible(low.lower_limit(alpha)), possible(high.upper_limit(alpha))
    interval = possible(middle.lower_limit(alpha / 2)), possible(middle.upper_limit(alpha / 2))
    method = "sign flips of one mean per listener"
    if tracks_too is not None:
        p_claimed, p_other = max(p_claimed, tracks_too.p_claimed), max(p_other, tracks_too.p_other)
        limits = min(limits[0], tracks_too.limits[0]), max(limits[1], tracks_too.limits[1])
        interval = min(interval[0], tracks_too.interval[0]), max(interval[1], tracks_too.interval[1])
        method += ", or the test over tracks where its p is larger (more than two slots)"
    return PanelShare(
        listeners=listeners,
        share=mean,
        p_claimed=p_claimed,
        p_other=p_other,
        p_value=p_claimed if direction == "claimed" else min(1.0, 2 * min(p_claimed, p_other)),
        smallest_p=low.smallest_p,
        level=1 - alpha,
        lower_limit=limits[0],
        upper_limit=limits[1],
        interval=interval,
        side=side_of(p_claimed, p_other, alpha=alpha, direction=direction),
        within_margin=margin is not None and -margin < limits[0] and limits[1] < margin,
        draws=low.draws,
        exact=low.exact,
        method=method,
    )


def check_direction_and_unit(direction: str, unit: str | None) -> None:
    """Raise ValueError unless both are among the names there are."""
    check_direction(direction)
    if unit not in (None, "track", "listener"):
        raise ValueError(f"no unit {unit!r} (there are: track, listener)")


def too_few(panel: PanelShare | None, alpha: float, direction: Direction) -> str:
    """Return the remark that a panel is too small for sign flips, or an empty text."""
    if panel is None or panel.smallest_p <= (alpha / 2 if direction == "two-sided" else alpha):
        return ""
    return (
        f"{panel.listeners} listeners are too few for sign flips to show anything at alpha {alpha:g}; the test over "
        "tracks holds for these listeners only (unit='track', if the plan says so)."
    )
