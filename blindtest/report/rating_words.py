"""A claim about ratings with and without names, in words: *survives*, *shrinks*, *vanishes*, *reverses* or none yet."""

import math
from fractions import Fraction

from blindtest.report.rating_facts import VERDICTS, Effect, RatedFacts, Repeated, Verdict
from blindtest.report.recognition_facts import RecognitionFacts
from blindtest.report.survival_plan_facts import SurvivalPlanFacts
from blindtest.report.words import decibel, in_tests, interval_words, number, p_words, percent, plural, sentence, up_to

__all__ = [
    "PHASE_WORDS",
    "effect_words",
    "kept_words",
    "points",
    "rated_beside",
    "rated_further",
    "rated_sentence",
    "rated_tabled",
    "recognition_words",
    "repeat_words",
    "scope",
    "span",
    "state_meaning",
    "survival_plan",
    "worn_words",
]

PHASE_WORDS = {
    "worn": "the real unit on the head (or before the listener), seen and known",
    "labelled": "the renderings, with their names shown",
    "blind": "the same renderings, without any name",
    "practice": "to get to know page and scale; never counted",
}
"""What each phase was."""


def points(value: float | None, digits: int = 1) -> str:
    """Return a difference of ratings with its sign."""
    return decibel(value, digits)


def effect_words(effect: Effect | None, digits: int = 1) -> str:
    """Return an effect with its interval: '+14.2 points (95 % interval +9.0 to +19.4)'."""
    if effect is None:
        return "not rated"
    low, high = effect.interval
    if math.isinf(low) or math.isinf(high):
        return f"{points(effect.estimate, digits)} points (a single unit: no interval)"
    return (
        f"{points(effect.estimate, digits)} points ({percent(effect.level)} interval {points(low, digits)} to "
        f"{points(high, digits)})"
    )


def span(effect: Effect, digits: int = 1) -> str:
    """Return an interval of points: '+9.0 to +19.4'."""
    low, high = effect.interval
    if math.isinf(low) or math.isinf(high):
        return "no interval"
    return f"{points(low, digits)} to {points(high, digits)}"


def kept_words(kept: float) -> str:
    """Return the share kept as a reader says it: 'two thirds', '75 %'."""
    named = {Fraction(2, 3): "two thirds", Fraction(1, 2): "one half", Fraction(3, 4): "three quarters"}
    near = Fraction(kept).limit_denominator(12)
    return named[near] if near in named and abs(float(near) - kept) < 0.001 else percent(kept)


def state_meaning(state: Verdict, margin: float, kept: float) -> str:
    """Return what a state of the partition says is true."""
    m = f"{margin:g}"
    return {
        "reverses": f"blind, the effect is {m} points or more the other way round",
        "vanishes": f"blind, the effect is smaller than {m} points, either way",
        "shrinks": f"blind, the effect is {m} points or more, yet less than {kept_words(kept)} of the labelled one",
        "survives": f"blind, the effect is {m} points or more, and at least {kept_words(kept)} of the labelled one",
        "undecided": "several of these states remain",
        "nothing on record": "with names shown there was no effect whose survival could be tested",
    }[state]


def scope(facts: RatedFacts) -> str:
    """Return for whom the verdict holds."""
    if facts.scope:
        return facts.scope
    if facts.unit == "sitting":
        return "for this listener and these clips"
    return "for listeners like these and these clips"


def rated_sentence(facts: RatedFacts, word: str, a: str, b: str) -> str:
    """Return the result in one sentence; `word` is what the claim ends as among all claims."""
    said = (
        f"{a} over {b} was rated {effect_words(facts.labelled)} with names shown and {effect_words(facts.blind)} "
        f"blind; {facts.margin:g} points were declared to matter, and {kept_words(facts.kept)} of the labelled effect "
        "to count as kept"
    )
    if facts.labelled is None:
        said = f"{a} over {b} was rated {effect_words(facts.blind)} blind and not at all with names shown"
    elif facts.blind is None:
        said = f"{a} over {b} was rated {effect_words(facts.labelled)} with names shown and not at all blind"
    opening = {
        "survives": "The impression survives blinding",
        "shrinks": "The impression shrinks without the names",
        "vanishes": "The impression vanishes without the names: less is left than was declared to matter",
        "reverses": "The impression reverses without the names",
        "nothing on record": "Nothing is on record that could survive: no labelled effect was established",
    }.get(word)
    if opening is None:
        why = facts.reason if word == facts.verdict and facts.reason else _between(facts.remaining)
        return f"Undecided, {scope(facts)}{': ' + why if why else ''}. {said}."
    return f"{opening}, {scope(facts)}. {said}."


