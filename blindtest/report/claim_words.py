"""Claims in words: what each ends as, in a sentence, with everything that has to stand beside it.

For the page, the Markdown block and the terminal alike. A p value never stands alone; that something was not shown is
never said as if its contrary had been.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from blindtest.report.attribute_words import attribute_beside, attribute_plan, attribute_sentence, d_span, d_words
from blindtest.report.choice_facts import PlanFacts
from blindtest.report.claim_facts import ClaimFacts, ClaimResult
from blindtest.report.companion_words import asked_for, in_passing, second_thoughts
from blindtest.report.heard_words import NOBODY, decisive, heard_beside, heard_plan, heard_sentence
from blindtest.report.listened_facts import ListenedPlan
from blindtest.report.listened_words import listened_beside, listened_numbers, listened_plan, listened_sentence
from blindtest.report.preference_facts import PreferencePlanFacts
from blindtest.report.preference_words import (
    decisive_preference,
    margin_band,
    preference_beside,
    preference_plan,
    preference_sentence,
    strength_words,
)
from blindtest.report.rating_words import (
    kept_words,
    points,
    rated_beside,
    rated_further,
    rated_sentence,
    rated_tabled,
    span,
    survival_plan,
)
from blindtest.report.scale_words import scale_beside, scale_further, scale_numbers, scale_plan, scale_sentence
from blindtest.report.setting_words import setting_beside, setting_further, setting_numbers, setting_sentence
from blindtest.report.stage_words import (
    stage_beside,
    stage_claimed,
    stage_further,
    stage_numbers,
    stage_plan,
    stage_sentence,
)
from blindtest.report.stopped_words import stopped_beside, stopped_further, stopped_numbers, stopped_sentence
from blindtest.report.survival_plan_facts import SurvivalPlanFacts
from blindtest.report.threshold_words import threshold_beside, threshold_further, threshold_numbers
from blindtest.report.unreliable_facts import UnreliablePlan
from blindtest.report.unreliable_words import (
    unreliable_beside,
    unreliable_further,
    unreliable_numbers,
    unreliable_plan,
    unreliable_sentence,
)
from blindtest.report.words import DASH, clean, count_of, interval_words, p_words, percent, plural, short_names, typeset
from blindtest.report.words import sentence as sentence_of
from blindtest.stats import AttributeChances
from blindtest.study import ScaleReach, StageReach

__all__ = ["Said", "claimed", "margin_words", "numbers_words", "said_of", "text_of_claim"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """A claim's result in words."""

    word: str
    sentence: str
    beside: tuple[str, ...]
    """What must stand beside it."""
    further: tuple[str, ...] = ()
    """What else is known."""
    tabled: tuple[str, ...] = ()
    """What the page says in tables of its own; for the terminal and the Markdown block."""
    thoughts: tuple[str, ...] = ()
    """Looks beside the result that should make a reader think twice."""
    passing: str = ""
    """The other looks, named in one sentence."""
    looks: tuple[str, ...] = ()
    """What those found, in full: folded on the page, left out elsewhere."""


def claimed(claim: ClaimFacts, names: Mapping[str, str] | None = None) -> str:
    """Return the claim as a sentence that can fail."""
    a, b = _pair(claim, names or {})
    if claim.kind == "attribute" and claim.scale:
        return f"{a} is rated above {b} in {clean(claim.scale)}"
    if claim.kind == "stage":
        return stage_claimed(claim.stage, a, claim.effect, paired=claim.paired)
    if claim.unreliable:
        return f"{a} is rated above {b} for its sound, whatever name it bears"
    return {
        "heard": f"{a} and {b} can be told apart by ear",
        "preferred": f"{a} is preferred to {b}",
        "attribute": f"{a} has more {clean(claim.attribute)} than {b}",
        "threshold": f"{a} is heard against {b} at a level of {claim.margin or 0:g} or less",
        "keeps listening": f"{a} keeps people listening more than {b}",
        "rated": f"{a} is rated above {b}, and that survives when the names are gone",
        "matched": f"listeners set {a} within {claim.margin or 0:g} of where it was matched with {b}",
    }.get(claim.kind, f"{a} and {b}: {clean(claim.kind)}")


