"""A threshold in words: the terminal's lines."""

from math import isfinite

from blindtest.methods import METHODS
from blindtest.nouns import number_of
from blindtest.stats import ListenerThreshold
from blindtest.steps.answers.threshold import ThresholdAnswers
from blindtest.steps.columns import columns

__all__ = ["threshold_lines"]


def threshold_lines(one: ThresholdAnswers) -> list[str]:
    """Return what was found, listener by listener and track by track, and what must stand beside it."""
    found = one.conclusion
    lines = [f"Result: {found.word}. {found.sentence}", ""]
    rows = [_row(each, "all tracks" if len(found.tracks) > 1 else "one track") for each in found.listeners]
    rows += [_row(each, each.track) for each in found.tracks if len(found.tracks) > 1]
    level = 100 * (1 - 2 * found.alpha)
    lines.append(columns(("listener", "track", "right", "threshold", f"{level:g} % interval"), rows))
    if found.averages is not None:
        lines.append(f"Averages of late reversals, beside it. {found.averages.sentence}")
    else:
        lines.append(f"No averages of reversals: {found.why_no_averages}.")
    titles = " and ".join(f"{METHODS[name].title} ({METHODS[name].source})" for name in one.methods)
    lines.append(f"Tracks: {titles}. Levels followed the answers, the share right is no binomial one: there is no p.")
    if one.unanswered:
        lines.append(f"{number_of(one.unanswered, 'planned trial')} without an answer, left out.")
    clips = one.trials["clip"].nunique()
    if clips > 1:
        lines.append(f"{clips} clips share each track: the threshold is that of their mixture.")
    return lines


def _row(one: ListenerThreshold, track: str) -> tuple[str, ...]:
    right = f"{one.correct} of {one.trials}"
    if not isfinite(one.estimate):
        return (one.listener, track, right, "", one.why_not)
    low, high = one.limits
    return (one.listener, track, right, f"{one.estimate:.3g}", f"{low:.3g} to {high:.3g}")
