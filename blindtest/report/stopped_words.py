"""A claim whose sittings ended by a sealed stopping rule, in words.

What was planned, where each sitting ended, and what can be said in spite of that: neither p value nor interval is the
one of a fixed number of trials.
"""

from dataclasses import dataclass
from math import isnan

from blindtest.report.words import DASH, below, clean, count_of, interval_words, p_words, percent, plural
from blindtest.stats import STOPPING_NAMES, StoppedChances, StoppedConclusion, StoppedSitting, few_listeners_sentence

__all__ = [
    "StoppedFacts",
    "stopped_beside",
    "stopped_further",
    "stopped_missed",
    "stopped_numbers",
    "stopped_open",
    "stopped_rows",
    "stopped_sentence",
    "stopped_statistics",
]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StoppedFacts:
    """Sittings that a rule ended, as a report tells them."""

    conclusion: StoppedConclusion
    chances: StoppedChances
    looks: tuple[int, ...] = ()
    """The sealed table: numbers of trials; () where it is not drawn."""
    high: tuple[int | None, ...] = ()
    """This many right or more end a sitting at each look."""
    low: tuple[int | None, ...] = ()
    """This many right or fewer do."""
    series: tuple[tuple[str, tuple[bool, ...]], ...] = ()
    """Of each sitting its listener and the answers that count, right or wrong, in their order."""


_AN = {"group-sequential": "a", "sprt": "a", "e-process": "an"}
_HOW = {
    "high": "ended by the rule, with more right than by guessing",
    "low": "ended by the rule, with too few right for the margin",
    "last": "went on to the last trial of the rule",
    "unfinished": "was stopped off before the rule ended it",
}


def stopped_sentence(facts: StoppedFacts, word: str, a: str, b: str) -> str:
    """Return the result in one sentence; `word` is what the claim ends as among all claims."""
    found = facts.conclusion
    score = f"{count_of(found.correct, found.trials)} answers were right (guessing gives {percent(found.guess_rate)})"
    if len(found.sittings) == 1:
        score += f", and the sitting {_HOW[found.sittings[0].how]}"
    if word == "shown":
        return f"A difference between {a} and {b} was shown: {score}."
    if word == "negligible":
        return (
            f"Any difference between {a} and {b} was negligible by the margin fixed beforehand "
            f"({percent(found.margin)} of trials heard): {score}."
        )
    if found.listeners_differ:
        score += "; not everybody hears what would matter, but the listeners' mean can lie there"
    return f"Whether {a} and {b} can be told apart stays open: {score}."


def stopped_numbers(facts: StoppedFacts) -> str:
    """Return the numbers that the word must not be read without."""
    found = facts.conclusion
    if len(found.sittings) > 1:
        return f"{count_of(found.correct, found.trials)} right in {len(found.sittings)} sittings ended by a rule"
    return f"{count_of(found.correct, found.trials)} right, ended by a rule; {_limits(found.sittings[0])}"


def _limits(one: StoppedSitting) -> str:
    return f"proportion right {percent(one.level)} interval {interval_words(one.interval)}"


def stopped_beside(found: StoppedConclusion) -> tuple[str, ...]:
    """Return what must stand beside the result."""
    out = [
        f"How it ended: by {_AN[found.rule]} {STOPPING_NAMES[found.rule]} that was sealed beforehand, with at most "
        f"{plural(found.sittings[0].most, 'trial')}. " + " ".join(_ended(one) for one in found.sittings),
        found.numbers_sentence,
    ]
    if len(found.sittings) == 1:
        one = found.sittings[0]
        about = "" if isnan(one.estimate) else f"about {percent(one.estimate, 1)} of answers right, "
        out.append(
            f"By the rule's own reckoning: {about}{_limits(one)}; one-sided limits {percent(one.lower_limit, 1)} and "
            f"{percent(one.upper_limit, 1)}."
        )
    if found.rule == "e-process":
        out.append("E-values and limits hold at whatever trial a sitting ended.")
    else:
        out.append(
            "The p value of a fixed number of trials is not given: a test that may end early on a good run would reach "
            "it too often."
        )
    if found.unanswered:
        out.append(
            f"A sitting was stopped off: {plural(found.unanswered, 'trial')} up to the last of the rule count as wrong "
            "against a difference, and as right against its being negligible."
        )
    if len(found.sittings) == 1:
        out.append("It holds for this listener and these clips.")
    else:
        together = "the product of their e-values" if found.rule == "e-process" else "Fisher's method"
        out.append(f"Listeners together by {together}: whether anybody of them hears it, on these clips.")
        out += _of_several(found)
    return tuple(out)


