"""Who keeps people listening, in lines: the choices, dwell and skips beside them, listeners one by one."""

from blindtest.report import CANNOT_TELL_WORDS, listened_plan
from blindtest.steps.answers.listened import ListenedAnswers
from blindtest.steps.columns import columns, p_cell

__all__ = ["listened_lines"]


def listened_lines(found: ListenedAnswers) -> list[str]:
    """Return a conclusion with everything that must stand beside it, a line each."""
    choice = found.choice
    low, high = choice.limits
    limits = f"One-sided limits of the share beyond an equal one {low:+.3f} and {high:+.3f}"
    if choice.margin is not None:
        limits += f", to be held against {-choice.margin:g} ... {choice.margin:g}"
    lines = [f"Result: {choice.sentence}", f"{limits}.", *(f"Note: {remark}" for remark in choice.remarks)]
    if found.chances is not None:
        lines.append(listened_plan(found.chances, choice.device))
    if len(choice.by_listener) > 1:
        rows = [
            (
                one.listener,
                f"{one.chosen} of {one.tracks}",
                str(one.without_choice),
                f"{100 * one.interval[0]:.0f} to {100 * one.interval[1]:.0f} %",
                p_cell(one.p_value),
                p_cell(one.p_adjusted),
                one.word,
            )
            for one in choice.by_listener
        ]
        lines += ["", columns(("listener", "chosen", "no choice", "95 % interval", "p", "p (Holm)", "alone"), rows)]
    lines += ["", f"Dwell: {found.dwell.sentence}" if found.dwell else f"No dwell: {found.why_no_dwell}."]
    lines.append(f"Skips: {found.skips.sentence}" if found.skips else f"No skips: {found.why_no_skips}.")
    return [*lines, CANNOT_TELL_WORDS]
