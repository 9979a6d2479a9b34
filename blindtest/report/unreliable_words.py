"""A claim about a sound that was rated under names that may be wrong, in words.

The word is that of the sound: *shown*, *refuted*, *negligible* or *open*. What the name is worth stands beside it.
"""

from blindtest.report.rating_words import points, recognition_words
from blindtest.report.unreliable_facts import UnreliableFacts, UnreliablePlan
from blindtest.report.words import clean, p_words, percent, plural
from blindtest.report.words import sentence as sentence_of
from blindtest.stats import Effect

__all__ = [
    "TOLD_UNRELIABLE",
    "unreliable_beside",
    "unreliable_further",
    "unreliable_numbers",
    "unreliable_plan",
    "unreliable_question",
    "unreliable_sentence",
    "unreliable_statistics",
]

TOLD_UNRELIABLE = (
    "Every sound carried a name. Listeners were told that the names are right on a random half of the trials and wrong "
    "on the other, and that nothing marks which; so nobody was deceived, and name and sound are independent by design. "
    "Which names are right was drawn, exactly half for every sound and every clip; a wrong name was that of another "
    "device compared."
)
"""What the phase was."""


def _shown(effect: Effect) -> str:
    return f"{points(effect.estimate)} points ({percent(effect.level)} interval {points(effect.interval[0])} to " + (
        f"{points(effect.interval[1])})"
    )


def unreliable_question(a: str, b: str) -> str:
    """Return the question in one sentence."""
    return f"Is {a} rated above {b} for its sound, whatever name it bears, and what is the name worth?"


def unreliable_sentence(facts: UnreliableFacts, word: str, a: str, b: str) -> str:
    """Return the result in one sentence; `word` is what the claim ends as among all claims."""
    result = facts.result
    opening = {
        "shown": f"The sound of {a} was shown to be rated above that of {b}, whatever name it bears",
        "refuted": f"The claim was refuted: the sound of {a} is rated below that of {b}",
        "negligible": f"Any difference between the sounds of {a} and {b} was negligible by the margin fixed beforehand",
    }.get(word, f"Whether the sound of {a} is rated above that of {b} stays open")
    name = {
        "shown": f"the name {a} alone raises ratings",
        "refuted": f"the name {a} alone lowers ratings",
        "negligible": "what the name alone is worth is negligible by the same margin",
    }.get(result.word, "whether the name alone is worth anything stays open")
    return (
        f"{opening}, {result.scope}: {_shown(result.sound)}. Sound alike, {name}: {_shown(result.label)}. "
        f"{result.margin:g} points were declared to matter."
    )


def unreliable_numbers(facts: UnreliableFacts) -> str:
    """Return the numbers that a word must not be read without, as short as can be."""
    result = facts.result
    return f"sound {points(result.sound.estimate)} ({_span(result.sound)}); name {points(result.label.estimate)} " + (
        f"({_span(result.label)})"
    )


def _span(effect: Effect) -> str:
    return f"{points(effect.interval[0])} to {points(effect.interval[1])}"


def unreliable_beside(facts: UnreliableFacts, plan: UnreliablePlan | None) -> tuple[str, ...]:
    """Return the sentences that must stand beside the result."""
    result = facts.result
    sound, name = result.sound_conclusion, result.label_conclusion
    out = [
        f"Sound: p = {p_words(sound.p_value)} against no difference, two-sided; one-sided limits "
        f"{points(sound.limits[0])} and {points(sound.limits[1])}, to be held against ±{result.margin:g}. Name: p = "
        f"{p_words(name.p_value)}, limits {points(name.limits[0])} and {points(name.limits[1])}. The claim rests on "
        "the sound alone.",
        f"An exact test of the name, which assumes nothing about scatter: with the right names dealt anew as the plan "
        f"dealt them ({result.draws} deals), p = {p_words(result.exact_p_value)}, two-sided.",
        "Listeners knew that names may be wrong and trust them less than names that are always right: the effect of "
        "the name is, if anything, too small. It says nothing about what a name would do that nobody doubts.",
        f"What the name changes in the effect of the sound: {_shown(result.together)}; no part of the result.",
        f"{plural(result.ratings, 'rating')} by {plural(result.listeners, 'listener')} on "
        f"{plural(result.clips, 'clip')}; {percent(result.right_labels)} of the names were right.",
        recognition_words(facts.recognition[-1])
        + " Who knows the sounds knows which names are wrong, and may leave them out of account."
        if facts.recognition
        else "Recognition was not asked or not answered: who knows the sounds knows which names are wrong.",
        unreliable_plan(plan),
    ]
    if facts.unanswered:
        out.append(f"{plural(facts.unanswered, 'planned trial')} without an answer, left out.")
    return tuple(out)


def unreliable_further(facts: UnreliableFacts) -> tuple[str, ...]:
    """Return what else is known: how it was computed, remarks."""
    return (sentence_of(facts.result.method), *(sentence_of(clean(text)) for text in facts.result.remarks))


def unreliable_plan(plan: UnreliablePlan | None) -> str:
    """Return what the plan could have refuted."""
    if plan is None:
        return "No plan came with this report, so what it could have refuted is not known."
    return f"The plan: {plan.sentence}."


def unreliable_statistics(alpha: str) -> str:
    """Return which tests the claim was put to, at which level."""
    return (
        f"tested at the {alpha} level, two-sided: a linear mixed model of the ratings on sound, name and their "
        "product, with random parts of their own over listeners (and clips, where they are a sample); limits held "
        "against the margin; the name by an exact re-randomisation test too; recognition by an exact binomial test"
    )