def _of_several(found: StoppedConclusion) -> list[str]:
    """Return what the margin is held against where there are several sittings."""
    if found.mean_p_value is None:
        return [
            "Against the margin this says only that not everybody hears so much; the study was sealed before the mean "
            "over listeners was asked for as well."
        ]
    out = [
        "Against the margin that would say only that not everybody hears so much; negligible also takes that the "
        "sittings' mean, or each of them alone, lies below the margin."
    ]
    few = few_listeners_sentence(len({one.listener for one in found.sittings}))
    return [*out, few] if few and found.word == "negligible" else out


def _ended(one: StoppedSitting) -> str:
    return f"{clean(one.listener)}: {count_of(one.correct, one.trials)} right, {_HOW[one.how]}."


def stopped_further(facts: StoppedFacts) -> tuple[str, ...]:
    """Return what the plan could show, and each listener alone."""
    out = [f"The plan: {facts.chances.sentence}"]
    if len(facts.conclusion.sittings) > 1:
        out += [
            f"{clean(one.listener)} alone: {one.word}, {count_of(one.correct, one.trials)} right, {_limits(one)}."
            for one in facts.conclusion.sittings
        ]
    return tuple(out)


def stopped_rows(facts: StoppedFacts) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Return headings and a row per sitting: for a table of the page or the Markdown block."""
    found = facts.conclusion
    bets = found.rule == "e-process"
    heads = ("Who", "Right", "How it ended", "Estimate", "Interval") + (
        ("e against guessing", "e against the margin") if bets else ("p against guessing", "p against the margin")
    )
    return heads, tuple(
        (
            clean(one.listener),
            count_of(one.correct, one.trials),
            _HOW[one.how],
            DASH if isnan(one.estimate) else percent(one.estimate, 1),
            interval_words(one.interval, 1),
            *(
                (f"{one.e_value:.3g}", f"{one.margin_e_value:.3g}")
                if one.e_value is not None and one.margin_e_value is not None
                else (p_words(one.p_value), p_words(one.margin_p_value))
            ),
        )
        for one in found.sittings
    )


def stopped_statistics(facts: StoppedFacts) -> str:
    """Return which tests the claim was put to, at which level."""
    found = facts.conclusion
    if found.rule == "e-process":
        return (
            "an e-process with an even spread over all proportions above guessing, and one over all below the "
            f"margin's, each against {1 / found.alpha:g}; confidence sequence along the way (Ville 1939; Robbins 1970)"
        )
    by = "Wald 1947" if found.rule == "sprt" else "Lan & DeMets 1983"
    return (
        f"tested at the {percent(found.alpha)} level, one-sided, against guessing and against the margin: "
        f"{STOPPING_NAMES[found.rule]} ({by}), exact over every ending of the sealed table, in stagewise order"
    )


def stopped_missed(facts: StoppedFacts) -> list[str]:
    """Return what the sittings could have missed."""
    chances, found = facts.chances, facts.conclusion
    out = [
        f"Differences heard on fewer than {percent(found.margin)} of trials: the plan would have shown them with a "
        f"chance of {below(chances.chance_shown)}."
    ]
    if len(found.sittings) == 1:
        one = found.sittings[0]
        out.append(
            f"With {percent(one.level)} confidence, the answers leave room for any proportion right from "
            f"{percent(one.interval[0], 1)} to {percent(one.interval[1], 1)}."
        )
    return out


def stopped_open(facts: StoppedFacts) -> list[str]:
    """Return how trials that a sitting stopped off left unanswered were counted."""
    found = facts.conclusion
    if not found.unanswered:
        return []
    return [
        f"{plural(found.unanswered, 'trial')} up to the last of the stopping rule stayed unanswered. Gone on with as "
        f"wrong against a difference (p = {p_words(found.p_value)}), as right against its being negligible (p = "
        f"{p_words(found.margin_p_value)}); answered were {found.correct} right of {found.trials}."
    ]