def _between(remaining: tuple[Verdict, ...]) -> str:
    left = [state for state in VERDICTS if state in remaining]
    if len(left) < 2:
        return ""
    return f"{', '.join(left[:-1])} or {left[-1]}"


def rated_beside(facts: RatedFacts, plan: SurvivalPlanFacts | None) -> tuple[str, ...]:
    """Return the sentences that must stand beside the verdict."""
    out = [_partition(facts)]
    if facts.kept_contrast is not None:
        out.append(
            f"Blind effect minus {kept_words(facts.kept)} of the labelled one (d − ρs): "
            f"{effect_words(facts.kept_contrast)}; blind minus labelled (d − s): {effect_words(facts.difference)}."
        )
    out.append(_units(facts))
    out += [repeat_words(one, facts) for one in facts.contradicted]
    out.append(_recognised(facts.recognition))
    out.append(survival_plan(plan))
    return tuple(out)


def _partition(facts: RatedFacts) -> str:
    lower = None if facts.labelled is None else facts.labelled.lower_limit
    if facts.verdict == "nothing on record" and lower is not None:
        return (
            f"None of the four states is the verdict: the one-sided lower limit of the labelled effect is "
            f"{points(lower)} points, not above 0, so no effect with names shown was established whose survival could "
            "be asked."
        )
    return (
        f"The verdict is what is left of four states that exclude each other; each is rejected by one-sided t limits, "
        f"so that a verdict of one state is wrong in at most {percent(facts.alpha)} of such studies. Here "
        f"{_left(facts)}."
    )


def rated_tabled(facts: RatedFacts) -> tuple[str, ...]:
    """Return the repeats that do not contradict, and the mixed model: what stands in tables on the page."""
    out = [repeat_words(one, facts) for one in facts.repeats if not one.contradicts]
    if facts.contrasts:
        out.append(facts.contrasts)
    if facts.mixed is not None:
        out.append(_mixed(facts))
    return tuple(out)


def rated_further(facts: RatedFacts, a: str, b: str) -> tuple[str, ...]:
    """Return what else is known: worn ratings, remarks."""
    worn = () if facts.worn is None else (worn_words(facts, a, b),)
    return (*worn, *(sentence(text) for text in facts.remarks))


def _left(facts: RatedFacts) -> str:
    states = [state for state in VERDICTS if state in facts.remaining]
    if not states:
        return "none could be told apart"
    if len(states) == len(VERDICTS):
        return "none of the four was rejected"
    return f"{states[0]} alone remains" if len(states) == 1 else f"{_between(facts.remaining)} remain"


def _units(facts: RatedFacts) -> str:
    labelled, blind = facts.labelled_units, facts.blind_units
    if facts.unit == "sitting":
        return (
            f"Unit of replication: the sitting ({labelled} labelled, {blind} blind, on different days), since one "
            "listener listened; d − ρs is a contrast of two samples with Welch's degrees of freedom. More trials in "
            "one sitting would not have made it firmer."
        )
    both = plural(blind, "listener") if labelled == blind else f"{labelled} labelled, {blind} blind listeners"
    clips = ", with clips as a sample of clips" if facts.scope.endswith("clips like these") else ", about these clips"
    text = (
        f"Unit of replication: the listener ({both}){clips}; more trials of one listener would not have made it firmer."
    )
    if facts.order_effect is not None:
        text += (
            " By plan half of them were blind first: the blind effect of those who were lies "
            f"{effect_words(facts.order_effect)} from that of those who were labelled first."
        )
    return text


