"""A claim that one of two has more of a named attribute, in words: *shown*, *refuted*, *negligible* or *open*."""

from math import isinf

from blindtest.report.attribute_facts import AttributeFacts
from blindtest.report.together_words import panel_plan
from blindtest.report.words import in_tests, interval_words, left_unanswered, number, p_words, percent, plural, spelled
from blindtest.stats import AttributeChances, AttributeTest, PanelChances, few_listeners_sentence

__all__ = ["attribute_beside", "attribute_plan", "attribute_sentence", "d_span", "d_words"]


def d_words(value: float) -> str:
    """Return a d' along an attribute, with its sign."""
    if isinf(value):
        return "infinite" if value > 0 else "\u2212infinite"
    return number(value)


def d_span(limits: tuple[float, float]) -> str:
    """Return an interval of d'."""
    return f"{d_words(limits[0])} to {d_words(limits[1])}"


def attribute_sentence(facts: AttributeFacts, word: str, a: str, b: str, attribute: str) -> str:
    """Return the result in one sentence; `word` is what the claim ends as among all claims."""
    said, concluded = facts.decisive, facts.conclusion
    if concluded.answered is None:
        return f"Whether {a} has more {attribute} than {b} stays open: no planned trial was answered."
    counts = (
        f"{a} was chosen in {said.correct} of {said.trials} trials ({percent(said.proportion)}; guessing gives "
        f"{percent(said.guess_rate)}); d\u2032 {d_words(said.d_prime)}, {percent(said.level)} interval "
        f"{d_span(said.d_prime_interval)}"
    )
    if word == "shown":
        return f"{a} was shown to have more {attribute} than {b}: {counts}."
    if word == "refuted":
        return f"The claim was refuted, {b} has more {attribute} than {a}: {counts}."
    if word == "negligible" and concluded.margin is not None:
        return (
            f"Any difference in {attribute} between {a} and {b} was negligible by the margin fixed beforehand "
            f"(d\u2032 {d_span((-concluded.margin, concluded.margin))} counts as negligible): {counts}."
        )
    if said is concluded.answered:
        counts += left_unanswered(concluded.unanswered)
    if concluded.listeners_differ:
        counts += "; all answers together lie within the margin, but listeners differ by more than chance explains"
    return f"Whether {a} has more {attribute} than {b} stays open: {counts}."


def attribute_beside(
    facts: AttributeFacts,
    plan: AttributeChances | None,
    a: str,
    b: str,
    attribute: str,
    *,
    together: PanelChances | None = None,
) -> tuple[str, ...]:
    """Return the sentences that must stand beside the result."""
    concluded = facts.conclusion
    out = [_guessing(facts.decisive, concluded.alpha)]
    if concluded.margin is not None:
        out.append(
            f"Tested against the margin: the one-sided {percent(1 - concluded.alpha)} limits of d\u2032 are "
            f"{d_words(concluded.limits[0])} and {d_words(concluded.limits[1])}; negligible means both inside "
            f"{d_span((-concluded.margin, concluded.margin))}."
        )
    else:
        out.append("No margin was fixed, so the claim cannot end as negligible.")
    if concluded.word == "negligible" and concluded.side != "neither":
        out.append(
            f"{a if concluded.side == 'claimed' else b} was heard to have more {attribute}, yet by less than what was "
            "declared to matter."
        )
    if concluded.scatter_sentence:
        out.append(concluded.scatter_sentence)
    if concluded.word == "negligible" and (few := few_listeners_sentence(len(facts.listeners))):
        out.append(few)
    out += [attribute_plan(plan, a), *panel_plan(together, scatter=bool(concluded.scatter_sentence))]
    if concluded.unanswered:
        alone = f" (the answered ones alone would say {concluded.word_if_answered_only})" if concluded.answered else ""
        out.append(
            f"{plural(concluded.unanswered, 'planned trial')} stayed unanswered; they are counted against the "
            f"conclusion{alone}."
        )
    out.append(
        "It holds for this listener and these clips."
        if len(facts.listeners) == 1
        else "Answers of one listener are alike: the test of all answers together is about these listeners and these "
        "clips, not about others."
    )
    return tuple(out)


def _guessing(said: AttributeTest, alpha: float) -> str:
    two = said.direction == "two-sided"
    far = "a count this far out, on either side," if two else f"{said.correct} or more of {said.trials}"
    limit = (
        f"interval of the proportion {interval_words(said.interval, 1)}"
        if two
        else f"one-sided {percent(1 - alpha)} lower limit {percent(said.lower_limit, 1)}, sealed in this direction"
    )
    return (
        f"Tested against guessing, {said.correct} of {said.trials}: {far} would come {in_tests(said.p_value)} "
        f"(exact {'two-sided' if two else 'one-sided'} binomial test, p = {p_words(said.p_value)}; {limit})."
    )


def attribute_plan(plan: AttributeChances | None, a: str) -> str:
    """Return what the plan could have found."""
    if plan is None:
        return "No plan came with this report, so what it could have detected is not known."
    text = f"The plan: {plural(plan.trials, 'trial')}, tested at the {percent(plan.alpha)} level, "
    text += "two-sided; " if plan.direction == "two-sided" else "one-sided in the direction sealed; "
    near = plan.negligible_numbers
    parts = (
        "no count shows it" if plan.critical_number is None else f"{plan.critical_number} or more for {a} show it",
        "no count refutes it" if plan.refuting_number is None else f"{plan.refuting_number} or fewer refute it",
        "no count makes it negligible" if near is None else f"{near[0]} to {near[1]} make it negligible",
    )
    return text + (
        f"{', '.join(parts)}. A d\u2032 of {number(plan.margin)} would have been shown with a chance of "
        f"{spelled(plan.chance_shown)}, as much the other way round refuted it with {spelled(plan.chance_refuted)}, "
        f"and a listener who only guesses would have ended as negligible with {spelled(plan.chance_negligible)}."
    )
