"""A claim that two things can be told apart, in words.

It ends as *shown*, *negligible* or *open* and in no other word; a p value never stands alone, but beside the count, the
estimate, its interval, what was tested and what could have been detected.
"""

from blindtest.report.choice_facts import PlanFacts, Results, Tested
from blindtest.report.together_words import panel_plan
from blindtest.report.words import clean, count_of, in_tests, interval_words, p_words, percent, plural, spelled
from blindtest.stats import PanelChances, few_listeners_sentence

__all__ = ["decisive", "heard_beside", "heard_plan", "heard_sentence", "score_meaning", "share_name"]

NOBODY = "Nobody has finished a sitting yet, so nothing can be said."


def share_name(results: Results | None) -> str:
    """Return what the score beyond guessing is called: it depends on how many listened."""
    many = results is not None and len(results.listeners) > 1
    return "distinguishers" if many else "share of trials heard"


def decisive(results: Results) -> Tested:
    """Return the counting that the conclusion rests on: unanswered trials stand against it.

    What stays open rests on neither: with the unanswered taken as wrong it would look like next to nothing heard.
    """
    against = {"shown": results.unanswered_as_wrong, "negligible": results.unanswered_as_right}
    return against.get(results.conclusion) or results.pooled


def heard_sentence(results: Results, word: str, a: str, b: str, margin: float | None) -> str:
    """Return the result in one sentence; `word` is what the claim ends as among all claims."""
    if results.nothing_answered:
        return f"Whether {a} and {b} can be told apart stays open: no planned trial was answered."
    said = decisive(results)
    # What was not answered is no answer: a count that holds it is told as what it is.
    counted_as = None
    if results.unanswered:
        counted_as = {id(results.unanswered_as_wrong): "wrong", id(results.unanswered_as_right): "right"}.get(id(said))
    if counted_as is None:
        score = f"{count_of(said.correct, said.trials)} answers were right "
    else:
        score = (
            f"{count_of(said.correct, said.trials)} planned trials count as right, the {results.unanswered} unanswered "
            f"ones taken as {counted_as} "
        )
    score += f"({percent(said.proportion)}; guessing gives {percent(said.guess_rate)})"
    how = "an estimated" if counted_as is None else "so counted"
    heard = (
        f"{how} {percent(said.share)} of trials were heard beyond guessing, "
        f"{percent(said.level)} interval {interval_words(said.share_interval)}"
    )
    if word == "shown":
        return f"A difference between {a} and {b} was shown: {score}; {heard}."
    if word == "negligible":
        return (
            f"Any difference between {a} and {b} was negligible by the margin fixed beforehand "
            f"({percent(margin)} of trials heard): {score}; {heard}."
        )
    if counted_as is None and results.unanswered_as_wrong is not None and results.unanswered_as_right is not None:
        wrong, right = results.unanswered_as_wrong, results.unanswered_as_right
        heard += (
            f"; {results.unanswered} more of {wrong.trials} planned trials stayed unanswered, so that between "
            f"{wrong.correct} and {right.correct} of {wrong.trials} are right"
        )
    if results.listeners_differ:
        heard += "; all answers together lie below the margin, but listeners differ by more than chance explains"
    return f"Whether {a} and {b} can be told apart stays open: {score}; {heard}."


