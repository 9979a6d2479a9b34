"""Who has more of an attribute, in lines: a conclusion with its limits, and listeners one by one."""

from math import isinf

from blindtest.stats import few_listeners_sentence
from blindtest.steps.answers.attribute import AttributeAnswers
from blindtest.steps.answers.together import together_line
from blindtest.steps.columns import columns, p_cell

__all__ = ["attribute_lines"]


def attribute_lines(found: AttributeAnswers) -> list[str]:
    """Return a conclusion about an attribute with everything that must stand beside it, a line each."""
    concluded = found.conclusion
    tested = concluded.answered or concluded.against
    low, high = concluded.limits
    limits = f"One-sided limits of d' {_d(low)} and {_d(high)}"
    if concluded.margin is not None:
        limits += f", to be held against {-concluded.margin:g} ... {concluded.margin:g}"
    lines = [f"Result: {concluded.sentence}", tested.sentence, f"{limits}.", f"d' after the model: {tested.model}."]
    if concluded.scatter_sentence:
        lines.append(concluded.scatter_sentence)
    if concluded.word == "negligible" and (few := few_listeners_sentence(len(found.listeners))):
        lines.append(few)
    if found.chances is not None:
        lines += ["", f"The plan: {found.chances.sentence}"]
    if found.together is not None:
        lines.append(together_line(found.together))
    if len(found.listeners) > 1:
        lines += [
            "All answers together test whether anybody hears it; what single listeners can do stands in the table.",
            "",
            _listeners(found),
        ]
    return lines


def _listeners(found: AttributeAnswers) -> str:
    rows = []
    for one in found.listeners:
        own = one.conclusion.answered or one.conclusion.against
        low, high = own.d_prime_interval
        rows.append(
            (
                one.listener,
                f"{one.conclusion.correct} of {one.conclusion.trials}",
                str(one.conclusion.unanswered),
                _d(own.d_prime),
                f"{_d(low)} to {_d(high)}",
                p_cell(own.p_value),
                "" if one.adjusted_p_value is None else p_cell(one.adjusted_p_value),
                one.conclusion.word,
            )
        )
    return columns(("listener", "chosen", "unanswered", "d'", "95 % interval", "p", "p (Holm)", "alone"), rows)


def _d(value: float) -> str:
    if isinf(value):
        return "infinite" if value > 0 else "-infinite"
    return f"{value:.2f}"
