"""The summary of several studies, and what has to be said of it."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

from blindtest.stats import BinomialMean, StudiesSummary, across_studies, binomial_mean, errors_for_pooling
from blindtest.steps.comparison.effects import Scale, StudyEffect

__all__ = ["Pooled", "pooled", "tau_of"]

LEVEL = 0.95
FEW_STUDIES = 5
FEW_DF = 10
MUCH_OF_THE_SPREAD = 0.5
UNEQUAL, MANY_STUDIES = 3.0, 10
"""Largest over smallest error from which on, and studies below which, the mean's interval is known to be too short."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pooled:
    """What several studies say together."""

    summary: StudiesSummary
    errors: tuple[float, ...]
    """Of each study, as it was pooled with: of counts at the rate of all studies together."""
    cautions: tuple[str, ...]
    exact: BinomialMean | None = None
    """Of counted claims, by the binomial likelihood itself; None where no fit converged."""


def pooled(scale: Scale, studies: Sequence[StudyEffect]) -> Pooled:
    """Return the random-effects summary (REML, Hartung-Knapp) of two studies or more."""
    odds = [one.odds for one in studies if one.odds is not None]
    errors = errors_for_pooling(odds) if len(odds) == len(studies) else tuple(one.std_error for one in studies)
    summary = across_studies([one.estimate for one in studies], errors, level=LEVEL)
    return Pooled(
        summary=summary,
        errors=tuple(float(error) for error in errors),
        cautions=tuple(_cautions(scale, studies, summary, errors)),
        exact=None if scale.guess is None else binomial_mean([one.by_listener for one in studies], guess=scale.guess),
    )


def _cautions(
    scale: Scale, studies: Sequence[StudyEffect], summary: StudiesSummary, errors: Sequence[float]
) -> list[str]:
    found = []
    k = summary.studies
    if k == 2:
        found.append(
            "two studies: the interval rests on one degree of freedom and is wide, how much studies differ is hardly "
            "known, and what one more would find can't be said"
        )
    elif k < FEW_STUDIES:
        found.append(f"{k} studies: how much studies differ is poorly known, and the interval for one more too short")
    if max(errors) > UNEQUAL * min(errors) and k < MANY_STUDIES:
        found.append(
            "studies of very unequal size: if their true effects differ too, the mean leans on the largest of them and "
            "its interval is too narrow"
        )
    if summary.agrees_too_well:
        low, high = (scale.shown(x) for x in summary.common_interval)
        found.append(
            "these studies agree more closely than their own errors make likely: take the wider interval of one effect "
            f"common to all, {_span(low, high, scale)}"
        )
    if summary.i_squared > MUCH_OF_THE_SPREAD:
        found.append(
            "studies differ by more than chance: the mean is an average over unlike things, look at each before it"
        )
    ends = [one.study for one in studies if one.odds is not None and one.odds.at_an_end]
    if ends:
        found.append(f"none or all were right in {', '.join(ends)}: its place here rests on half answers added")
    few = [one.study for one in studies if one.df is not None and one.df < FEW_DF]
    if few:
        found.append(f"the standard error of {', '.join(few)} rests on few listeners, and is taken as known here")
    return found


def _span(low: float, high: float, scale: Scale) -> str:
    unit = "" if not scale.unit else f" {scale.unit}"
    return f"{low:.1f} to {high:.1f}{unit}"


def tau_of(summary: StudiesSummary) -> tuple[float, tuple[float, float]]:
    """Return the standard deviation between studies and its interval."""
    low, high = summary.tau_squared_interval
    return sqrt(summary.tau_squared), (sqrt(low), sqrt(high))
