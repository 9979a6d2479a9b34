"""A threshold in words: what was found, by whom, and what has to stand beside it."""

from dataclasses import dataclass
from math import isfinite
from typing import Any

from blindtest.report.words import clean, plural
from blindtest.stats import ListenerThreshold, ThresholdConclusion

__all__ = ["ThresholdFacts", "threshold_beside", "threshold_further", "threshold_numbers"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ThresholdFacts:
    """How much it took to be heard, as a report tells it."""

    conclusion: ThresholdConclusion
    unanswered: int = 0
    clips: int = 1
    """How many clips share each track."""
    trials: Any = None
    """A DataFrame: listener, track, level, correct, in the order heard; None where the report came without."""


def threshold_numbers(facts: ThresholdFacts) -> str:
    """Return the numbers that the word must not be read without."""
    found = facts.conclusion
    if not isfinite(found.estimate):
        return "no threshold can be named"
    return f"threshold {found.estimate:.3g}, limits {found.limits[0]:.3g} and {found.limits[1]:.3g}"


def threshold_beside(facts: ThresholdFacts) -> tuple[str, ...]:
    """Return what must stand beside the result."""
    out = [
        "Levels followed the answers, so the share of right answers is no binomial one: there is no p value, and the "
        "limits, made from a curve fitted to all trials, are approximate.",
        f"The threshold is the level at which {100 * facts.conclusion.proportion:.1f} % of answers are right, halfway "
        "from guessing to certainty; another point of the curve is another threshold.",
    ]
    if len(facts.conclusion.listeners) == 1:
        out.append("It holds for this listener and these clips.")
    if facts.clips > 1:
        out.append(f"{facts.clips} clips share each track: the threshold is that of their mixture.")
    if facts.unanswered:
        out.append(f"{plural(facts.unanswered, 'planned trial')} without an answer, left out.")
    return tuple(out)


def threshold_further(facts: ThresholdFacts) -> tuple[str, ...]:
    """Return each listener and track, and the averages of reversals."""
    found = facts.conclusion
    out = [_one(each) for each in found.listeners]
    out += [_one(each) for each in found.tracks if len(found.tracks) > 1]
    if found.averages is not None:
        out.append(f"Averages of late reversals: {found.averages.sentence}")
    else:
        out.append(f"No averages of reversals: {clean(found.why_no_averages)}.")
    return tuple(out)


def _one(one: ListenerThreshold) -> str:
    who = clean(one.listener) + (f", {clean(one.track)}" if one.track else "")
    right = f"{one.correct} of {one.trials} right"
    if not isfinite(one.estimate):
        return f"{who}: no threshold, since {clean(one.why_not)} ({right})."
    return f"{who}: threshold {one.estimate:.3g}, limits {one.limits[0]:.3g} and {one.limits[1]:.3g} ({right})."