def margin_words(claim: ClaimFacts) -> str:
    """Return the margin, in the unit of the claim's kind."""
    if claim.margin is None:
        return "none was fixed, so the claim cannot end as negligible"
    if claim.kind == "preferred":
        band = interval_words(margin_band(claim.margin))
        return f"{percent(claim.margin)} beyond one half: a probability of {band} counts as negligible"
    if claim.kind == "keeps listening":
        band = interval_words(margin_band(claim.margin))
        return f"{percent(claim.margin)} beyond one half: a probability of {band} to be chosen counts as negligible"
    if claim.kind == "attribute" and claim.scale:
        return f"{claim.margin:g} {clean(claim.unit)} of the scale: within \u00b1{claim.margin:g} is negligible"
    if claim.kind == "attribute":
        return (
            f"a d\u2032 of {claim.margin:g} along the attribute: {d_span((-claim.margin, claim.margin))} is negligible"
        )
    if claim.kind == "threshold":
        return f"a level of {claim.margin:g}, in the unit of the grid"
    if claim.kind == "stage":
        return f"{claim.margin:g} points of the scale of 100: an effect within \u00b1{claim.margin:g} is negligible"
    if claim.kind == "matched":
        return f"{claim.margin:g}, in the unit of the grid: a mean setting this near to the match counts as equal"
    if claim.kind == "rated":
        if claim.unreliable:
            return f"{claim.margin:g} points of the scale of 100, for the sound as for the name"
        kept = f"; {kept_words(claim.kept)} of the labelled effect count as kept" if claim.kept is not None else ""
        return f"{claim.margin:g} points of the scale of 100{kept}"
    return f"{percent(claim.margin)} of trials heard beyond guessing"


def numbers_words(result: ClaimResult) -> str:
    """Return the numbers that a word must not be read without, as short as can be."""
    if result.heard is not None and result.heard.nothing_answered:
        return f"no answer in {plural(result.heard.unanswered, 'planned trial')}"
    if result.heard is not None:
        heard = decisive(result.heard)
        return f"{count_of(heard.correct, heard.trials)} right; heard {percent(heard.share)}, interval " + (
            interval_words(heard.share_interval)
        )
    if result.stopped is not None:
        return stopped_numbers(result.stopped)
    if result.preferred is not None:
        liked = decisive_preference(result.preferred)
        if not liked.decided:
            return f"{plural(liked.ties, 'tie')} and nothing else"
        ties = f", {plural(liked.ties, 'tie')}" if liked.ties else ""
        return f"{count_of(liked.wins, liked.decided)}{ties}; interval {interval_words(liked.interval)}"
    if result.attribute is not None:
        chosen = result.attribute.decisive
        return (
            f"{count_of(chosen.correct, chosen.trials)}; d\u2032 {d_words(chosen.d_prime)}, interval "
            f"{d_span(chosen.d_prime_interval)}"
        )
    if result.scaled is not None:
        return scale_numbers(result.scaled)
    if result.listened is not None:
        return listened_numbers(result.listened)
    if result.rated is not None:
        rated = result.rated
        parts = [("labelled", rated.labelled), ("blind", rated.blind)]
        return "; ".join(f"{mode} {points(one.estimate)} ({span(one)})" for mode, one in parts if one is not None)
    if result.unreliable is not None:
        return unreliable_numbers(result.unreliable)
    if result.threshold is not None:
        return threshold_numbers(result.threshold)
    if result.matched is not None:
        return setting_numbers(result.matched)
    if result.staged is not None:
        return stage_numbers(result.staged)
    return DASH


def said_of(result: ClaimResult, names: Mapping[str, str] | None = None) -> Said:
    """Return what the claim ends as; `names`: what readers call a condition, by its id."""
    claim, (a, b) = result.claim, _pair(result.claim, names or {})
    further: tuple[str, ...] = ()
    tabled: tuple[str, ...] = ()
    if result.heard is not None:
        plan = result.plan if isinstance(result.plan, PlanFacts) else None
        sentence = heard_sentence(result.heard, result.word, a, b, claim.margin)
        beside = heard_beside(result.heard, plan, margin=claim.margin, alpha=result.alpha, together=result.together)
    elif result.stopped is not None:
        sentence = stopped_sentence(result.stopped, result.word, a, b)
        beside, further = stopped_beside(result.stopped.conclusion), stopped_further(result.stopped)
    elif result.preferred is not None:
        choices = result.plan if isinstance(result.plan, PreferencePlanFacts) else None
        sentence = preference_sentence(result.preferred, result.word, a, b)
        beside = preference_beside(result.preferred, choices, a, b, together=result.together)
        fit = result.preferred.strengths
        if fit is not None:
            further = tuple(strength_words(fit, a, b))
        elif result.preferred.why_no_strengths:
            further = (f"No strengths could be fitted: {clean(result.preferred.why_no_strengths)}.",)
    elif result.attribute is not None:
        chances = result.plan if isinstance(result.plan, AttributeChances) else None
        more = clean(claim.attribute)
        sentence = attribute_sentence(result.attribute, result.word, a, b, more)
        beside = attribute_beside(result.attribute, chances, a, b, more, together=result.together)
    elif result.scaled is not None:
        ratings = result.plan if isinstance(result.plan, ScaleReach) else None
        sentence = scale_sentence(result.scaled, result.word, a, b)
        beside, further = scale_beside(result.scaled, ratings, a, b), scale_further(result.scaled)
    elif result.listened is not None:
        picks = result.plan if isinstance(result.plan, ListenedPlan) else None
        sentence = listened_sentence(result.listened, result.word, a, b)
        beside = listened_beside(result.listened, picks, a)
    elif result.rated is not None:
        survival = result.plan if isinstance(result.plan, SurvivalPlanFacts) else None
        sentence = rated_sentence(result.rated, result.word, a, b)
        beside = rated_beside(result.rated, survival)
        further, tabled = rated_further(result.rated, a, b), rated_tabled(result.rated)
    elif result.unreliable is not None:
        known = result.plan if isinstance(result.plan, UnreliablePlan) else None
        sentence = unreliable_sentence(result.unreliable, result.word, a, b)
        beside, further = unreliable_beside(result.unreliable, known), unreliable_further(result.unreliable)
    elif result.threshold is not None:
        sentence = result.threshold.conclusion.sentence
        beside, further = threshold_beside(result.threshold), threshold_further(result.threshold)
    elif result.matched is not None:
        own = result.matched.named(names or {})
        sentence, beside, further = setting_sentence(own, result.word), setting_beside(own), setting_further(own)
    elif result.staged is not None:
        reach = result.plan if isinstance(result.plan, StageReach) else None
        sentence = stage_sentence(result.staged, a)
        beside, further = stage_beside(result.staged, reach), stage_further(result.staged)
    else:
        why = sentence_of(result.why_not)
        return Said(word=result.word, sentence=why or NOBODY, beside=(plan_words(result, a),))
    looks = tuple(f"{one.name}: {one.sentence}" for one in result.companions if not one.notable and not one.asked)
    return Said(
        word=result.word,
        sentence=typeset(sentence),
        beside=tuple(map(typeset, (*_family(result), *beside))),
        further=tuple(map(typeset, (*further, *asked_for(result.companions)))),
        tabled=tuple(map(typeset, tabled)),
        thoughts=tuple(map(typeset, second_thoughts(result.companions))),
        passing=typeset(in_passing(result.companions)),
        looks=tuple(map(typeset, looks)),
    )


