"""Does the impression survive blinding? Labelled and blind ratings of the same renderings, and one verdict.

d is the blind effect, s the labelled one, device minus comparator, in scale points. The verdict is what is left of the
partition in contrasts.py: *survives*, *shrinks*, *vanishes* or *reverses*; several left: *undecided*, naming them; no
labelled effect to test: *nothing on record*.

For a panel it rests on a mixed model with listeners and clips both drawn at random, each tested term with its own
random parts (survival_model.py): it holds for listeners and clips like these. A claim can say that it is about these
clips only; and with fewer than five clips it is, since the spread of so few says too little about others. The verdict
says which. A single listener is judged by sittings, one effect each (labelled and blind sittings are different days:
Welch's degrees of freedom): for this listener and these clips.

Beside it stand the verdict of one contrast per listener, about these clips, one mixed model of all ratings
(second_opinion.py), and two repeats that do not trust the scale: effects divided by the distance of two anchors in each
mode, and effects of signs. Only a repeat that reaches *another* state changes the verdict, to "undecided: depends on
the use of the scale".

Source: claims, sections 3 and 4; Clark 1973 (J. Verbal Learning Verbal Behav. 12, 335) for clips as a sample; its error
rates are simulated in tests/stats/simulate_survival.py.
"""

from math import inf, nan
from typing import TYPE_CHECKING

import numpy as np

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.nouns import number_of
from blindtest.stats.binomial import checked_probability
from blindtest.stats.contrasts import (
    LEAST_UNITS,
    STATES,
    Contrasts,
    Estimates,
    reasons,
)
from blindtest.stats.other_scales import OtherScale, Rule, by_anchors, by_signs
from blindtest.stats.rating_table import read_ratings
from blindtest.stats.ratings import Effects, Panel, Ratings
from blindtest.stats.second_opinion import MixedOpinion, mixed_opinion, not_fitted
from blindtest.stats.survival_model import ModelTerms, model_of_ratings
from blindtest.stats.survival_result import ContrastVerdict, Rejection, Scattered, SurvivalResult
from blindtest.stats.two_way import LEAST_CLIPS
from blindtest.stats.verdict import Effect, Verdict, contrasts_of, effect_of, verdict_of

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["ContrastVerdict", "Effect", "OtherScale", "Rejection", "SurvivalResult", "Verdict", "survival"]


SCALE = "depends on the use of the scale"


