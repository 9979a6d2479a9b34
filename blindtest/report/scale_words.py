"""A claim that one is rated above another, in words: *shown*, *refuted*, *negligible* or *open*; and how far the test
stands from its standard.

A result by a standard's method carries the words "after" it and the list of what differs (`standard_deviations`).
Sources of the limits: ITU-R BS.1534-3 (2015), 2, 5.1, 5.3 and 8; ITU-R BS.1116-3 (2015), in part from memory.
"""

from collections.abc import Sequence
from math import isfinite

from blindtest.report.rating_words import points
from blindtest.report.scale_facts import ScaleFacts
from blindtest.report.words import clean, number, p_words, percent, plural, spelled
from blindtest.report.words import sentence as sentence_of
from blindtest.stats import ContrastConclusion, MeanDifferenceGrade, ScaleContrast
from blindtest.study import ScaleReach

__all__ = [
    "contrast_span",
    "scale_beside",
    "scale_further",
    "scale_limits",
    "scale_numbers",
    "scale_plan",
    "scale_sentence",
    "screening_words",
    "standard_deviations",
    "unanswered_words",
]


def _digits(facts: ScaleFacts) -> int:
    return 2 if facts.in_grades else 1


def contrast_span(limits: tuple[float, float], digits: int = 1) -> str:
    """Return an interval of a difference."""
    return f"{points(limits[0], digits)} to {points(limits[1], digits)}"


def scale_limits(one: ContrastConclusion, digits: int = 1) -> str:
    """Return the one-sided limits of a difference."""
    return f"{points(one.limits[0], digits)} and {points(one.limits[1], digits)}"


def scale_numbers(facts: ScaleFacts) -> str:
    """Return the numbers that the word must not be read without."""
    found = facts.decisive.conclusion
    if facts.nobody_kept:
        return "the sealed rules of screening keep nobody"
    if found is None:
        return clean(facts.decisive.why_not)
    digits = _digits(facts)
    return f"{points(found.estimate, digits)} {facts.unit}, interval {contrast_span(found.interval, digits)}"


def scale_sentence(facts: ScaleFacts, word: str, a: str, b: str) -> str:
    """Return the result in one sentence; `word` is what the claim ends as among all claims."""
    found = facts.decisive.conclusion
    if facts.nobody_kept:
        return f"Whether {a} is rated above {b} stays open: the sealed rules of screening keep nobody."
    if found is None:
        return f"Whether {a} is rated above {b} stays open: {clean(facts.decisive.why_not)}."
    digits, scale = _digits(facts), clean(facts.scale)
    counts = (
        f"{a} minus {b} {points(found.estimate, digits)} {facts.unit}, {percent(1 - found.alpha)} interval "
        f"{contrast_span(found.interval, digits)}"
    )
    if word == "shown":
        return f"{a} was shown to be rated above {b} in {scale}: {counts}."
    if word == "refuted":
        return f"The claim was refuted, {b} is rated above {a} in {scale}: {counts}."
    if word == "negligible" and found.margin is not None:
        return (
            f"Any difference in {scale} between {a} and {b} was negligible by the margin fixed beforehand "
            f"(\u00b1{found.margin:g} {facts.unit}): {counts}."
        )
    return f"Whether {a} is rated above {b} in {scale} stays open: {counts}."


