"""What could have been missed: what the plan could not have shown."""

from blindtest.report.attribute_words import d_span
from blindtest.report.choice_facts import PlanFacts
from blindtest.report.claim_facts import ClaimResult
from blindtest.report.facts import ReportInput
from blindtest.report.listened_facts import ListenedPlan
from blindtest.report.listened_words import CANNOT_TELL_WORDS
from blindtest.report.preference_facts import PreferencePlanFacts
from blindtest.report.rating_facts import VERDICTS
from blindtest.report.rating_words import effect_words
from blindtest.report.scale_words import contrast_span
from blindtest.report.stopped_words import stopped_missed
from blindtest.report.survival_plan_facts import SurvivalPlanFacts
from blindtest.report.words import below, clean, interval_words, percent, short_names
from blindtest.stats import AttributeChances
from blindtest.study import ScaleReach, StageReach

__all__ = ["missed_words"]


def missed_words(report: ReportInput) -> tuple[str, ...]:
    """Return, claim by claim, what the plan would have missed."""
    out = []
    several = len(report.answers) > 1
    for one in report.answers:
        a, b = short_names([report.name_of(one.claim.device), report.name_of(one.claim.comparator)])
        said = {
            "heard": _missed_heard,
            "preferred": _missed_preferred,
            "attribute": _missed_attribute,
            "keeps listening": _missed_listened,
            "stage": _missed_stage,
            "rated": _missed_rated,
        }.get(one.claim.kind)
        about = f"{clean(one.claim.stage)} of {a}" if one.claim.kind == "stage" else f"{a} and {b}"
        prefix = f"{one.claim.kind.capitalize()}, {about}: " if several else ""
        out += [prefix + text for text in (said(one, a) if said else ())]
    out.append("Differences that need longer listening, other programme, another level or other ears than these.")
    return tuple(out)


def _missed_heard(one: ClaimResult, a: str) -> list[str]:
    out = []
    if isinstance(one.plan, PlanFacts) and one.plan.detectable is not None:
        share, chance = one.plan.detectable
        out.append(
            f"Differences heard on fewer than {percent(share)} of trials: the plan would have told them from "
            f"guessing with a chance of {below(chance)}."
        )
    if one.stopped is not None:
        out += stopped_missed(one.stopped)
    if one.heard is not None and not one.heard.nothing_answered:
        pooled = one.heard.pooled
        out.append(
            f"With {percent(pooled.level)} confidence, the answers leave room for any share of trials heard from "
            f"{percent(pooled.share_interval[0], 1)} to {percent(pooled.share_interval[1], 1)}."
        )
    return out


def _missed_preferred(one: ClaimResult, a: str) -> list[str]:
    out = []
    if isinstance(one.plan, PreferencePlanFacts) and one.plan.chances:
        plan = one.plan
        enough = next((p for p in plan.probabilities if p > 0.5 and (plan.chance("shown", p) or 0) >= 0.8), None)
        out.append(
            "Preferences of any strength: the plan would have shown none of them with a chance of 80\u00a0%."
            if enough is None
            else f"Preferences weaker than {percent(enough)} for {a}: the plan would have shown them with a chance of "
            "less than 80\u00a0%."
        )
    if one.preferred is not None and one.preferred.answered.decided:
        said = one.preferred.answered
        out.append(
            f"With {percent(said.level)} confidence, the answers leave room for any probability to prefer {a} from "
            f"{interval_words(said.interval, 1)}."
        )
    return out


def _missed_stage(one: ClaimResult, a: str) -> list[str]:
    out = []
    if isinstance(one.plan, StageReach):
        out.append(
            f"Stages that change {'preferences' if one.claim.paired else 'ratings'} by less than {one.plan.margin:g} "
            f"points: the plan would have shown each of them with a chance of "
            f"{below(one.plan.chance_shown)}."
        )
    if one.staged is not None:
        found = one.staged.own.effect
        out.append(
            f"With {percent(found.level)} confidence, the {'answers' if one.claim.paired else 'ratings'} leave room "
            "for any effect of "
            f"{clean(one.staged.stage)} from {contrast_span(found.interval, 1)} points."
        )
    return out


def _missed_attribute(one: ClaimResult, a: str) -> list[str]:
    out = []
    if isinstance(one.plan, AttributeChances):
        out.append(
            f"Differences smaller than a d\u2032 of {one.plan.margin:g} along the attribute: the plan would have shown "
            f"them with a chance of {below(one.plan.chance_shown)}."
        )
    if isinstance(one.plan, ScaleReach):
        unit = "grades" if one.plan.grades else "points"
        out.append(
            f"Differences smaller than {one.plan.margin:g} {unit}: the plan would have shown them with a chance of "
            f"{below(one.plan.chance_shown)}."
        )
    if one.scaled is not None and one.scaled.decisive.conclusion is not None:
        found, digits = one.scaled.decisive.conclusion, 2 if one.scaled.in_grades else 1
        out.append(
            f"With {percent(1 - found.alpha)} confidence, the ratings leave room for any difference from "
            f"{contrast_span(found.interval, digits)} {one.scaled.unit}."
        )
    if one.attribute is not None:
        said = one.attribute.decisive
        out.append(
            f"With {percent(said.level)} confidence, the answers leave room for any d\u2032 from "
            f"{d_span(said.d_prime_interval)}."
        )
    return out


def _missed_listened(one: ClaimResult, a: str) -> list[str]:
    out = []
    if isinstance(one.plan, ListenedPlan):
        out.append(
            f"Probabilities to choose {a} below {percent(one.plan.more.share)}: the plan would have shown them with a "
            f"chance of {below(one.plan.more.shown)}."
        )
    if one.listened is not None:
        out.append(CANNOT_TELL_WORDS)
    return out


def _missed_rated(one: ClaimResult, a: str) -> list[str]:
    out = []
    if one.unreliable is not None:
        out.append(
            "Effects of a name that nobody doubts: listeners knew that names may be wrong, and may have left them out "
            "of account."
        )
    if isinstance(one.plan, SurvivalPlanFacts) and one.plan.chances:
        plan = one.plan
        seldom = [verdict for verdict in VERDICTS if verdict not in plan.reachable]
        if seldom:
            states, them = ("state", "it") if len(seldom) == 1 else ("states", "them")
            out.append(
                f"The {states} {', '.join(seldom)}: with this plan and a labelled effect of {plan.labelled_effect:g} "
                f"points, none of the blind effects looked at leads to {them} in half of the studies or more; such a "
                "study mostly ends undecided."
            )
    if one.rated is not None and one.rated.blind is not None:
        out.append(f"The blind effect, {effect_words(one.rated.blind)}, may lie anywhere in that interval.")
    return out