def survival(
    table: "DataFrame",
    *,
    device: str,
    comparator: str,
    margin: float = 8.0,
    kept: float = 2 / 3,
    alpha: float = 0.05,
    anchor_low: str | None = None,
    anchor_high: str | None = None,
    only_these_clips: bool | None = None,
    mixed_model: bool = True,
) -> SurvivalResult:
    """Return whether an impression of `device` over `comparator` survives blinding.

    Parameters
    ----------
    table : listener, clip, device, mode ("labelled" or "blind"), sitting, rating; see `read_ratings`. Ratings of a
        sitting that gave rise to the claim must not be in it. A column `order` ("blind-first" or "labelled-first") says
        which phase a listener had first; else sittings that are all whole numbers tell
    margin : smallest effect that matters, scale points; sealed
    kept : share of the labelled effect that counts as surviving, (0, 1]; sealed
    alpha : how often the verdict may be wrong
    anchor_low, anchor_high : names in the column `device` of the poor and the good anchor, if there are any
    only_these_clips : the claim is about these clips. None: clips are a sample of clips where there are five or more;
        False: also with fewer, where the verdict is then undecided
    mixed_model : also fit one mixed model of all ratings; it never changes the verdict

    Raises
    ------
    BlindtestError
        A table that can't be read; device, comparator or an anchor that nobody rated.
    ValueError
        A number out of its range, or a device that is its own comparator.
    """
    if not 0 < margin < inf:
        raise ValueError(f"the margin must be above 0, got {margin}")
    if not 0 < kept <= 1:
        raise ValueError(f"the share kept must lie above 0, up to 1, got {kept}")
    checked_probability("alpha", alpha)
    device, comparator = str(device), str(comparator)
    if device == comparator:
        raise ValueError(f"{device!r} can't be compared with itself")
    ratings = read_ratings(table)
    _check_rated(ratings, device=device, comparator=comparator, anchor_low=anchor_low, anchor_high=anchor_high)
    effects = ratings.effects(device, comparator)
    panel = _panel(ratings, effects, device, comparator)
    drawn = panel is not None and not only_these_clips and len(panel.clips) >= LEAST_CLIPS
    own = contrasts_of(effects.blind, effects.labelled, effects.unit, kept, effects.least_sd)
    rule = Rule(margin=margin, kept=kept, alpha=alpha, panel=panel, clips_drawn=drawn)
    model, why_no_model = None, ""
    if panel is not None:
        try:
            model = model_of_ratings(panel, kept=kept, clips_drawn=drawn, least_sd=effects.least_sd)
            others = _other_scales(ratings, effects, anchor_low, anchor_high, rule)
        except (BlindtestError, np.linalg.LinAlgError) as error:
            told = error.faults[0].problem if isinstance(error, BlindtestError) else "too few ratings to tell variances"
            why_no_model, drawn, model = told, False, None
    if model is None:
        rule = rule._replace(panel=None, clips_drawn=False)
        others = _other_scales(ratings, effects, anchor_low, anchor_high, rule)
    contrasts = own if model is None else model.contrasts
    verdict, reason, remaining = verdict_of(contrasts, effects, margin=margin, alpha=alpha)
    if panel is not None and only_these_clips is False and not drawn and verdict in STATES:
        reason = why_no_model or f"{len(panel.clips)} clips say too little about others, it takes {LEAST_CLIPS} or more"
        verdict, remaining = "undecided", STATES
    contradicting = [other for other in others if verdict in STATES and other.verdict in set(STATES) - {verdict}]
    if contradicting:
        reason = f"{SCALE} ({verdict} in points, {', '.join(f'{o.verdict} by {o.name}' for o in contradicting)})"
        remaining = tuple(state for state in STATES if state in {verdict, *(other.verdict for other in contradicting)})
        verdict = "undecided"
    level = 1 - alpha
    return SurvivalResult(
        verdict=verdict,
        reason=reason,
        remaining=remaining,
        device=device,
        comparator=comparator,
        labelled=effect_of(contrasts.labelled, alpha),
        blind=effect_of(contrasts.blind, alpha),
        difference=effect_of(contrasts.difference, alpha),
        kept_contrast=effect_of(contrasts.kept, alpha),
        unit=effects.unit,
        units=(len(effects.labelled), len(effects.blind)),
        listeners=effects.names,
        clips=effects.clips,
        margin=float(margin),
        kept=float(kept),
        alpha=float(alpha),
        rejections=_rejections(contrasts, margin=margin, alpha=alpha),
        other_scales=others,
        mixed_model=_second_opinion(ratings, effects, panel, device, comparator, level, wanted=mixed_model),
        clips_drawn=drawn,
        order_effect=None if model is None or model.order_effect is None else effect_of(model.order_effect, alpha),
        contrasts=None if model is None else _companion(own, effects, margin=margin, alpha=alpha),
        spreads=_spreads(effects),
        scatter=None if panel is None or model is None else Scattered(panel.order, panel.differences),
        clip_spread=_clip_spread(contrasts.blind, len(panel.clips)) if drawn and panel is not None else nan,
        without_rating=ratings.without_rating,
        other_phases=ratings.other_phases,
        remarks=(*_remarks(ratings, effects, model), *_remarks_of_model(panel, model, why_no_model, only_these_clips)),
        assumptions=_assumptions(effects, drawn=drawn),
        method=_method(effects, model, drawn=drawn),
    )


def _panel(ratings: Ratings, effects: Effects, device: str, comparator: str) -> Panel | None:
    """Return what the model of a panel is fitted to; None with a single listener, or without both modes."""
    if effects.unit != "listener" or len(effects.names) < LEAST_UNITS or not len(effects.labelled):
        return None
    panel = ratings.panel(device, comparator)
    return panel if len(panel.listeners) == len(effects.names) and panel.clips else None


def _other_scales(
    ratings: Ratings, effects: Effects, low: str | None, high: str | None, rule: Rule
) -> tuple[OtherScale, OtherScale]:
    return by_anchors(ratings, effects, low, high, rule), by_signs(effects, rule)


def _companion(own: Contrasts, effects: Effects, *, margin: float, alpha: float) -> ContrastVerdict:
    verdict, reason, remaining = verdict_of(own, effects, margin=margin, alpha=alpha)
    return ContrastVerdict(
        verdict=verdict,
        reason=reason,
        remaining=remaining,
        labelled=effect_of(own.labelled, alpha),
        blind=effect_of(own.blind, alpha),
        difference=effect_of(own.difference, alpha),
        kept_contrast=effect_of(own.kept, alpha),
        listeners=len(effects.names),
    )


def _clip_spread(blind: Estimates, clips: int) -> float:
    return float(np.sqrt(blind.clip_variance * clips))


def _method(effects: Effects, model: ModelTerms | None, *, drawn: bool) -> str:
    if effects.unit == "sitting":
        return "one effect per sitting, t limits; d - rho s of two samples with Welch's degrees of freedom"
    if model is None:
        return "one effect per listener and mode, t limits with listeners - 1 degrees of freedom"
    clips = (
        "listeners and clips drawn at random, quantiles weighed by their shares of the variance"
        if drawn
        else "listeners drawn at random, clips fixed"
    )
    order = "" if model.order_effect is None else "; device x mode x order"
    return f"mixed model, random parts of its own for each tested term ({model.route}); {clips}{order}; t limits"


