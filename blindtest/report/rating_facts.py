"""A claim about ratings, as a report tells it: does it survive when the names are gone?

Effects are device minus comparator, oriented by the claim, in points of the scale (0 ... 100). The verdict is the
partition of claims 4, filled from `blindtest.stats.survival`; nothing is decided here.
"""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from blindtest.report.recognition_facts import RecognitionFacts

if TYPE_CHECKING:
    from pandas import DataFrame

    from blindtest.stats import Effect as Estimated
    from blindtest.stats import MixedOpinion, OtherScale, SurvivalResult

__all__ = [
    "VERDICTS",
    "Effect",
    "MixedFacts",
    "RatedFacts",
    "RatingFacts",
    "RatingTruth",
    "Rejected",
    "Repeated",
    "UnitEffect",
    "Verdict",
]

Verdict = Literal["survives", "shrinks", "vanishes", "reverses", "undecided", "nothing on record"]
"""What a claim of kind 'rated' can end with; the first four are a partition of what can be true."""
VERDICTS: tuple[Verdict, ...] = ("survives", "shrinks", "vanishes", "reverses")

Interval = tuple[float, float]
Mode = Literal["worn", "labelled", "blind"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """An effect in points of the scale (or, where said, in another unit) with its limits."""

    estimate: float
    interval: Interval
    """Two-sided; infinite where a single unit leaves no spread to judge by."""
    level: float = 0.95
    lower_limit: float | None = None
    """One-sided, at the same level."""
    upper_limit: float | None = None
    std_error: float | None = None
    df: float | None = None
    """Degrees of freedom of its t limits."""

    @classmethod
    def of(cls, one: "Estimated | None") -> "Effect | None":
        """Return the facts of an effect of `blindtest.stats`; None where nothing was rated."""
        if one is None or math.isnan(one.estimate):
            return None
        return cls(
            estimate=one.estimate,
            interval=one.interval,
            level=one.level,
            lower_limit=one.lower_limit,
            upper_limit=one.upper_limit,
            std_error=one.std_error,
            df=one.df,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitEffect:
    """The effect in one unit of replication: a listener (both modes) or a sitting (the mode it was held in)."""

    name: str
    """Pseudonym, or 'sitting 3'."""
    labelled: float | None = None
    blind: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeated:
    """The verdict drawn once more on another use of the scale."""

    what: Literal["anchors", "signs"]
    """Effects divided by the distance between the two anchors in each mode; or signs of rank differences."""
    verdict: Verdict | None
    """None: it could not be drawn; `remarks` say why."""
    remaining: tuple[Verdict, ...] = ()
    contradicts: bool = False
    """Whether it ends in another determinate state than the points do."""
    labelled: Effect | None = None
    blind: Effect | None = None
    margin: float | None = None
    """In its own unit."""
    unit: str = ""
    """What one unit of its effects is, in words."""
    why_not: str = ""
    """Why it could not be drawn."""

    @classmethod
    def of(cls, one: "OtherScale", *, contradicts: bool = False) -> "Repeated":
        """Return the facts of a repeat of `stats.survival`."""
        return cls(
            what="anchors" if one.name == "anchors" else "signs",
            verdict=one.verdict,
            remaining=tuple(one.remaining),
            contradicts=contradicts,
            labelled=Effect.of(one.labelled),
            blind=Effect.of(one.blind),
            margin=None if math.isnan(one.margin) else one.margin,
            unit=one.scale,
            why_not=one.why_not,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class MixedFacts:
    """The same effects by a mixed model, as a second opinion; the verdict does not rest on it."""

    labelled: Effect | None = None
    blind: Effect | None = None
    difference: Effect | None = None
    """d - s."""
    model: str = ""
    program: str = ""
    converged: bool = True
    why_not: str = ""
    """Why it could not be fitted."""
    remarks: tuple[str, ...] = ()

    @classmethod
    def of(cls, one: "MixedOpinion") -> "MixedFacts":
        """Return the facts of the mixed model beside a verdict of `stats.survival`."""
        effects = {}
        if one.fitted:
            effects = {
                name: Effect(estimate=getattr(one, name), interval=getattr(one, f"{name}_interval"), level=one.level)
                for name in ("labelled", "blind", "difference")
            }
        return cls(
            **effects,
            model=one.model,
            program=one.source,
            converged=one.converged,
            why_not=one.why_not,
            remarks=tuple(one.remarks),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RatingFacts:
    """One rating: whose, in which sitting and mode, of what, how high."""

    listener: str
    sitting: int
    mode: Mode
    clip: str
    condition: str
    rating: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RatingTruth:
    """What simulated listeners were made to be; demonstrations only."""

    who: str
    """Pseudonym, or 'all listeners'."""
    labelled: float
    """True effect with names shown, points."""
    blind: float
    state: Verdict | None = None
    """Which of the four states is the true one."""
    rule: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rejected:
    """A state of the partition with one condition that would reject it, and whether it did."""

    state: Verdict
    condition: str
    """d: blind effect, s: labelled effect, L and U: one-sided t limits, M: margin, rho: share kept."""
    limit: float
    rejected: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RatedFacts:
    """What ratings with and without names say about a claim."""

    verdict: Verdict
    reason: str = ""
    """Why it is undecided, or why nothing is on record."""
    remaining: tuple[Verdict, ...] = ()
    """States that are not rejected."""
    margin: float
    kept: float
    alpha: float = 0.05
    unit: Literal["listener", "sitting"]
    """What was replicated: listeners of a panel, or the sittings of a single listener."""
    labelled: Effect | None = None
    """s: with names shown; None: nothing was rated so."""
    blind: Effect | None = None
    """d: without names."""
    difference: Effect | None = None
    """d - s."""
    kept_contrast: Effect | None = None
    """d - kept s: what is left beyond the share that counts as kept."""
    rejections: tuple[Rejected, ...] = ()
    units: tuple[UnitEffect, ...] = ()
    labelled_units: int = 0
    """Listeners, or sittings."""
    blind_units: int = 0
    repeats: tuple[Repeated, ...] = ()
    mixed: MixedFacts | None = None
    recognition: tuple[RecognitionFacts, ...] = ()
    """Single listeners, then 'all answers'."""
    order: str = ""
    """Which phase came first, in words."""
    scope: str = ""
    """For whom it holds, in words."""
    order_effect: Effect | None = None
    """Of the blind effect: blind first minus labelled first, in a crossed panel."""
    contrasts: str = ""
    """What one contrast per listener says of the same ratings, beside a model of listeners and clips."""
    worn: Effect | None = None
    """Device minus comparator as worn, sighted; described, never compared."""
    truth: tuple[RatingTruth, ...] = ()
    remarks: tuple[str, ...] = ()
    assumptions: tuple[str, ...] = ()
    method: str = ""
    """What the limits are, in words."""
    source: str = ""

    @property
    def contradicted(self) -> tuple[Repeated, ...]:
        """Repeats that end in another determinate state."""
        return tuple(one for one in self.repeats if one.contradicts)

    @classmethod
    def of(
        cls,
        result: "SurvivalResult",
        *,
        table: "DataFrame | None" = None,
        recognition: tuple[RecognitionFacts, ...] = (),
        order: str = "",
        worn: Effect | None = None,
        truth: tuple[RatingTruth, ...] = (),
    ) -> "RatedFacts":
        """Return the facts of a result of `stats.survival`; `table`: what it was made of, for single units and worn."""
        contradicting = result.verdict == "undecided" and len(result.remaining) > 1 and "scale" in result.reason
        points = _verdict_in_points(result)
        return cls(
            verdict=result.verdict,
            reason=result.reason,
            remaining=tuple(result.remaining),
            margin=result.margin,
            kept=result.kept,
            alpha=result.alpha,
            unit="listener" if result.unit == "listener" else "sitting",
            labelled=Effect.of(result.labelled),
            blind=Effect.of(result.blind),
            difference=Effect.of(result.difference),
            kept_contrast=Effect.of(result.kept_contrast),
            rejections=tuple(
                Rejected(state=one.state, condition=one.condition, limit=one.limit, rejected=one.rejected)
                for one in result.rejections
            ),
            units=() if table is None else _units(table, result),
            labelled_units=result.units[0],
            blind_units=result.units[1],
            repeats=tuple(
                Repeated.of(one, contradicts=contradicting and one.verdict in VERDICTS and one.verdict != points)
                for one in result.other_scales
            ),
            mixed=MixedFacts.of(result.mixed_model),
            recognition=recognition,
            order=order,
            scope=result.scope,
            order_effect=Effect.of(result.order_effect),
            contrasts="" if result.contrasts is None else result.contrasts.sentence,
            worn=worn if worn is not None or table is None else _worn(table, result),
            truth=truth,
            remarks=tuple(result.remarks),
            assumptions=tuple(result.assumptions),
            method=result.method,
            source=result.source,
        )


def _worn(table: "DataFrame", result: "SurvivalResult") -> Effect | None:
    """Return the effect as worn, by the same means as the others; None where nothing was rated so."""
    from blindtest import stats

    rows = table[(table["mode"] == "worn") & table["device"].astype(str).isin([result.device, result.comparator])]
    if rows["device"].nunique() < 2:
        return None
    found = stats.survival(
        rows.assign(mode="blind"),
        device=result.device,
        comparator=result.comparator,
        margin=result.margin,
        alpha=result.alpha,
        mixed_model=False,
    )
    return Effect.of(found.blind)


def _verdict_in_points(result: "SurvivalResult") -> Verdict | None:
    """Return the one state that the rejections leave, if they leave one."""
    left = {one.state for one in result.rejections} - {one.state for one in result.rejections if one.rejected}
    return next(iter(left)) if len(left) == 1 else None


def _units(table: "DataFrame", result: "SurvivalResult") -> tuple[UnitEffect, ...]:
    """Return the effects that the verdict rests on, one by one."""
    from blindtest.stats.rating_table import read_ratings

    effects = read_ratings(table).effects(result.device, result.comparator)
    if effects.unit == "listener":
        if len(effects.labelled) != len(effects.blind):
            return ()
        return tuple(
            UnitEffect(name=name, labelled=float(s), blind=float(d))
            for name, s, d in zip(effects.names, effects.labelled, effects.blind, strict=True)
        )
    out = []
    for mode, values in (("labelled", effects.labelled), ("blind", effects.blind)):
        sittings = sorted({page.sitting for page in effects.pages if page.mode == mode})
        for sitting, value in zip(sittings, values, strict=True):
            out.append(
                UnitEffect(
                    name=f"sitting {sitting}",
                    labelled=float(value) if mode == "labelled" else None,
                    blind=float(value) if mode == "blind" else None,
                )
            )
    return tuple(out)
