"""What was claimed and what was found, gathered for the report: a claim, its plan, its result."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from blindtest.design import Block
from blindtest.report import (
    AttributeFacts,
    AttributeListenerFacts,
    ClaimFacts,
    ClaimResult,
    ListenedFacts,
    ListenedPlan,
    PlanFacts,
    PreferenceFacts,
    PreferencePlanFacts,
    PreferenceTruth,
    RatedFacts,
    RatingTruth,
    RecognitionFacts,
    Results,
    StoppedFacts,
    SurvivalPlanFacts,
    Tested,
    ThresholdFacts,
    Truth,
    UnreliablePlan,
    UnreliableTruth,
)
from blindtest.stats import AttributeChances, Companion, Conclusion, SurvivalPower, survival_power
from blindtest.steps.answers.claim import ClaimAnswers
from blindtest.steps.answers.heard import HeardAnswers
from blindtest.steps.answers.study import Answers
from blindtest.steps.gathering.unreliable import REFUTED_BY_SOUND, unreliable_facts, unreliable_plan_facts
from blindtest.study import (
    ScaleReach,
    StageReach,
    Study,
)

__all__ = [
    "Truths",
    "claim_facts",
    "claim_result",
    "counted_blocks",
    "heard_plan",
    "heard_results",
    "planned_power",
]

PLAN_SEED = 20_260_304
"""Of the simulation of what a plan can reach: fixed, so that the same plan is always told the same."""
_REFUTED_BY = {
    "heard": "showing, at a risk of error of {alpha:g}, that less than {share:g} % of trials are heard beyond guessing",
    "preferred": (
        "showing, at a risk of error of {alpha:g}, that the other one is preferred, or that the preference lies within "
        "{low:g} % to {high:g} %"
    ),
    "attribute": (
        "showing, at a risk of error of {alpha:g}, that the other one has more of it, or that d\u2032 lies within "
        "-{margin:g} ... {margin:g}"
    ),
    "scale": (
        "showing, at a risk of error of {alpha:g}, that the other one is rated above it, or that the difference lies "
        "within -{margin:g} ... {margin:g}"
    ),
    "threshold": "showing, at a risk of error of {alpha:g}, that the threshold lies above a level of {margin:g}",
    "keeps listening": (
        "showing, at a risk of error of {alpha:g}, that the other one is chosen more often, or that the probability of "
        "a choice lies within {low:g} % to {high:g} %"
    ),
    "stage": (
        "showing, at a risk of error of {alpha:g} over all stages, that its effect lies within "
        "-{margin:g} ... {margin:g}{other}"
    ),
    "matched": "showing, at a risk of error of {alpha:g}, that the mean setting lies beyond {margin:g} from the match",
    "rated": "showing, at a risk of error of {alpha:g}, that the blind effect is smaller than {margin:g} points",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Truths:
    """What simulated listeners were made to be; demonstrations only."""

    heard: tuple[Truth, ...] = ()
    preferred: tuple[PreferenceTruth, ...] = ()
    rated: Mapping[str, tuple[RatingTruth, ...]] = field(default_factory=dict)
    """By claim."""
    unreliable: Mapping[str, UnreliableTruth] = field(default_factory=dict)
    """By claim."""


def claim_facts(one: ClaimAnswers, alpha: float) -> ClaimFacts:
    """Return what was claimed, and what would refute it, in words."""
    record = one.record
    margin = None if record["margin"] is None else float(record["margin"])
    refuted_by = ""
    if margin is not None:
        kind = "scale" if record.get("scale") else record["kind"]
        by = REFUTED_BY_SOUND if one.unreliable_labels else _REFUTED_BY[kind]
        refuted_by = by.format(
            alpha=alpha,
            share=100 * margin,
            low=50 - 100 * margin,
            high=50 + 100 * margin,
            margin=margin,
            other=", or the other way round" if record.get("effect", "either") != "either" else "",
        )
    return ClaimFacts(
        id=record["id"],
        kind=record["kind"],
        quote=record["quote"],
        device=record["device"],
        comparator=record["comparator"],
        attribute=str(record.get("attribute", "")),
        scale=str(record.get("scale", "")),
        unit=one.scaled.facts.unit if one.scaled is not None else "points",
        clips=tuple(record["clips"]),
        margin=margin,
        kept=float(record["kept"]) if record["kind"] == "rated" and not one.unreliable_labels else None,
        unreliable=one.unreliable_labels,
        primary=bool(record["primary"]),
        stage=str(record.get("stage", "")),
        effect=str(record.get("effect", "")),
        paired=one.staged is not None and one.staged.paired,
        refuted_by=refuted_by,
        impression=record["impression"],
    )


def _heard(answers: Answers) -> ClaimAnswers | None:
    return next((one for one in answers.claims if one.record["kind"] == "heard"), None)


def heard_plan(answers: Answers) -> PlanFacts | None:
    """Return what the plan of the claim heard can show; None where the study has no such claim."""
    one = _heard(answers)
    if one is None:
        return None
    if one.stopped is not None:
        # Its numbers of trials are none that was fixed: `StoppedFacts` says what that plan could show.
        return None
    blocks = [block for block in answers.seal.record["protocol"]["blocks"] if block["id"] in one.record["blocks"]]
    return PlanFacts.of(
        one.planned or sum(block["trials"] for block in blocks),
        method=blocks[0]["method"],
        margin=one.record["margin"],
        alpha=answers.alpha,
    )


def heard_results(answers: Answers) -> Results | None:
    """Return what was found of the claim heard; None where nobody has finished a sitting."""
    one = _heard(answers)
    return None if one is None or one.heard is None else _results(one.heard)


def claim_result(one: ClaimAnswers, answers: Answers, truths: "Truths") -> ClaimResult:
    """Return a claim with its plan and what was found of it."""
    plan: (
        PlanFacts
        | PreferencePlanFacts
        | AttributeChances
        | ScaleReach
        | StageReach
        | ListenedPlan
        | SurvivalPlanFacts
        | UnreliablePlan
        | None
    ) = None
    preferred, attribute, listened, rated = None, None, None, None
    record = one.record
    chance: float | None = None
    if record["kind"] == "heard":
        plan = heard_plan(answers)
        chance = plan.chance_negligible_if_guessing if plan else None
    if one.preferred is not None:
        plan = PreferencePlanFacts.of(
            one.planned, margin=record["margin"], alpha=answers.alpha, direction=record["direction"]
        )
        chance = one.preferred.chances.chance_to_fail
        preferred = PreferenceFacts.of(
            one.preferred.conclusion,
            device=record["device"],
            comparator=record["comparator"],
            table=one.preferred.comparisons,
            strengths=one.preferred.strengths,
            why_no_strengths=one.preferred.why_no_strengths,
            truth=truths.preferred,
        )
    if one.attribute is not None:
        plan = one.attribute.chances
        chance = plan.chance_to_fail if plan else None
        attribute = AttributeFacts(
            conclusion=one.attribute.conclusion,
            listeners=tuple(
                AttributeListenerFacts(
                    who=own.listener, conclusion=own.conclusion, adjusted_p_value=own.adjusted_p_value
                )
                for own in one.attribute.listeners
            ),
        )
    scaled = None if one.scaled is None else one.scaled.facts
    if scaled is not None:
        plan = scaled.plan
        chance = scaled.plan.chance_to_fail if scaled.plan else None
    if one.staged is not None:
        plan = one.staged.plan
        chance = plan.chance_to_fail if plan else None
    if one.listened is not None:
        plan = one.listened.chances
        chance = plan.chance_to_fail if plan else None
        listened = ListenedFacts(
            choice=one.listened.choice,
            dwell=one.listened.dwell,
            skips=one.listened.skips,
            why_no_dwell=one.listened.why_no_dwell,
            why_no_skips=one.listened.why_no_skips,
        )
    if one.rated is not None:
        power = planned_power(record, answers)
        plan = SurvivalPlanFacts.of(power)
        chance = power.chance_to_vanish
        rated = RatedFacts.of(
            one.rated.result,
            table=one.rated.ratings,
            recognition=tuple(RecognitionFacts.of(who, found) for who, found in one.rated.recognition),
            order=str(answers.seal.record["protocol"].get("order", "")),
            truth=truths.rated.get(record["id"], ()),
        )
    stopped = None
    if one.stopped is not None:
        rule = one.stopped.rule
        stopped = StoppedFacts(
            conclusion=one.stopped.conclusion,
            chances=one.stopped.chances,
            looks=rule.looks,
            high=rule.high,
            low=rule.low,
            series=one.stopped.series,
        )
        chance = one.stopped.chances.chance_negligible
    if one.unreliable_labels:
        plan = unreliable_plan_facts(record, answers.seal.record)
        chance = plan.chance_to_fail
    threshold = None
    if one.threshold is not None:
        threshold = ThresholdFacts(
            conclusion=one.threshold.conclusion,
            unanswered=one.threshold.unanswered,
            clips=len(record["clips"]),
            trials=one.threshold.trials,
        )
    together = getattr(one.heard or one.preferred or one.attribute, "together", None)
    if together is not None:
        chance = together.chance_to_fail
    return ClaimResult(
        claim=claim_facts(one, answers.alpha),
        threshold=threshold,
        stopped=stopped,
        matched=one.matched,
        staged=one.staged,
        heard=_results(one.heard) if one.heard is not None else None,
        preferred=preferred,
        attribute=attribute,
        scaled=scaled,
        listened=listened,
        rated=rated,
        unreliable=unreliable_facts(one.unreliable, truths.unreliable.get(record["id"])),
        plan=plan,
        alpha=answers.alpha,
        p_value=one.p_value,
        adjusted_p_value=one.adjusted_p_value,
        why_not=one.why_not,
        chance_to_fail=chance,
        together=together,
        companions=_companions(one),
    )


def _companions(one: ClaimAnswers) -> tuple[Companion, ...]:
    ended = one.heard or one.preferred or one.attribute or one.scaled or one.listened or one.rated
    return ended.companions if ended is not None else ()


def planned_power(record: Mapping[str, Any], answers: Answers) -> SurvivalPower:
    """Return which verdicts the sealed plan could reach: from its numbers alone, not from what was found."""
    blocks = [one for one in answers.seal.record["protocol"]["blocks"] if one["id"] in record["blocks"]]
    named = next((one for one in blocks if one["phase"] == "labelled"), None)
    blind = next((one for one in blocks if one["phase"] == "blind"), None)
    clips, listeners = len(record["clips"]), int(answers.seal.record["listeners"])
    pages = min((one["trials"] for one in (named, blind) if one is not None), default=clips)
    margin, kept = float(record["margin"]), float(record["kept"])
    top = max(20.0, 2.5 * margin)
    return survival_power(
        listeners=listeners,
        sittings=(named["sittings"] if named else 1, blind["sittings"] if blind else 1),
        clips=clips,
        repeats=max(1, pages // max(1, clips)),
        only_these_clips=True if record.get("only_these_clips") else None,
        labelled=top,
        blind=[float(effect) for effect in np.linspace(-top, top, 17)],
        margin=margin,
        kept=kept,
        alpha=answers.alpha,
        rng=np.random.default_rng(PLAN_SEED),
        studies=2000,
    )


def counted_blocks(study: Study) -> tuple[Block, ...]:
    """Return the blocks whose answers enter the analysis."""
    return tuple(block for block in study.protocol.blocks if block.counted)


def _results(heard: HeardAnswers) -> Results:
    base = Results.of(heard.conclusion)
    return replace(
        base,
        listeners=tuple(
            _tested(one.listener, one.conclusion, one.adjusted_p_value) for one in heard.listeners if one.trials
        ),
    )


def _tested(who: str, concluded: Conclusion, adjusted: float | None) -> Tested:
    answered = concluded.answered or concluded.difference
    similar = concluded.answered_similarity or concluded.similarity
    return Tested.of(
        who,
        answered,
        conclusion=concluded.word,
        adjusted_p_value=adjusted,
        similarity_p_value=similar.p_value if similar else None,
    )