def repeat_words(one: Repeated, facts: RatedFacts) -> str:
    """Return what the verdict is on another use of the scale."""
    what = {
        "anchors": "Effects divided by the distance between the two anchors in each mode",
        "signs": "Effects of signs alone (which of the two was rated higher)",
    }[one.what]
    if one.verdict is None:
        return f"{what}: could not be drawn ({one.why_not or 'no reason was recorded'})."
    values, most = "", 1.0 if one.what == "signs" else math.inf
    if one.labelled is not None and one.blind is not None:
        values = (
            f" (labelled {_plain(one.labelled, most)}, blind {_plain(one.blind, most)}"
            + (f", margin {number(one.margin)}" if one.margin is not None else "")
            + ")"
        )
    ending = ", another state: the verdict depends on the use of the scale" if one.contradicts else ""
    left = _between(one.remaining)
    named = f"undecided, {left}" if one.verdict == "undecided" and left else one.verdict
    return f"{what}: {named}{values}{ending}."


def _plain(effect: Effect, most: float) -> str:
    """Return an effect with its interval, as far as there is anything: no mean of signs lies beyond `most`."""
    if any(math.isinf(limit) for limit in effect.interval):
        return f"{points(effect.estimate, 2)} ({span(effect, 2)})"
    low, high = (min(max(limit, -most), most) for limit in effect.interval)
    return f"{points(effect.estimate, 2)} ({points(low, 2)} to {points(high, 2)})"


def _recognised(all_of_them: tuple[RecognitionFacts, ...]) -> str:
    if not all_of_them:
        return (
            "Recognition was not asked or not answered: whether listeners knew in the blind phase what they heard is "
            "not known."
        )
    return recognition_words(all_of_them[-1])


def recognition_words(one: RecognitionFacts) -> str:
    """Return how often a device was recognised, tested exactly against chance."""
    return (
        f"Recognition, asked after blind blocks: {one.correct} of {one.trials} named rightly among {one.choices} "
        f"({percent(one.proportion)}; chance gives {percent(1 / one.choices)}), {percent(one.level)} interval "
        f"{interval_words(one.interval)}; this many or more would come by chance {in_tests(one.p_value)} (exact "
        f"one-sided binomial test, p = {p_words(one.p_value)}; one-sided lower limit {percent(one.lower_limit, 1)}). "
        "Who recognises a device may rate its name, also without being shown it."
    )


def _mixed(facts: RatedFacts) -> str:
    mixed = facts.mixed
    assert mixed is not None
    if mixed.difference is None:
        return f"No mixed model stands beside it: {mixed.why_not or 'none was fitted'}."
    text = (
        f"Beside it, a mixed model of the same ratings ({mixed.program}) puts the labelled effect at "
        f"{effect_words(mixed.labelled)}, the blind one at {effect_words(mixed.blind)}, blind minus labelled at "
        f"{effect_words(mixed.difference)}. It takes both modes to scatter alike, which the verdict does not. The "
        "verdict does not rest on it."
    )
    return text if mixed.converged else text + " Its fit did not converge: read it with care."


def worn_words(facts: RatedFacts, a: str, b: str) -> str:
    """Return what was rated with the real units on, and what the distance to the labelled ratings is."""
    assert facts.worn is not None
    text = f"As worn, {a} over {b} was rated {effect_words(facts.worn)}."
    if facts.labelled is not None:
        text += (
            f" Worn minus labelled ({points(facts.worn.estimate - facts.labelled.estimate)} points) is what rendering "
            "loses: weight, fit, seal, looks, the room. It is never an effect of blinding, and no verdict uses it."
        )
    return text


def survival_plan(plan: SurvivalPlanFacts | None) -> str:
    """Return which verdicts the plan could reach, and how often."""
    if plan is None or not plan.chances:
        return "Which verdicts the plan could have reached was not computed for this report."
    size = (
        f"{plural(plan.listeners, 'listener')}, {plan.labelled_sittings} labelled and "
        f"{plural(plan.blind_sittings, 'blind sitting')}{' each' if plan.listeners > 1 else ''}"
    )
    curves = dict(plan.chances)
    best = {v: max(curves[v]) for v in VERDICTS if v in curves}
    at = {v: plan.blind_effects[curves[v].index(best[v])] for v in best}
    text = (
        f"The plan ({size}): with a labelled effect of {plan.labelled_effect:g} points a study ends as "
        + ", ".join(
            f"{verdict} {up_to(share)} of the time (most often at a blind effect of {points(at[verdict], 0)})"
            for verdict, share in best.items()
        )
        + "; else it mostly ends undecided"
    )
    return text + (f" (simulated, {plan.studies} studies for each effect)." if plan.studies else ".")
