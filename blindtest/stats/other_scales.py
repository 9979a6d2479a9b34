"""The verdict repeated on effects that do not trust the scale's points: divided by anchors, or by signs."""

from dataclasses import dataclass
from math import nan
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from blindtest.stats.contrasts import State
from blindtest.stats.plain import plain
from blindtest.stats.ratings import Effects, Ratings
from blindtest.stats.verdict import Effect, Verdict, contrasts_of, effect_of, verdict_of

__all__ = ["OtherScale", "by_anchors", "by_signs"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherScale:
    """The verdict repeated on effects that do not trust the scale's points."""

    name: str
    """"anchors" or "signs"."""
    scale: str
    """What one unit of it is."""
    verdict: Verdict | None
    """None: could not be repeated, see `why_not`."""
    why_not: str
    margin: float
    labelled: Effect | None
    blind: Effect | None
    remaining: tuple[State, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self)


def by_anchors(
    ratings: Ratings,
    effects: Effects,
    low: str | None,
    high: str | None,
    *,
    margin: float,
    kept: float,
    alpha: float,
) -> OtherScale:
    """Repeat on effects divided by the distance of the anchors in their mode, the margin by the labelled distance."""
    scale = "distance of the two anchors in the same mode"
    if low is None or high is None:
        return _not_repeated("anchors", scale, "no anchors were named")
    anchors = ratings.effects(str(high), str(low))
    distances = {"labelled": anchors.labelled, "blind": anchors.blind}
    means = {mode: float(values.mean()) if len(values) else nan for mode, values in distances.items()}
    for mode, distance in means.items():
        if not distance > 0:
            found = (
                "were not rated together" if distance != distance else f"lie {distance:.1f} apart, the wrong way round"
            )
            return _not_repeated("anchors", scale, f"{mode}, the anchors {found}")
    return _repeated(
        "anchors",
        scale,
        effects,
        effects.blind / means["blind"],
        effects.labelled / means["labelled"],
        margin=margin / means["labelled"],
        kept=kept,
        alpha=alpha,
        least_sd=effects.least_sd / min(means.values()),
    )


def by_signs(effects: Effects, *, margin: float, kept: float, alpha: float) -> OtherScale:
    """Repeat on shares of pairs with the device above minus shares with it below.

    The margin becomes what an effect of that size gives on this scale when single differences scatter normally, as
    much as they do here: 2 Phi(M / sd) - 1.
    """
    scale = "share of pairs of ratings with the device above, minus share with it below"
    if effects.spread == 0:
        return _not_repeated("signs", scale, "single differences do not scatter, so the margin has no counterpart")
    return _repeated(
        "signs",
        scale,
        effects,
        effects.blind_signs,
        effects.labelled_signs,
        margin=2 * float(ndtr(margin / effects.spread)) - 1,
        kept=kept,
        alpha=alpha,
        least_sd=effects.least_sign_sd,
    )


def _not_repeated(name: str, scale: str, why: str) -> OtherScale:
    return OtherScale(
        name=name, scale=scale, verdict=None, why_not=why, margin=nan, labelled=None, blind=None, remaining=()
    )


def _repeated(
    name: str,
    scale: str,
    effects: Effects,
    blind: Floats,
    labelled: Floats,
    *,
    margin: float,
    kept: float,
    alpha: float,
    least_sd: float,
) -> OtherScale:
    contrasts = contrasts_of(blind, labelled, effects.unit, kept, least_sd)
    verdict, _, remaining = verdict_of(contrasts, effects, margin=margin, alpha=alpha)
    return OtherScale(
        name=name,
        scale=scale,
        verdict=verdict,
        why_not="",
        margin=margin,
        labelled=effect_of(contrasts.labelled, alpha),
        blind=effect_of(contrasts.blind, alpha),
        remaining=remaining,
    )
