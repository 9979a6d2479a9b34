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

from dataclasses import dataclass, field
from math import inf, isfinite, nan
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.stats.binomial import checked_probability
from blindtest.stats.contrasts import (
    LEAST_UNITS,
    STATES,
    Contrasts,
    Estimates,
    State,
    paired_contrasts,
    reasons,
    remaining_states,
    two_sample_contrasts,
)
from blindtest.stats.other_scales import OtherScale, Rule, by_anchors, by_signs
from blindtest.stats.plain import plain
from blindtest.stats.ratings import Effects, Panel, Ratings, read_ratings
from blindtest.stats.second_opinion import MixedOpinion, mixed_opinion, not_fitted
from blindtest.stats.survival_model import ModelTerms, model_of_ratings
from blindtest.stats.survival_planning import (
    SurvivalPower,
    chances_of_contrasts,
    contrasts_like,
    effects_of_each_state,
)
from blindtest.stats.two_way import LEAST_CLIPS
from blindtest.stats.verdict import Effect, Verdict, contrasts_of, effect_of, verdict_of

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["ContrastVerdict", "Effect", "OtherScale", "Rejection", "SurvivalResult", "Verdict", "survival"]


SCALE = "depends on the use of the scale"
STUDIES = 4000
"""Simulated for each true effect in `SurvivalResult.power`."""


