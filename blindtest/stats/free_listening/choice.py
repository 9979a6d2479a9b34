"""A choice with a consequence: after a while the listener picks the slot that plays the rest of the track.

Which slot held the device was drawn, so under "the device makes no difference" each track is a coin (three slots: a
die) thrown anew, whatever the listener's habits with slots: the number of tracks that chose the device is binomial.
That is the test of one listener. With a panel each listener's share beyond an equal one is one value whose sign might
have been the other (exact sign flips), so that the result is about listeners like these; the test over all tracks
stands beside it, for these listeners.

A track without a choice counts against whichever conclusion is drawn. Words: see words.py.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import nan
from typing import TYPE_CHECKING, Any

from blindtest.errors import BlindtestError, Fault
from blindtest.stats.binomial import (
    Interval,
    at_least_is_rare,
    at_most_is_rare,
    checked_probability,
    decimal,
    lower_limit,
    lower_tail,
    upper_limit,
    upper_tail,
)
from blindtest.stats.direction import Direction
from blindtest.stats.free_listening.paired_models import paired_models
from blindtest.stats.free_listening.panel_share import (
    PanelShare,
    TracksToo,
    UnitName,
    check_direction_and_unit,
    panel_share,
    too_few,
)
from blindtest.stats.free_listening.redraws import flips, redrawn
from blindtest.stats.free_listening.slot_bias import SlotBias, choice_bias
from blindtest.stats.free_listening.tracks import Track, check_device, read_tracks
from blindtest.stats.free_listening.words import MEANING, checked_margin, word_of
from blindtest.stats.heterogeneity_result import HeterogeneityResult
from blindtest.stats.multiplicity import adjust_p_values
from blindtest.stats.plain import plain
from blindtest.stats.preference import PreferenceWord, Side
from blindtest.stats.strengths import PreferenceResult

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["ChoiceCount", "ChoiceResult", "choice_test"]

ASSUMPTIONS = (
    "which slot held what was drawn anew for each track, and nothing but the sound told the slots apart",
    "the number of tracks was fixed before the first one",
    "a panel's listeners lie symmetrically around their mean; one in ten far off costs up to 7 % errors on a side",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChoiceCount:
    """How often the device was chosen, against an equal share: exact binomial."""

    listener: str
    """Empty: all of them."""
    chosen: int
    tracks: int
    """Tracks with a choice that counts."""
    without_choice: int
    """Counted against the device in `p_claimed` and `lower_limit`, for it in `p_other` and `upper_limit`."""
    equal_share: float
    share: float
    """Chosen among tracks with a choice; NaN without any."""
    p_claimed: float
    """One-sided: this many or more."""
    p_other: float
    """One-sided: this many or fewer."""
    p_value: float
    """On the side or sides that the direction says."""
    p_adjusted: float
    """Holm over listeners; NaN where there is one only."""
    level: float
    lower_limit: float
    """Probability to choose the device, one-sided."""
    upper_limit: float
    interval: Interval
    """Two-sided, of the tracks with a choice (Clopper & Pearson 1934)."""
    side: Side
    within_margin: bool

    @property
    def word(self) -> PreferenceWord:
        """The word of this count alone."""
        return word_of(self.side, self.within_margin)

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "word")


@dataclass(frozen=True, slots=True, kw_only=True)
class ChoiceResult:
    """Whether the device is chosen to play on more often than an equal share."""

    word: PreferenceWord
    device: str
    comparator: str
    """Empty: all the other conditions."""
    unit: UnitName
    """What the word rests on: tracks of one listener (or of these), or one share per listener."""
    estimate: float
    """Share beyond an equal one."""
    p_value: float
    limits: Interval
    """One-sided limits of `estimate`, which *negligible* compares with the margin."""
    interval: Interval
    """Two-sided, of `estimate`."""
    equal_share: float
    margin: float | None
    alpha: float
    direction: Direction
    pooled: ChoiceCount
    """All tracks in one pot: for these listeners."""
    panel: PanelShare | None
    """None with a single listener."""
    by_listener: tuple[ChoiceCount, ...]
    bias: tuple[SlotBias, ...]
    model: PreferenceResult | None
    """Strengths of all conditions with the effect of playing first, where every track has two slots."""
    panel_model: HeterogeneityResult | None
    """The same with strengths that differ between listeners."""
    left_out: int
    """Tracks that don't hold what is compared, or chose something else."""
    remarks: tuple[str, ...]
    method: str
    source: str = "Arbuthnott 1710 for the sign test; Clopper & Pearson 1934; Fisher 1935 for sign flips"
    assumptions: tuple[str, ...] = ASSUMPTIONS

    @property
    def scope(self) -> str:
        """For whom it holds."""
        if self.unit == "listener":
            return "for listeners like these and these tracks"
        return "for this listener" if len(self.by_listener) == 1 else "for these listeners"

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        if not self.pooled.tracks:
            return f"{self.word}: no track ended with a choice ({self.pooled.without_choice} without): nothing to tell."
        low, high = self.interval
        against = f" against {self.comparator}" if self.comparator else ""
        return (
            f"{self.word}, {self.scope}: {MEANING[self.word]}. {self.device}{against} was chosen to play on in "
            f"{self.pooled.chosen} of {self.pooled.tracks} tracks with a choice ({self.pooled.without_choice} "
            f"without); share beyond an equal one {self.estimate:+.3f} ({low:+.3f} to {high:+.3f}), p = "
            f"{self.p_value:.3g} ({self.direction}, {self.method})."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        return plain(self, "scope", "sentence")


def choice_test(
    table: "DataFrame",
    *,
    device: str,
    comparator: str | None = None,
    margin: float | None = None,
    alpha: float = 0.05,
    direction: Direction = "two-sided",
    unit: UnitName | None = None,
    seed: int = 1,
) -> ChoiceResult:
    """Return whether `device` is chosen to play on more often than an equal share of the tracks.

    Parameters
    ----------
    table : a row per track: track, order, chosen; listener, sitting and start where there are (tracks.py)
    comparator : count only tracks that chose one of these two; default: the device against all others
    margin : smallest share beyond an equal one that matters; None: *negligible* is out of reach
    direction : "claimed" only where the direction was sealed before the first track
    unit : what the word rests on; default: tracks with one listener, listeners with several
    seed : of the sample of sign flips, which only panels of more than 20 need

    Raises
    ------
    BlindtestError
        A table that can't be read, a condition that isn't there, no track that counts, tracks with different numbers of
        slots and no comparator.
    ValueError
        A margin, alpha, direction or unit out of range.
    """
    checked_probability("alpha", alpha)
    margin = checked_margin(margin)
    check_direction_and_unit(direction, unit)
    tracks = read_tracks(table, needed=("chosen",))
    check_device(tracks, device)
    if comparator is not None:
        check_device(tracks, comparator, "comparator")
    counted, share = _counted(tracks, device, comparator)
    listeners = sorted({track.listener for track in counted})

    def count(listener: str) -> ChoiceCount:
        mine = [track for track in counted if listener in ("", track.listener)]
        return _count(mine, device, share, listener=listener, margin=margin, alpha=alpha, direction=direction)

    by_listener = _adjusted([count(listener) for listener in listeners])
    pooled, panel = count(""), None
    if len(listeners) > 1:
        panel = _panel(by_listener, pooled, share, margin=margin, alpha=alpha, direction=direction, seed=seed)
    unit = unit or ("listener" if panel else "track")
    if unit == "listener" and panel is None:
        raise BlindtestError(Fault(problem="one listener is no panel", key="unit", got=unit, allowed="track"))
    models = paired_models(counted)
    few = too_few(panel, alpha, direction) if unit == "listener" else ""
    equal = float(share)
    rest: ChoiceCount | PanelShare = panel if panel is not None and unit == "listener" else pooled
    shift = 0.0 if isinstance(rest, PanelShare) else equal
    return ChoiceResult(
        word=rest.word,
        device=device,
        comparator=comparator or "",
        unit=unit,
        estimate=rest.share - shift,
        p_value=rest.p_value,
        limits=(rest.lower_limit - shift, rest.upper_limit - shift),
        interval=(rest.interval[0] - shift, rest.interval[1] - shift),
        equal_share=equal,
        margin=margin,
        alpha=float(alpha),
        direction=direction,
        pooled=pooled,
        panel=panel,
        by_listener=by_listener,
        bias=choice_bias(tracks),
        model=models.pooled,
        panel_model=models.panel,
        left_out=len(tracks) - len(counted),
        remarks=(*models.remarks, *((few,) if few else ())),
        method=_method(rest),
    )


def _method(rest: ChoiceCount | PanelShare) -> str:
    if isinstance(rest, ChoiceCount):
        return "exact binomial over tracks"
    return f"{f'all {rest.draws}' if rest.exact else f'{rest.draws} of the'} {rest.method}"


def _counted(tracks: Sequence[Track], device: str, comparator: str | None) -> tuple[list[Track], Fraction]:
    """Return the tracks that count, and the equal share they are held against."""
    if comparator is not None:
        if comparator == device:
            raise BlindtestError(Fault(problem="a device can't be compared with itself", key="comparator", got=device))
        both = [track for track in tracks if {device, comparator} <= set(track.conditions)]
        found = [track for track in both if track.chosen in (device, comparator, None)]
    else:
        found = [track for track in tracks if device in track.conditions]
    sizes = sorted({len(track.slots) for track in found})
    if not found or (comparator is None and len(sizes) > 1):
        raise BlindtestError(
            Fault(
                problem="tracks with different numbers of slots have no common equal share"
                if found
                else "no track holds both and chose one of them",
                key="order" if found else "chosen",
                got=", ".join(f"{size} slots" for size in sizes) or f"{device}, {comparator}",
                remedy="name a comparator, or take the tracks apart" if found else "compare others",
            )
        )
    return found, Fraction(1, 2 if comparator is not None else sizes[0])


def _count(
    tracks: Sequence[Track],
    device: str,
    share: Fraction,
    *,
    listener: str,
    margin: float | None,
    alpha: float,
    direction: Direction,
) -> ChoiceCount:
    answered = [track for track in tracks if track.chosen is not None]
    chosen, planned = sum(track.chosen == device for track in answered), len(tracks)
    most = chosen + planned - len(answered)
    tail = decimal(alpha) / (2 if direction == "two-sided" else 1)
    side: Side = "neither"
    if at_least_is_rare(chosen, planned, share, tail):
        side = "claimed"
    elif at_most_is_rare(most, planned, share, tail):
        side = "other"
    within = False
    if margin is not None:
        low, high = share - decimal(margin), share + decimal(margin)
        within = (low <= 0 or at_least_is_rare(chosen, planned, low, alpha)) and (
            high >= 1 or at_most_is_rare(most, planned, high, alpha)
        )
    p_claimed, p_other = upper_tail(chosen, planned, share), lower_tail(most, planned, share)
    level, n = 1 - alpha, len(answered)
    return ChoiceCount(
        listener=listener,
        chosen=chosen,
        tracks=n,
        without_choice=planned - n,
        equal_share=float(share),
        share=chosen / n if n else nan,
        p_claimed=p_claimed,
        p_other=p_other,
        p_value=p_claimed if direction == "claimed" else min(1.0, 2 * min(p_claimed, p_other)),
        p_adjusted=nan,
        level=level,
        lower_limit=lower_limit(chosen, planned, level),
        upper_limit=upper_limit(most, planned, level),
        interval=(
            lower_limit(chosen, n, 1 - alpha / 2) if n else 0.0,
            upper_limit(chosen, n, 1 - alpha / 2) if n else 1.0,
        ),
        side=side,
        within_margin=within,
    )


def _adjusted(counts: Sequence[ChoiceCount]) -> tuple[ChoiceCount, ...]:
    if len(counts) == 1:
        return tuple(counts)
    adjusted = adjust_p_values([count.p_value for count in counts]).tolist()
    return tuple(replace(count, p_adjusted=p) for count, p in zip(counts, adjusted, strict=True))


def _panel(
    counts: Sequence[ChoiceCount],
    pooled: ChoiceCount,
    share: Fraction,
    *,
    margin: float | None,
    alpha: float,
    direction: Direction,
    seed: int,
) -> PanelShare:
    def beyond(count: ChoiceCount, more: int) -> float:
        return (count.chosen + more) / (count.tracks + count.without_choice) - float(share)

    against = [beyond(count, 0) for count in counts]
    favouring = [beyond(count, count.without_choice) for count in counts]
    answered = [count.share - float(share) for count in counts if count.tracks]
    low = redrawn(flips(against), seed=seed)
    high = low if favouring == against else redrawn(flips(favouring), seed=seed)
    middle = low if answered in ([], against) else redrawn(flips(answered), seed=seed)
    equal = float(share)
    tracks_too = TracksToo(
        p_claimed=pooled.p_claimed,
        p_other=pooled.p_other,
        limits=(pooled.lower_limit - equal, pooled.upper_limit - equal),
        interval=(pooled.interval[0] - equal, pooled.interval[1] - equal),
    )
    return panel_share(
        low,
        high,
        middle,
        listeners=len(counts),
        mean=sum(answered) / len(answered) if answered else nan,
        share=float(share),
        margin=margin,
        alpha=alpha,
        direction=direction,
        tracks_too=None if share == Fraction(1, 2) else tracks_too,
    )
