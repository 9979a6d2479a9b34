"""A claim that one of two is preferred, in words: *shown*, *refuted*, *negligible* or *open*."""

import math

from blindtest.report.preference_facts import PreferenceFacts, PreferencePlanFacts, Preferred, StrengthFacts
from blindtest.report.together_words import panel_plan
from blindtest.report.words import in_tests, interval_words, left_unanswered, number, p_words, percent, plural, spelled
from blindtest.stats import PanelChances, few_listeners_sentence

__all__ = [
    "decisive_preference",
    "margin_band",
    "preference_beside",
    "preference_plan",
    "preference_sentence",
    "strength_words",
]


def decisive_preference(facts: PreferenceFacts) -> Preferred:
    """Return the counting that the conclusion rests on: unanswered trials stand against it."""
    if facts.word == "refuted":
        return facts.favouring
    if facts.word == "shown":
        return facts.against
    return facts.answered


def margin_band(margin: float) -> tuple[float, float]:
    """Return the probabilities between which a preference is negligible."""
    return 0.5 - margin, 0.5 + margin


def preference_sentence(facts: PreferenceFacts, word: str, a: str, b: str) -> str:
    """Return the result in one sentence; `word` is what the claim ends as among all claims."""
    said = decisive_preference(facts)
    ties = "" if not said.ties else f", apart from {plural(said.ties, 'trial')} without a preference"
    if said is not facts.answered and facts.unanswered:
        ties += f", {facts.unanswered} unanswered ones counted against the conclusion"
    if not said.decided:
        lacking = f", {facts.unanswered} unanswered" if facts.unanswered else ""
        return (
            f"Whether {a} is preferred to {b} stays open: no trial ended with a preference ({plural(said.ties, 'tie')}"
            f"{lacking})."
        )
    counts = (
        f"{a} was preferred in {said.wins} of {said.decided} trials{ties} "
        f"({percent(said.proportion)}; a thrown coin gives 50\u00a0%), "
        f"{percent(said.level)} interval {interval_words(said.interval)}"
    )
    if word == "shown":
        return f"A preference for {a} over {b} was shown: {counts}."
    if word == "refuted":
        return f"The claim was refuted, {b} is preferred to {a}: {counts}."
    if word == "negligible" and facts.margin is not None:
        band = interval_words(margin_band(facts.margin))
        return (
            f"Any preference between {a} and {b} was negligible by the margin fixed beforehand ({band} counts as "
            f"negligible): {counts}."
        )
    if facts.listeners_differ:
        counts += "; all answers together lie within the margin, but listeners differ by more than chance explains"
    if said is facts.answered:
        counts += left_unanswered(facts.unanswered)
    return f"Whether {a} is preferred to {b} stays open: {counts}."


def preference_beside(
    facts: PreferenceFacts, plan: PreferencePlanFacts | None, a: str, b: str, *, together: PanelChances | None = None
) -> tuple[str, ...]:
    """Return the sentences that must stand beside the result."""
    out = [_coin(decisive_preference(facts), facts.alpha)]
    if facts.margin is not None:
        low, high = facts.against.lower_limit, facts.favouring.upper_limit
        out.append(
            f"Tested against the margin: the one-sided {percent(1 - facts.alpha)} limits of the probability to prefer "
            f"{a} are {percent(low, 1)} and {percent(high, 1)}; negligible means both inside "
            f"{interval_words(margin_band(facts.margin))}."
        )
    else:
        out.append("No margin was fixed, so the claim cannot end as negligible.")
    if facts.scatter:
        out.append(facts.scatter)
    if facts.word == "negligible" and (few := few_listeners_sentence(len(facts.by_listener))):
        out.append(few)
    if facts.word == "negligible" and facts.side != "neither":
        out.append(
            f"{a if facts.side == 'claimed' else b} was preferred more often than by a thrown coin, yet by less than "
            "what was declared to matter."
        )
    out += [preference_plan(plan, a), *panel_plan(together, scatter=bool(facts.scatter))]
    if facts.unanswered:
        alone = facts.word_if_answered_only
        out.append(
            f"{plural(facts.unanswered, 'planned trial')} stayed unanswered; they are counted against the conclusion"
            + (f" (the answered ones alone would say {alone})." if alone and facts.answered.answered else ".")
        )
    single = len(facts.listeners) == 1
    out.append(
        "It holds for this listener and these clips."
        if single
        else "Answers of one listener are alike: the test of all answers together is about these listeners and these "
        "clips, not about others."
    )
    return tuple(out)


