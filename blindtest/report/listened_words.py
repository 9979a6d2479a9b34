"""A claim that one keeps people listening, in words: *shown*, *refuted*, *negligible* or *open*, by choices alone.

Dwell and skips stand beside it and never decide. With them stands what they can't tell (claims about behaviour are not
claims about liking).
"""

from blindtest.report.listened_facts import ListenedFacts, ListenedPlan
from blindtest.report.words import count_of, interval_words, p_words, percent, plural, spelled
from blindtest.stats import CANNOT_TELL

__all__ = ["CANNOT_TELL_WORDS", "listened_beside", "listened_numbers", "listened_plan", "listened_sentence"]

CANNOT_TELL_WORDS = (
    "What dwell can’t tell: "
    + "; ".join(CANNOT_TELL)
    + ". It shows that the sound moves what people do, not why, and not that they like it."
)


def listened_numbers(facts: ListenedFacts) -> str:
    """Return the numbers that a word must not be read without, as short as can be."""
    pooled = facts.choice.pooled
    if not pooled.tracks:
        return f"no choice in {plural(pooled.without_choice, 'track')}"
    return f"{count_of(pooled.chosen, pooled.tracks)} tracks; share {percent(pooled.share)}, interval " + (
        interval_words(_share_interval(facts))
    )


def listened_sentence(facts: ListenedFacts, word: str, a: str, b: str) -> str:
    """Return the result in one sentence; `word` is what the claim ends as among all claims."""
    pooled = facts.choice.pooled
    counts = (
        f"{a} was chosen to play the rest of {count_of(pooled.chosen, pooled.tracks)} tracks "
        f"({percent(facts.choice.equal_share + facts.choice.estimate)}; {percent(1 - facts.choice.alpha)} interval "
        f"{interval_words(_share_interval(facts))})"
        if pooled.tracks
        else "no track ended with a choice"
    )
    margin = facts.choice.margin
    band = "" if margin is None else f" ({interval_words(_negligible(facts, margin))} counts as negligible)"
    if word == "shown":
        return f"{a} was shown to be chosen to play on more often than {b}: {counts}."
    if word == "refuted":
        return f"The claim was refuted, {b} is chosen to play on more often than {a}: {counts}."
    if word == "negligible":
        return (
            f"Any difference in how often {a} and {b} are chosen was negligible by the margin fixed beforehand{band}: "
            f"{counts}."
        )
    return f"Whether {a} keeps people listening more than {b} stays open: {counts}."


def listened_beside(facts: ListenedFacts, plan: ListenedPlan | None, a: str) -> tuple[str, ...]:
    """Return the sentences that must stand beside the result."""
    choice = facts.choice
    low, high = (choice.equal_share + limit for limit in choice.limits)
    sides = "two-sided" if choice.direction == "two-sided" else "one-sided, in the direction sealed"
    limits = f"one-sided {percent(1 - choice.alpha)} limits {percent(low, 1)} and {percent(high, 1)}"
    out = [
        f"Tested against an equal share, {sides}: p = {p_words(choice.p_value)} ({choice.method}); {limits}"
        + (
            f", to be held against {interval_words(_negligible(facts, choice.margin))}."
            if choice.margin is not None
            else ". No margin was fixed, so the claim cannot end as negligible."
        ),
        listened_plan(plan, a),
    ]
    if choice.pooled.without_choice:
        out.append(
            f"{plural(choice.pooled.without_choice, 'track')} ended without a choice or stayed unheard; they are "
            "counted against the conclusion."
        )
    out.append(f"It holds {choice.scope}.")
    out.append(f"Dwell, beside it: {facts.dwell.sentence}" if facts.dwell else f"No dwell: {facts.why_no_dwell}.")
    out.append(f"Skips, beside it: {facts.skips.sentence}" if facts.skips else f"No skips: {facts.why_no_skips}.")
    out.append(CANNOT_TELL_WORDS)
    return tuple(out)


def listened_plan(plan: ListenedPlan | None, a: str) -> str:
    """Return what the plan could have found."""
    if plan is None:
        return "No plan came with this report, so what it could have detected is not known."
    more, less, alike = plan.more, plan.less, plan.alike
    who = "one listener" if more.listeners == 1 else f"each of {plural(more.listeners, 'listener')}"
    simulated = f" ({more.studies} simulated studies)" if more.studies else ""
    return (
        f"The plan: {plural(more.tracks, 'track')} for {who}. A probability of {percent(more.share)} to choose {a} "
        f"would have been shown with a chance of {spelled(more.shown)}, one of {percent(less.share)} refuted it with "
        f"{spelled(less.refuted)}, and equal chances would have ended as negligible with "
        f"{spelled(alike.negligible)}{simulated}."
    )


def _negligible(facts: ListenedFacts, margin: float) -> tuple[float, float]:
    return facts.choice.equal_share - margin, facts.choice.equal_share + margin


def _share_interval(facts: ListenedFacts) -> tuple[float, float]:
    low, high = facts.choice.interval
    return facts.choice.equal_share + low, facts.choice.equal_share + high
