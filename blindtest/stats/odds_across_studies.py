"""The mean log odds of several studies by the binomial likelihood itself, which adds no half answers.

Studies, and listeners in them, are normal random effects of a binomial model with a logit link (Stijnen, Hamza and
Ozdemir 2010, "Random effects meta-analysis of event outcome in the framework of the generalized linear mixed model with
applications in sparse data", Statistics in Medicine 29, 3046). Its limits are normal: too narrow with few studies.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import log

from blindtest.errors import BlindtestError

__all__ = ["BinomialMean", "binomial_mean"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BinomialMean:
    """The mean of several studies' log odds beyond guessing."""

    estimate: float
    interval: tuple[float, float]
    """Normal, at .95."""
    std_error: float


def binomial_mean(studies: Sequence[Sequence[tuple[int, int]]], *, guess: float) -> BinomialMean | None:
    """Return the mean over studies, each given as (right, trials) of every listener; None where no fit converges.

    Parameters
    ----------
    guess : 0 < guess < 1, how often a guess is right
    """
    import pandas as pd

    from blindtest.stats.mixed.binary import fit_binary_mixed

    rows = [
        {"study": f"{place}", "listener": f"{place}/{who}", "right": right, "trials": trials}
        for place, own in enumerate(studies)
        for who, (right, trials) in enumerate(own)
    ]
    random = {"study": "1", "listener": "1"} if len(rows) > len(studies) else {"study": "1"}
    try:
        fit = fit_binary_mixed("right ~ 1", pd.DataFrame(rows), random=random, trials="trials")
    except (ValueError, BlindtestError):
        return None
    own = fit.coefficients.iloc[0]
    if not fit.convergence.converged or not float(own["std_error"]) > 0:
        return None
    none = log(guess / (1 - guess))
    return BinomialMean(
        estimate=float(own["estimate"]) - none,
        interval=(float(own["ci_low"]) - none, float(own["ci_high"]) - none),
        std_error=float(own["std_error"]),
    )