def heard_beside(
    results: Results,
    plan: PlanFacts | None,
    *,
    margin: float | None,
    alpha: float,
    together: PanelChances | None = None,
) -> tuple[str, ...]:
    """Return the sentences that must stand beside the result."""
    apart = results.unanswered_as_wrong or results.pooled
    out = [
        f"Tested against guessing: {apart.correct} or more right of {apart.trials} would come by guessing alone "
        f"{in_tests(apart.p_value)} (exact one-sided binomial test, p = {p_words(apart.p_value)}; "
        f"one-sided {percent(1 - alpha)} lower limit of the proportion right {percent(apart.lower_limit, 1)})."
    ]
    alike = results.unanswered_as_right or results.pooled
    if alike.similarity_p_value is not None and margin is not None:
        upper = ""
        if alike.upper_limit is not None:
            upper = (
                f"; one-sided {percent(1 - alpha)} upper limit of the proportion right {percent(alike.upper_limit, 1)}"
            )
        out.append(
            f"Tested against the margin: if {percent(margin)} of trials had been heard, {alike.correct} or fewer right "
            f"of {alike.trials} would come {in_tests(alike.similarity_p_value)} "
            f"(exact one-sided similarity test, p = {p_words(alike.similarity_p_value)}{upper})."
        )
    if results.conclusion == "negligible" and apart.p_value <= alpha:
        out.append("It was heard more often than by guessing, yet less than what was declared to matter.")
    if results.scatter:
        out.append(results.scatter)
    if results.conclusion == "negligible" and len(results.listeners) > 1:
        out += _of_several(results, alpha)
    out += [heard_plan(plan), *panel_plan(together, scatter=bool(results.scatter))]
    if results.unanswered:
        both = ""
        if results.unanswered_as_wrong is not None and results.unanswered_as_right is not None:
            both = (
                f": taken as wrong {count_of(apart.correct, apart.trials)} are right, taken as right "
                f"{count_of(alike.correct, alike.trials)}"
            )
            if not results.nothing_answered:
                both += f", and of the answered ones alone {count_of(results.pooled.correct, results.pooled.trials)}"
        out.append(
            f"{plural(results.unanswered, 'planned trial')} stayed unanswered; they are counted against the "
            f"conclusion{both}."
        )
    if len(results.listeners) == 1:
        out.append("It holds for this listener and these clips.")
    elif results.listeners:
        out.append("All answers together are about these listeners and these clips, not about others.")
    return tuple(out)


def _of_several(results: Results, alpha: float) -> list[str]:
    """Return what *negligible* of several listeners does not say."""
    able = [one.who for one in results.listeners if (one.adjusted_p_value or 1.0) <= alpha]
    out = ["It is the listeners' mean that is negligible; what single listeners can do stands in the table."]
    if able:
        verb = "was" if len(able) == 1 else "were"
        out[0] = (
            f"It is the listeners' mean that is negligible: {', '.join(map(clean, able))} {verb} told from guessing "
            "all the same (p adjusted over the listeners, Holm)."
        )
    return out + [one for one in (few_listeners_sentence(len(results.listeners)),) if one]


def heard_plan(plan: PlanFacts | None) -> str:
    """Return what the plan could have detected."""
    if plan is None:
        return "No plan came with this report, so what it could have detected is not known."
    text = f"The plan: {plural(plan.trials, 'trial')}, tested at the {percent(plan.alpha)} level; "
    least, most = plan.critical_number, plan.similarity_critical_number
    text += "no score tells it from guessing" if least is None else f"{least} or more right tell it from guessing"
    if plan.margin is not None:
        text += ", no score makes it negligible" if most is None else f", {most} or fewer make it negligible"
    if least is not None and most is not None and most >= least:
        text += " (where both hold, the word is negligible)"
    text += "."
    if plan.chance_shown_at_margin is not None:
        text += (
            f" A difference as large as the margin would have been shown with a chance of "
            f"{spelled(plan.chance_shown_at_margin)}"
        )
        if plan.chance_negligible_if_guessing is not None:
            text += (
                f", and a listener who only guesses would have ended as negligible with a chance of "
                f"{spelled(plan.chance_negligible_if_guessing)}"
            )
        text += "."
    if plan.detectable is not None:
        share, chance = plan.detectable
        text += (
            f" With a chance of {spelled(chance)} or more it could have told from guessing a difference "
            f"heard on {percent(share)} of trials or more; smaller ones it would often have missed."
        )
    return text


def score_meaning(results: Results | None, *, guess_rate: float, method: str, model: str) -> tuple[str, str]:
    """Return what the score means beyond guessing, in paragraphs."""
    first = (
        f"Even somebody who hears nothing is right in {percent(guess_rate)} of trials. Taking that share out "
        "(Abbott's formula: right answers beyond guessing, divided by the room beyond guessing) leaves "
    )
    if share_name(results) == "distinguishers":
        first += (
            "the distinguishers: if every listener either always hears the difference or never does, this is the share "
            "of listeners who do. Where listeners are in between, read it as the share of trials heard, over this "
            "panel. Answers of one listener are alike, so the interval of all answers together tests whether anybody "
            "hears it; it is too narrow as a statement about other listeners."
        )
    else:
        first += (
            "the share of trials heard: if this listener on some trials hears the difference and on all others "
            "guesses, this is the share on which it was heard. It holds for this listener and these clips."
        )
    second = (
        "d′ is the distance between the two sounds in the listener's perception, in units of its own scatter. It needs "
        f"a model of how a decision is made; here that of {method} by {model}. Another model gives another d′ from the "
        "same answers, so the two should not be compared."
    )
    return first, second