class Scattered(NamedTuple):
    """A panel's effects, (2, listeners, clips) labelled and blind, and which listeners were blind first."""

    order: NDArray[np.bool_] | None
    differences: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rejection:
    """A state of the partition, and one condition that would reject it."""

    state: State
    condition: str
    """d: blind effect, s: labelled effect, L and U: one-sided t limits, M: margin, rho: share kept."""
    limit: float
    """The limit that the condition looks at."""
    rejected: bool

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class ContrastVerdict:
    """What one effect per listener and mode says of the same ratings, t with listeners - 1: about these clips."""

    verdict: Verdict
    reason: str
    remaining: tuple[State, ...]
    labelled: Effect
    blind: Effect
    difference: Effect
    kept_contrast: Effect
    listeners: int

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        why = f" ({self.reason})" if self.reason else ""
        return (
            f"One contrast per listener, about these clips: {self.verdict}{why}; labelled {_shown(self.labelled)}, "
            f"blind {_shown(self.blind)}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "sentence")


@dataclass(frozen=True, slots=True, kw_only=True)
class SurvivalResult:
    """Whether an impression survives blinding, and what that rests on."""

    verdict: Verdict
    reason: str
    """Why it is undecided, or nothing is on record; empty for a verdict of one state."""
    remaining: tuple[State, ...]
    """States that are not rejected; one: the verdict."""
    device: str
    comparator: str
    labelled: Effect
    """s, device minus comparator, points."""
    blind: Effect
    """d."""
    difference: Effect
    """d - s."""
    kept_contrast: Effect
    """d - rho s: what is left of the effect beyond the share that counts as kept."""
    unit: str
    """"listener" or "sitting": what the limits are computed over."""
    units: tuple[int, int]
    """Number of units, labelled and blind."""
    listeners: tuple[str, ...]
    clips: tuple[str, ...]
    margin: float
    kept: float
    alpha: float
    rejections: tuple[Rejection, ...]
    other_scales: tuple[OtherScale, ...]
    mixed_model: MixedOpinion
    clips_drawn: bool
    """Whether clips count as a sample of clips; False: the verdict is about these."""
    order_effect: Effect | None
    """Of the blind effect: listeners who were blind first minus those labelled first; None: one order, or not known."""
    contrasts: ContrastVerdict | None
    """The companion of a panel's model; None where the verdict rests on such contrasts itself."""
    spreads: tuple[float, float, float]
    """Standard deviation of the effects over units, labelled and blind, and their correlation (0 for sittings)."""
    clip_spread: float
    """Standard deviation of the blind effect between clips, beyond chance; nan where it was not estimated."""
    scatter: Scattered | None = field(compare=False, repr=False)
    """Order and effects of listeners on clips that a panel's power is simulated from; not part of `to_dict`."""
    without_rating: int
    """Rows without a rating; left out."""
    other_phases: int
    """Rows of practice or worn listening; never compared."""
    remarks: tuple[str, ...]
    assumptions: tuple[str, ...]
    method: str
    source: str = (
        "partition by one-sided t limits, claims section 4; Clark 1973 for clips as a sample; Welch 1947 for sittings"
    )

    @property
    def reading(self) -> str:
        """The verdict with its reason: "undecided: medium and blinding not separated ..."."""
        return f"{self.verdict}: {self.reason}" if self.reason else self.verdict

    @property
    def scope(self) -> str:
        """For whom it holds."""
        if self.unit == "sitting":
            return "for this listener and these clips"
        return "for listeners and clips like these" if self.clips_drawn else "for listeners like these and these clips"

    @property
    def smallest_alpha(self) -> float | None:
        """The smallest alpha at which the verdict would be this one; None where it names no state."""
        return _smallest_alpha(self)

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        return (
            f"{self.reading}, {self.scope}. {self.device} over {self.comparator}: labelled {_shown(self.labelled)}, "
            f"blind {_shown(self.blind)}, blind minus labelled {_shown(self.difference)} points; margin "
            f"{self.margin:g}, kept {self.kept:.3g}, alpha {self.alpha:g}, {_counted(self.unit, self.units)}"
            f"{f', {len(self.clips)} clips' if self.clips_drawn else ''}."
        )

    @property
    def power(self) -> SurvivalPower | None:
        """What a study of this size and these spreads reaches, with the labelled effect found; None without spreads.

        Simulated with a fixed seed. It says what could have been found, never whether it was.
        """
        return _power(self)

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentences and power included."""
        shown = plain(self, "reading", "scope", "sentence", "smallest_alpha", "power")
        del shown["scatter"]
        return shown


def _shown(effect: Effect) -> str:
    low, high = effect.interval
    if not isfinite(effect.estimate):
        return "not rated"
    if not isfinite(low):
        return f"{effect.estimate:+.1f} (one value: no interval)"
    return f"{effect.estimate:+.1f} ({low:+.1f} to {high:+.1f})"


def _counted(unit: str, units: tuple[int, int]) -> str:
    if unit == "sitting":
        return f"{units[0]} labelled and {units[1]} blind sittings"
    return f"{units[1] or units[0]} listeners" if min(units) else f"{units[0]} labelled, {units[1]} blind listeners"


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
        sitting that gave rise to the claim must not be in it
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
        except BlindtestError as error:
            why_no_model, drawn, model = error.faults[0].problem, False, None
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


def _power(result: SurvivalResult) -> SurvivalPower | None:
    sd_s, sd_d, together = result.spreads
    labelled = result.labelled.estimate
    if not isfinite(sd_s) or not labelled > 0:
        return None
    rng = np.random.default_rng(20_260_101)
    paired = result.unit == "listener"
    n_s, n_d = result.units
    if result.scatter is not None:
        order, differences = result.scatter
        noise = contrasts_like(
            differences, kept=result.kept, clips_drawn=result.clips_drawn, order=order, rng=rng, studies=STUDIES
        )
    else:
        z, own = rng.normal(size=(STUDIES, n_s)), rng.normal(size=(STUDIES, n_d))
        if paired:
            own = together * z + np.sqrt(max(0.0, 1 - together**2)) * own
        noise = (paired_contrasts if paired else two_sample_contrasts)(sd_d * own, sd_s * z, kept=result.kept)
    rows = [
        chances_of_contrasts(
            noise,
            truth=(truth, labelled),
            enough=min(n_s, n_d) >= LEAST_UNITS,
            margin=result.margin,
            kept=result.kept,
            alpha=result.alpha,
        )
        for truth in effects_of_each_state(labelled, result.margin, result.kept)
    ]
    return SurvivalPower(
        unit=result.unit,
        listeners=len(result.listeners),
        sittings=(n_s, n_d) if not paired else (1, 1),
        ratings=0,
        margin=result.margin,
        kept=result.kept,
        alpha=result.alpha,
        chances=tuple(rows),
        studies=STUDIES,
        clips_drawn=result.clips_drawn,
        assumptions=(
            "the spreads found are the true ones, effects are normal, the labelled effect is the one found",
            f"seed 20260101, {STUDIES} studies a row",
        ),
    )


def _remarks(ratings: Ratings, effects: Effects, model: ModelTerms | None) -> tuple[str, ...]:
    said = list(effects.remarks)
    if model is not None and model.route == "REML":
        said = [remark.replace("are left out", "are left out of the contrasts") for remark in said]
    if ratings.without_rating:
        said.append(f"{ratings.without_rating} rows hold no rating and are left out")
    if ratings.other_phases:
        said.append(f"{ratings.other_phases} rows of practice or worn listening are not compared")
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


def _smallest_alpha(result: SurvivalResult) -> float | None:
    if result.verdict not in STATES:
        return None
    contrasts = Contrasts(
        labelled=result.labelled.estimates,
        blind=result.blind.estimates,
        difference=result.difference.estimates,
        kept=result.kept_contrast.estimates,
    )

    def reached(alpha: float) -> bool:
        left = remaining_states(contrasts, margin=result.margin, alpha=alpha)
        return bool(left.sum() == 1 and contrasts.labelled.lower(alpha) > 0)

    # Limits move apart as alpha falls, so fewer states are rejected; repeats on other scales can then only agree more.
    low, high = 0.0, result.alpha
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (low, middle) if reached(middle) else (middle, high)
    return high


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
