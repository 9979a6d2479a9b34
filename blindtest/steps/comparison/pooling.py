"""The summary of several studies, and what has to be said of it."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import log, sqrt
from typing import Any

from blindtest.errors import BlindtestError
from blindtest.stats import StudiesSummary, across_studies, errors_for_pooling
from blindtest.steps.comparison.effects import Scale, StudyEffect

__all__ = ["ExactLikelihood", "Pooled", "pooled"]

LEVEL = 0.95
FEW_STUDIES = 5
FEW_DF = 10
MUCH_OF_THE_SPREAD = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class ExactLikelihood:
    """The same mean by the binomial likelihood itself, which adds no half answers (Stijnen, Hamza & Ozdemir 2010)."""

    estimate: float
    """On the pooled scale."""
    interval: tuple[float, float]
    """Normal: narrower than it should be with few studies."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pooled:
    """What several studies say together."""

    summary: StudiesSummary
    cautions: tuple[str, ...]
    exact: ExactLikelihood | None = None
    """Of counted claims; None where it did not converge."""


def pooled(scale: Scale, studies: Sequence[StudyEffect]) -> Pooled:
    """Return the random-effects summary (REML, Hartung-Knapp) of two studies or more."""
    odds = [one.odds for one in studies if one.odds is not None]
    errors = errors_for_pooling(odds) if len(odds) == len(studies) else tuple(one.std_error for one in studies)
    summary = across_studies([one.estimate for one in studies], errors, level=LEVEL)
    return Pooled(
        summary=summary,
        cautions=tuple(_cautions(scale, studies, summary)),
        exact=_exact(scale, studies) if scale.guess is not None else None,
    )


def _cautions(scale: Scale, studies: Sequence[StudyEffect], summary: StudiesSummary) -> list[str]:
    found = []
    k = summary.studies
    if k == 2:
        found.append(
            "two studies: the interval rests on one degree of freedom and is wide, how much studies differ is hardly "
            "known, and what one more would find can't be said"
        )
    elif k < FEW_STUDIES:
        found.append(f"{k} studies: how much studies differ is poorly known, and the interval for one more too short")
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


def _exact(scale: Scale, studies: Sequence[StudyEffect]) -> ExactLikelihood | None:
    """Return the mean of a binomial model with studies, and listeners in them, as random; None without a fit."""
    import pandas as pd

    from blindtest.stats import fit_binary_mixed

    rows = [
        {"study": one.study, "listener": f"{one.study}/{place}", "right": right, "trials": trials}
        for one in studies
        for place, (right, trials) in enumerate(one.by_listener)
    ]
    several = len(rows) > len(studies)
    random = {"study": "1", "listener": "1"} if several else {"study": "1"}
    try:
        fit = fit_binary_mixed("right ~ 1", pd.DataFrame(rows), random=random, trials="trials")
    except (ValueError, BlindtestError):
        return None
    own: Any = fit.coefficients.iloc[0]
    if not fit.convergence.converged or not own["std_error"] > 0:
        return None
    guess = scale.guess or 0.5
    from_guess = _log_odds(guess)
    return ExactLikelihood(
        estimate=float(own["estimate"]) - from_guess,
        interval=(float(own["ci_low"]) - from_guess, float(own["ci_high"]) - from_guess),
    )


def _log_odds(proportion: float) -> float:
    return log(proportion / (1 - proportion))


def tau_of(summary: StudiesSummary) -> tuple[float, tuple[float, float]]:
    """Return the standard deviation between studies and its interval."""
    low, high = summary.tau_squared_interval
    return sqrt(summary.tau_squared), (sqrt(low), sqrt(high))