def plan_words(result: ClaimResult, a: str) -> str:
    """Return what the claim's plan could have found."""
    if isinstance(result.plan, PreferencePlanFacts):
        return preference_plan(result.plan, a)
    if isinstance(result.plan, AttributeChances):
        return attribute_plan(result.plan, a)
    if isinstance(result.plan, ScaleReach):
        return scale_plan(result.plan)
    if isinstance(result.plan, StageReach) or result.claim.kind == "stage":
        return stage_plan(result.plan if isinstance(result.plan, StageReach) else None)
    if isinstance(result.plan, ListenedPlan):
        return listened_plan(result.plan, a)
    if isinstance(result.plan, SurvivalPlanFacts):
        return survival_plan(result.plan)
    if isinstance(result.plan, UnreliablePlan):
        return unreliable_plan(result.plan)
    if result.claim.kind == "threshold":
        return "How often a plan like this shows or refutes a level was not computed."
    if result.claim.kind == "matched":
        return "How often a plan like this shows or refutes a match was not computed."
    return heard_plan(result.plan)


def _family(result: ClaimResult) -> tuple[str, ...]:
    """Return by which right the claim is tested, where it is not the primary one."""
    claim = result.claim
    if claim.role == "exploratory":
        return (
            "Exploratory: this was not sealed as a claim, so its error rates are not under control. It is a reason to "
            "test, not a result.",
        )
    if claim.role == "primary":
        return ()
    text = "Confirmatory, beside the primary claim"
    if result.adjusted_p_value is None or result.p_value is None:
        return (text + ".",)
    partition = claim.kind == "rated" and not claim.unreliable
    of = "smallest level at which the verdict is reached" if partition else "p of the test below"
    text += (
        f": corrected by Holm over the confirmatory claims, the {of} ({p_words(result.p_value)}) becomes "
        f"{p_words(result.adjusted_p_value)}, against a level of {percent(result.alpha)}"
    )
    if result.word != result.word_alone:
        text += f". Standing alone it would have ended as {result.word_alone}; among these claims it does not"
    return (text + ".",)


def text_of_claim(result: ClaimResult, names: Mapping[str, str] | None = None) -> list[str]:
    """Return a claim with its result as lines for a terminal."""
    claim, said = result.claim, said_of(result, names)
    named = f" {clean(claim.id)}" if claim.id else ""
    lines = [f"Claim{named} ({claim.role}): {claimed(claim, names)}."]
    if claim.quote:
        lines.append(f"Said: “{clean(claim.quote)}”")
    lines += [f"Result: {said.word}. {said.sentence}", *said.beside, *said.tabled, *said.further, *said.thoughts]
    return [*lines, said.passing] if said.passing else lines


def _pair(claim: ClaimFacts, names: Mapping[str, str]) -> tuple[str, str]:
    a, b = short_names([names.get(one) or one for one in (claim.device, claim.comparator)])
    return a or "the one", b or "the other"
