"""The verdict repeated on effects that do not trust the scale's points: divided by anchors, or by signs.

By the means that the verdict in points rests on: the model of a panel where there is one, else effects per listener or
sitting.
"""

from dataclasses import dataclass
from math import nan
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from blindtest.stats.contrasts import Contrasts, State
from blindtest.stats.plain import plain
from blindtest.stats.ratings import Effects, Panel, Ratings
from blindtest.stats.survival_model import model_of_ratings, model_of_signs
from blindtest.stats.verdict import Effect, Verdict, contrasts_of, effect_of, verdict_of

__all__ = ["OtherScale", "Rule", "by_anchors", "by_signs"]

Floats = NDArray[np.float64]


class Rule(NamedTuple):
    """What a verdict is drawn by."""

    margin: float
    kept: float
    alpha: float
    panel: Panel | None
    """What the model of a panel is fitted to; None: effects per listener or sitting."""
    clips_drawn: bool


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


def by_anchors(ratings: Ratings, effects: Effects, low: str | None, high: str | None, rule: Rule) -> OtherScale:
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
    apart = (means["labelled"], means["blind"])
    if rule.panel is not None:
        contrasts = model_of_ratings(
            rule.panel, kept=rule.kept, clips_drawn=rule.clips_drawn, least_sd=effects.least_sd, scale=apart
        ).contrasts
    else:
        contrasts = contrasts_of(
            effects.blind / apart[1],
            effects.labelled / apart[0],
            effects.unit,
            rule.kept,
            effects.least_sd / min(apart),
        )
    return _repeated("anchors", scale, effects, contrasts, rule._replace(margin=rule.margin / apart[0]))


def by_signs(effects: Effects, rule: Rule) -> OtherScale:
    """Repeat on shares of pairs with the device above minus shares with it below.

    The margin becomes what an effect of that size gives on this scale when single differences scatter normally, as
    much as they do here: 2 Phi(M / sd) - 1.
    """
    scale = "share of pairs of ratings with the device above, minus share with it below"
    if effects.spread == 0:
        return _not_repeated("signs", scale, "single differences do not scatter, so the margin has no counterpart")
    if rule.panel is not None:
        contrasts = model_of_signs(
            rule.panel, kept=rule.kept, clips_drawn=rule.clips_drawn, least_sd=effects.least_sign_sd
        ).contrasts
    else:
        contrasts = contrasts_of(
            effects.blind_signs, effects.labelled_signs, effects.unit, rule.kept, effects.least_sign_sd
        )
    margin = 2 * float(ndtr(rule.margin / effects.spread)) - 1
    return _repeated("signs", scale, effects, contrasts, rule._replace(margin=margin))


def _not_repeated(name: str, scale: str, why: str) -> OtherScale:
    return OtherScale(
        name=name, scale=scale, verdict=None, why_not=why, margin=nan, labelled=None, blind=None, remaining=()
    )


def _repeated(name: str, scale: str, effects: Effects, contrasts: Contrasts, rule: Rule) -> OtherScale:
    verdict, _, remaining = verdict_of(contrasts, effects, margin=rule.margin, alpha=rule.alpha)
    return OtherScale(
        name=name,
        scale=scale,
        verdict=verdict,
        why_not="",
        margin=rule.margin,
        labelled=effect_of(contrasts.labelled, rule.alpha),
        blind=effect_of(contrasts.blind, rule.alpha),
        remaining=remaining,
    )
