"""Trials in tables, those of one method together."""

from dataclasses import dataclass

from blindtest.report.facts import ReportInput
from blindtest.report.record_facts import TrialFacts
from blindtest.report.words import clean, short_names

__all__ = ["ending", "short_name_of", "trial_groups"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialGroup:
    """Trials that share one table: those of one method."""

    title: str
    trials: tuple[TrialFacts, ...]
    slots: list[str]
    right: bool
    sure: bool
    """Whether it was asked how sure answers were."""


def trial_groups(report: ReportInput) -> tuple[TrialGroup, ...]:
    """Return the trials by method, in the order in which methods first came."""
    titles = {block.method: block.method_title for block in report.protocol.blocks if block.method_title}
    groups: dict[str, list[TrialFacts]] = {}
    for trial in report.trials:
        groups.setdefault(trial.method, []).append(trial)
    return tuple(
        TrialGroup(
            title=clean(titles.get(method, method)),
            trials=tuple(trials),
            slots=list(dict.fromkeys(name for trial in trials for name, _ in trial.slots)),
            right=any(trial.right for trial in trials),
            sure=any(trial.confidence is not None for trial in trials),
        )
        for method, trials in groups.items()
    )


def ending(report: ReportInput, trial: TrialFacts) -> str:
    """Return how a trial ended, in a word or two."""
    if not trial.answered:
        return "unanswered"
    if trial.correct is not None:
        return "right" if trial.correct else "wrong"
    if trial.ratings:
        return "rated"
    if trial.method == "familiarisation":
        return "heard"
    return f"{short_name_of(report, trial.chosen)} preferred" if trial.chosen else "no preference"


def short_name_of(report: ReportInput, condition: str) -> str:
    """Return a condition's name, cut at the comma where that still tells it from the others."""
    ids = [one.id for one in report.conditions]
    short = dict(zip(ids, short_names([report.name_of(one) for one in ids]), strict=True))
    return short.get(condition, clean(condition))