def _check_rated(ratings: Ratings, **names: str | None) -> None:
    known = ratings.devices
    if not ratings.rows:
        raise BlindtestError(
            Fault(
                problem="the table holds no labelled or blind rating",
                key="rating",
                got=f"{ratings.without_rating} rows without a rating, {ratings.other_phases} of other phases",
                remedy="finish a sitting first",
            )
        )
    faults = [
        Fault(
            problem="nobody rated this",
            key=key,
            got=name,
            allowed=", ".join(known),
            remedy=did_you_mean(str(name), known),
        )
        for key, name in names.items()
        if name is not None and str(name) not in known
    ]
    if faults:
        raise BlindtestError(*faults)


def _rejections(contrasts: Contrasts, *, margin: float, alpha: float) -> tuple[Rejection, ...]:
    return tuple(
        Rejection(state=state, condition=condition, limit=float(limit), rejected=bool(holds))
        for state, conditions in reasons(contrasts, margin=margin, alpha=alpha).items()
        for condition, holds, limit in conditions
    )


def _second_opinion(
    ratings: Ratings,
    effects: Effects,
    panel: Panel | None,
    device: str,
    comparator: str,
    level: float,
    *,
    wanted: bool,
) -> MixedOpinion:
    if not wanted:
        return not_fitted("it was not asked for", level=level)
    import pandas as pd

    used = {(page.listener, page.mode, page.sitting, page.clip) for page in effects.pages}
    rows = [
        (listener, sitting, mode, clip, name == device, rating)
        for listener, clip, name, mode, sitting, rating in ratings.rows
        if name in (device, comparator) and (listener, mode, sitting, clip) in used
    ]
    if not rows:
        return not_fitted("no page holds both devices", level=level)
    frame = pd.DataFrame(rows, columns=["listener", "sitting", "mode", "clip", "device", "rating"])
    if panel is not None and panel.order is not None:
        order = dict(zip(panel.listeners, np.where(panel.order, 0.5, -0.5), strict=True))
        frame = frame.assign(order=frame["listener"].map(order))
    return mixed_opinion(frame, unit=effects.unit, level=level)


def _spreads(effects: Effects) -> tuple[float, float, float]:
    s, d = effects.labelled, effects.blind
    if min(len(s), len(d)) < 2:
        return nan, nan, nan
    sd_s, sd_d = float(s.std(ddof=1)), float(d.std(ddof=1))
    together = 0.0
    if effects.unit == "listener" and len(s) == len(d) and sd_s > 0 and sd_d > 0:
        together = float(np.corrcoef(s, d)[0, 1])
    return sd_s, sd_d, together


def _remarks(ratings: Ratings, effects: Effects, model: ModelTerms | None) -> tuple[str, ...]:
    said = list(effects.remarks)
    if model is not None and model.route == "REML":
        said = [remark.replace("are left out", "are left out of the contrasts") for remark in said]
    if ratings.without_rating:
        said.append(
            f"{number_of(ratings.without_rating, 'row holds no rating and is', 'rows hold no rating and are')} left out"
        )
    if ratings.other_phases:
        said.append(
            f"{number_of(ratings.other_phases, 'row')} of practice or worn listening left out of the comparison"
        )
    if effects.unit == "sitting" and min(len(effects.labelled), len(effects.blind)) == LEAST_UNITS:
        said.append("3 sittings in a mode reach a verdict seldom; see the power")
    return tuple(said)


def _remarks_of_model(
    panel: Panel | None, model: ModelTerms | None, why_no_model: str, only_these_clips: bool | None
) -> tuple[str, ...]:
    if panel is None:
        return ()
    said = list(panel.remarks)
    if why_no_model:
        said.append(
            f"no mixed model ({why_no_model}): the verdict rests on one contrast per listener, about these clips"
        )
    if only_these_clips is None and len(panel.clips) < LEAST_CLIPS:
        said.append(
            f"with fewer than {LEAST_CLIPS} clips their spread says too little about others: the verdict is about these"
        )
    if model is not None and not panel.complete:
        said.append("ratings are missing: the mixed model uses all there are, pages with one of the two devices too")
    return (*said, *(model.remarks if model is not None else ()))


def _assumptions(effects: Effects, *, drawn: bool) -> tuple[str, ...]:
    if effects.unit == "sitting":
        whose = (
            "effects of one listener's sittings are independent and roughly normal, labelled and blind on other days"
        )
    else:
        whose = "listeners are independent, their effects roughly normal"
    about = (
        "clips are a sample of the clips that the claim is about, chosen without regard to the result"
        if drawn
        else "the verdict is about these clips, each counting alike; about others it says nothing"
    )
    return (
        whose,
        "same clips, page, scale, stimuli and order rule in both modes; the order of modes was crossed, or blind first",
        about,
        "margin, share kept and alpha were sealed before the first rating",
        "no sitting that gave rise to the claim is among these",
    )