def _coin(said: Preferred, alpha: float) -> str:
    if not said.decided:
        return "Nothing could be tested against a thrown coin: no trial ended with a preference."
    two = said.direction == "two-sided"
    far = "a count this far from one half, on either side," if two else f"{said.wins} or more of {said.decided}"
    limit = (
        f"interval {interval_words(said.interval, 1)}"
        if two
        else f"one-sided {percent(1 - alpha)} lower limit {percent(said.lower_limit, 1)}, sealed in this direction"
    )
    return (
        f"Tested against a thrown coin, {said.wins} of {said.decided}: {far} would come {in_tests(said.p_value)} "
        f"(exact {'two-sided' if two else 'one-sided'} sign test, p = {p_words(said.p_value)}; {limit})."
    )


def preference_plan(plan: PreferencePlanFacts | None, a: str) -> str:
    """Return what the plan could have detected."""
    if plan is None:
        return "No plan came with this report, so what it could have detected is not known."
    text = f"The plan: {plural(plan.trials, 'pair')}, tested at the {percent(plan.alpha)} level, "
    text += "two-sided; " if plan.direction == "two-sided" else "one-sided in the direction sealed; "
    parts = []
    if plan.critical_number is None:
        parts.append("no count shows a preference")
    else:
        parts.append(f"{plan.critical_number} or more for {a} show it")
    parts.append(
        "no count refutes it" if plan.refuting_number is None else f"{plan.refuting_number} or fewer refute it"
    )
    if plan.margin is not None:
        near = plan.negligible_numbers
        parts.append("no count makes it negligible" if near is None else f"{near[0]} to {near[1]} make it negligible")
    text += ", ".join(parts) + " (where no trial is a tie)."
    if plan.margin is not None and plan.chances:
        shown, none = plan.chance("shown", 0.5 + plan.margin), plan.chance("negligible", 0.5)
        refuted = plan.chance("refuted", 0.5 - plan.margin)
        text += (
            f" A true preference of {percent(0.5 + plan.margin)} would have been shown with a chance of "
            f"{spelled(shown)}, one of {percent(0.5 - plan.margin)} refuted it with {spelled(refuted)}, and a "
            f"listener without any would have ended as negligible with {spelled(none)}."
        )
    if plan.chances:
        eight = next((p for p in plan.probabilities if p > 0.5 and (plan.chance("shown", p) or 0) >= 0.8), None)
        text += (
            " No preference, however strong, would have been shown with a chance of 80\u00a0%."
            if eight is None
            else f" With a chance of 80\u00a0% or more it would have shown a preference of {percent(eight)} or more; "
            "weaker ones it would often have missed."
        )
    return text


def strength_words(fit: StrengthFacts, a: str, b: str) -> list[str]:
    """Return what the model of strengths adds: the probability, the order, the ties."""
    out = []
    if fit.probability is not None and fit.probability_interval is not None:
        ties = ", ties after Davidson" if fit.tie_parameter else ""
        out.append(
            f"By the model of strengths (Bradley and Terry{ties}), with the order of hearing taken out, {a} is "
            f"preferred to {b} with a probability of {percent(fit.probability)}, {percent(fit.level)} interval "
            f"{interval_words(fit.probability_interval)}."
        )
    if fit.order_effect is not None and fit.order_effect_interval is not None:
        low, high = (_logistic(x) for x in fit.order_effect_interval)
        out.append(
            f"Order: of two equally strong ones the first heard would be preferred with a probability of "
            f"{percent(_logistic(fit.order_effect))}, interval {interval_words((low, high))} (effect "
            f"{number(fit.order_effect)} log odds, {number(fit.order_effect_interval[0])} to "
            f"{number(fit.order_effect_interval[1])}); which one came first was balanced and drawn."
        )
    if not fit.converged:
        out.append("The fit of the strengths did not converge: read them with care.")
    return out + [text if text.endswith(".") else text + "." for text in fit.remarks]


def _logistic(x: float) -> float:
    if math.isinf(x):
        return 1.0 if x > 0 else 0.0
    return 1 / (1 + math.exp(-x)) if x > -700 else 0.0
