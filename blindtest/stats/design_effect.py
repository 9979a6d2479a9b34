"""How much wider choices scatter because the same few listeners gave them, and limits that take it into account.

Answers of one listener are alike where listeners differ. All of them in one pot are then no binomial count of anything
but these very listeners: for others like them its limits are too narrow. The design effect is the variance of the
pooled proportion, as the listeners' counts scatter, over the variance of a binomial one (Rao & Scott 1992, "A simple
method for the analysis of clustered binary data", Biometrics 48, 577, equation 2), never below 1. Counts divided by it
are worth as much as so many independent answers; their limits are those of Clopper and Pearson with counts that are no
whole numbers (Korn & Graubard 1998, "Confidence intervals for proportions with small expected number of positive
counts estimated from survey data", Survey Methodology 24, 193; without their factor for degrees of freedom, which with
few listeners would leave hardly any plan a limit).

Simulated (tests/stats/simulate_design_effect.py, 4,000 studies a cell): where the mean preference lies at the margin, 3
to 40 listeners whose own preferences scatter around it with SD 0 to .3 have both limits inside in up to 5.2 % of
studies at a stated 5 %, two listeners in up to 6.5 %; the limits of the pooled count lie inside in up to 20 %.

Of listeners of very unequal size the largest count for most of it, and few of them can't show how far people differ:
eight with 4 to 60 answers each, no two alike, scattering as much (SD .2 of preferences, .25 of shares heard), are found
negligible at the margin in 6.9 % and 9.9 % of studies (2,000 each: promised_chances.csv in tests/references/stats).
Weighing the variance by their sizes in place of n/(n - 1) would take next to nothing from that.
"""

from fractions import Fraction

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betainc, betaincinv

from blindtest.stats.binomial import Interval

__all__ = ["at_most_by_effect", "design_effect", "effective_limits", "limits_within", "scatter_words"]


def design_effect(successes: ArrayLike, trials: ArrayLike) -> float:
    """Return the variance of the pooled proportion over that of a binomial one, 1 or more; 1 of a single listener.

    Parameters
    ----------
    successes, trials : (listeners,) array_like, 0 <= successes <= trials; listeners without a trial don't count
    """
    n = np.asarray(trials, dtype=np.float64)
    x = np.asarray(successes, dtype=np.float64)[n > 0]
    n = n[n > 0]
    total = float(n.sum())
    if len(n) < 2 or x.sum() in (0.0, total):
        return 1.0
    proportion = float(x.sum()) / total
    between = len(n) / (len(n) - 1) * float(np.sum((x - n * proportion) ** 2)) / total**2
    return max(1.0, between / (proportion * (1 - proportion) / total))


def effective_limits(low: float, high: float, trials: float, *, effect: float, level: float) -> Interval:
    """Return one-sided limits of a proportion from counts that are worth 1/effect of so many independent answers.

    Parameters
    ----------
    low, high : counts that the lower and the upper limit rest on, 0 <= low <= high <= trials
    effect : 1 or more; 1 gives the limits of Clopper and Pearson
    level : of each limit
    """
    n, x, y = trials / effect, low / effect, high / effect
    lower = 0.0 if low <= 0 else float(betaincinv(x, n - x + 1, 1 - level))
    upper = 1.0 if high >= trials else float(betaincinv(y + 1, n - y, level))
    return lower, upper


def limits_within(limits: Interval, bounds: tuple[Fraction, Fraction] | None) -> bool:
    """Return whether one-sided limits of a proportion lie inside the bounds of a margin; never where there is none."""
    return bounds is not None and float(bounds[0]) < limits[0] and limits[1] < float(bounds[1])


def scatter_words(effect: float, limits: str) -> str:
    """Return the sentence that says how far listeners differ, and which one-sided limits this leaves."""
    return (
        f"Listeners' counts scatter {effect:.1f} times as much as those of listeners who are alike (variance); for "
        f"others like them the one-sided limits {limits}."
    )


def at_most_by_effect(count: float, trials: float, proportion: float, *, effect: float) -> float:
    """Return the p value that goes with the upper limit above: so few or fewer, were the proportion this one.

    Parameters
    ----------
    count : 0 ... trials
    effect : 1 or more; 1 gives the lower tail of the binomial distribution
    """
    if count >= trials:
        return 1.0
    n, y = trials / effect, count / effect
    return float(betainc(n - y, y + 1, 1 - proportion))