def scale_beside(facts: ScaleFacts, plan: ScaleReach | None, a: str, b: str) -> tuple[str, ...]:
    """Return the sentences that must stand beside the result."""
    out = []
    held, digits = facts.decisive, _digits(facts)
    found = held.conclusion
    if found is not None:
        sides = "two-sided" if found.direction == "two-sided" else "one-sided, in the direction sealed"
        over = plural(held.units, held.unit)
        text = (
            f"Student\u2019s t over {over} ({found.df:.0f} degrees of freedom), {sides}: p = {p_words(found.p_value)}; "
            f"one-sided {percent(1 - found.alpha)} limits {scale_limits(found, digits)}"
        )
        if found.margin is None:
            out.append(f"{text}. No margin was fixed, so the claim cannot end as negligible.")
        else:
            out.append(f"{text}, to be held against \u00b1{found.margin:g}.")
        if found.word == "negligible" and found.side != "neither":
            higher = a if found.side == "claimed" else b
            out.append(f"{higher} was rated higher, yet by less than what was declared to matter.")
    out += screening_words(facts)
    if facts.in_grades:
        out += _grades_against_reference(facts)
    out.append(scale_plan(plan))
    if held.unanswered:
        text = f"{plural(held.unanswered, 'planned page')} stayed unanswered; they are counted against the conclusion"
        if held.word != held.word_if_answered_only:
            text += f" (the answered ones alone would say {held.word_if_answered_only})"
        out.append(text + ".")
    out.append(f"It holds {held.scope}.")
    return tuple(out)


def screening_words(facts: ScaleFacts) -> list[str]:
    """Return whom the sealed rules left out, and what everybody together would have said."""
    screening = facts.screening
    if screening is None:
        return ["No rule of screening was sealed: everybody who listened is counted."]
    rules = "; ".join(rule.text.replace("mean sdg", "mean difference grade") for rule in screening.rules)
    text = f"Screening afterwards, by rules sealed beforehand ({rules}): "
    if not screening.dropped:
        return [f"{text}none of {plural(len(screening.listeners), 'listener')} was left out."]
    left = f"{len(screening.dropped)} of {plural(len(screening.listeners), 'listener')} left out"
    text += f"{left}, {', '.join(map(clean, screening.dropped))}."
    other, who = facts.everybody, "Everybody together"
    if facts.about_reference:
        text += (
            " The claim is about the original itself, so that these rules keep whoever agrees with it: the word rests "
            "on everybody."
        )
        if facts.kept is None:
            return [text]
        other, who = facts.kept, "Those kept alone"
    digits, one = _digits(facts), other.conclusion
    if one is None:
        return [text, f"{who}: {clean(other.why_not)}."]
    return [
        text,
        f"{who} would have ended as {other.word}: {points(one.estimate, digits)} {facts.unit}, interval "
        f"{contrast_span(one.interval, digits)}.",
    ]


def _grades_against_reference(facts: ScaleFacts) -> list[str]:
    names = {facts.decisive.device, facts.decisive.comparator}
    return [grade_words(one) for one in facts.grades if one.condition in names]


def grade_words(one: MeanDifferenceGrade) -> str:
    """Return an object's mean difference grade in words."""
    text = f"{clean(one.condition)} against the hidden reference: mean difference grade {points(one.mean, 2)}"
    if isfinite(one.interval[0]):
        text += f" ({contrast_span(one.interval, 2)}; one-sided p that it is below 0: {p_words(one.p_value)})"
    return f"{text}, graded above it in {one.confused} of {plural(one.trials, 'trial')}, the same in {one.alike}."


def scale_plan(plan: ScaleReach | None) -> str:
    """Return what the plan could have found."""
    if plan is None:
        return "No plan came with this report, so what it could have detected is not known."
    unit = "grades" if plan.grades else "points"
    return (
        f"The plan: {clean(plan.plan)} {unit}. A true difference as large as the margin would have been shown with a "
        f"chance of {spelled(plan.chance_shown)}, one as large the other way round refuted with "
        f"{spelled(plan.chance_refuted)}, and none would have ended as negligible with "
        f"{spelled(plan.chance_negligible)} ({clean(plan.assumption)})."
    )


