"""What is heard, in lines: a conclusion with everything that must stand beside it, and its listeners one by one."""

from collections.abc import Sequence

from blindtest.stats import Conclusion, DiscriminationResult, detectable_effect
from blindtest.steps.columns import columns, p_cell

__all__ = ["conclusion_lines", "listener_lines"]


def conclusion_lines(concluded: Conclusion, *, many: bool) -> list[str]:
    """Return a conclusion of hearing with everything that must stand beside it, a line each."""
    lines = [f"Result: {concluded.sentence}"]
    tested = concluded.answered or concluded.difference
    if concluded.unanswered and concluded.answered is None:
        lines.append("No trial that counts was answered.")
    else:
        lines.append(tested.sentence)
    if concluded.unanswered:
        lines.append(f"Counted as wrong: {concluded.difference.sentence}")
    if concluded.similarity:
        lines.append(concluded.similarity.sentence)
    if concluded.scatter_sentence:
        lines.append(concluded.scatter_sentence)
    lines.append(f"d' after the model: {tested.model}.")
    planned = concluded.trials + concluded.unanswered
    lines.append(detectable_effect(planned, method=concluded.method, alpha=concluded.alpha).sentence)
    if many:
        lines.append(
            "All answers together test whether anybody hears it; what single listeners can do stands in the table."
        )
    return lines


def listener_lines(listeners: Sequence[tuple[str, DiscriminationResult, float]]) -> str:
    """Return listeners in columns: (name, result, p adjusted over them)."""
    rows = [
        (
            name,
            f"{one.correct} of {one.trials}",
            f"{100 * one.distinguishers:.0f} %",
            f"{100 * one.distinguishers_interval[0]:.0f} to {100 * one.distinguishers_interval[1]:.0f} %",
            p_cell(one.p_value),
            p_cell(adjusted),
        )
        for name, one, adjusted in listeners
    ]
    return columns(("listener", "right", "heard", "95 % interval", "p", "p (Holm)"), rows)
