"""What is preferred, in lines: a conclusion with its limits, and strengths."""

from blindtest.stats import PreferenceConclusion, PreferenceResult
from blindtest.steps.columns import columns

__all__ = ["preferred_lines", "strength_lines"]


def preferred_lines(concluded: PreferenceConclusion) -> list[str]:
    """Return a conclusion of preference with the limits that it rests on, a line each."""
    low, high = concluded.limits
    limits = f"One-sided limits {100 * low:.1f} % and {100 * high:.1f} %"
    if concluded.margin is not None:
        limits += f", to be held against {50 - 100 * concluded.margin:g} % to {50 + 100 * concluded.margin:g} %"
    lines = [f"Result: {concluded.sentence}", concluded.answered.sentence, limits + "."]
    return [*lines, concluded.scatter_sentence] if concluded.scatter_sentence else lines


def strength_lines(found: PreferenceResult) -> list[str]:
    """Return fitted strengths in columns, and the effect of being heard first."""
    rows = [
        (str(item), f"{row['estimate']:+.2f}", f"{row['ci_low']:+.2f} to {row['ci_high']:+.2f}")
        for item, row in found.strengths.iterrows()
    ]
    lines = [columns(("strength of", "log odds", "95 % interval"), rows)]
    if found.order_effect is not None:
        lines.append(f"Effect of being heard first: {found.order_effect:+.2f} (log odds).")
    return lines