def scale_further(facts: ScaleFacts) -> tuple[str, ...]:
    """Return what else is known: clips as a sample, medians, warnings about the use of the scale."""
    out = []
    digits = _digits(facts)
    if facts.clips_too is not None:
        one = facts.clips_too
        out.append(
            f"With clips as a sample of clips too (mixed model, listeners and clips random): "
            f"{points(one.estimate, digits)} {facts.unit}, interval {contrast_span(one.interval, digits)}, "
            f"{one.df:.1f} degrees of freedom, p = {p_words(one.p_value)}; it would end as {one.word}. The word above "
            "rests on these clips."
        )
    medians = facts.decisive.medians
    if medians is not None and not facts.nobody_kept and not facts.in_grades:
        how = "all" if medians.exact else "drawn"
        out.append(
            f"Medians of the {facts.decisive.unit}s\u2019 means {number(medians.first, 1)} and "
            f"{number(medians.second, 1)}: permutation test of their difference within pairs, p = "
            f"{p_words(medians.p_value)} ({medians.arrangements} arrangements, {how}; ITU-R BS.1534-3, attachment 3)."
        )
    if facts.summary is not None:
        out += [sentence_of(clean(text)) for text in facts.summary.warnings]
    if facts.screening is not None:
        out += [sentence_of(clean(text)) for text in facts.screening.remarks]
    return tuple(out)


def standard_deviations(
    facts: ScaleFacts,
    *,
    items: int,
    systems: int,
    anchors: Sequence[str],
    lengths: Sequence[float],
) -> tuple[str, ...]:
    """Return where a study goes another way than the standard its method follows; () where the method follows none.

    Parameters
    ----------
    items : clips
    systems : conditions that are neither original nor anchor
    anchors : 'low', 'mid' as far as there are any
    lengths : of the excerpts, s, as far as known
    """
    if facts.method == "multi-stimulus":
        return tuple(_multi_stimulus(facts, items, systems, anchors, lengths))
    if facts.method == "small-impairment":
        return tuple(_small_impairment(facts, items, systems, lengths))
    return ()


def _multi_stimulus(
    facts: ScaleFacts, items: int, systems: int, anchors: Sequence[str], lengths: Sequence[float]
) -> list[str]:
    out = [f"no {kind} anchor (5.1)" for kind in ("low", "mid") if kind not in anchors]
    out += _material(items, systems)
    long = [seconds for seconds in lengths if seconds > 12]
    if long:
        out.append(f"{plural(len(long), 'excerpt')} longer than 12 s, the longest {max(long):.3g} s (5.1)")
    if facts.screening is None:
        out.append("no post-screening was sealed (4.1.2)")
    return [
        *out,
        "all stimuli are made equally loud, anchors included",
        "the mid anchor's low-pass is the low one's, an octave higher (5.1 gives no limits for it)",
        "grading scales lie on their side",
        "room, level, transducer and expertise of the listeners are not checked by the tool (3, 4, 8)",
    ]


def _small_impairment(facts: ScaleFacts, items: int, systems: int, lengths: Sequence[float]) -> list[str]:
    out = _material(items, systems)
    odd = [seconds for seconds in lengths if not 10 <= seconds <= 25]
    if odd:
        out.append(f"{plural(len(odd), 'excerpt')} outside 10 to 25 s ({min(odd):.3g} to {max(odd):.3g} s)")
    if facts.screening is None:
        out.append("no post-screening was sealed")
    return [
        *out,
        "all stimuli are made equally loud",
        "room, level, transducer and expertise of the listeners are not checked by the tool",
    ]


def _material(items: int, systems: int) -> list[str]:
    least = max(5.0, 1.5 * systems)
    if items >= least:
        return []
    return [f"{plural(items, 'item')} for {plural(systems, 'system')}, fewer than {least:g} (ITU-R BS.1534-3, 5.1)"]


def unanswered_words(one: ScaleContrast) -> str:
    """Return how many pages lacked an answer, both ways."""
    return (
        f"{plural(one.unanswered, 'planned page')} stayed unanswered. Left out: {one.word_if_answered_only}; counted "
        f"against the conclusion: {one.word}."
    )
