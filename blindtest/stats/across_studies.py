"""Several studies side by side: a random-effects summary of their estimates, and how much they disagree.

Each study brings an estimate and its standard error. The variance between studies is that of restricted maximum
likelihood (Viechtbauer 2005, "Bias and efficiency of meta-analytic variance estimators in the random-effects model");
the interval of the mean is Hartung and Knapp's (2001, "A refined method for the meta-analysis of controlled clinical
trials with binary outcome"), whose t with k - 1 degrees of freedom keeps its coverage with few studies. Heterogeneity
is Cochran's Q, tau^2 with its profile of Q (Viechtbauer 2007), I^2 and H^2 (Higgins and Thompson 2002) and the
prediction interval for one more study (Higgins, Thompson and Spiegelhalter 2009).
"""

from dataclasses import dataclass
from math import copysign, inf, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blindtest.stats.plain import plain

__all__ = ["StudiesSummary", "across_studies"]

Floats = NDArray[np.float64]

ROUNDS = 200
TOLERANCE = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class StudiesSummary:
    """The mean of several studies' effects, and their spread."""

    estimate: float
    interval: tuple[float, float]
    """Hartung-Knapp, at `level`."""
    std_error: float
    """Hartung-Knapp's."""
    statistic: float
    df: float
    p_value: float
    """Two-sided, of a mean effect of 0."""
    tau_squared: float
    """Variance of the effects between studies, by REML."""
    tau_squared_interval: tuple[float, float]
    """By the profile of Q."""
    q: float
    q_p_value: float
    i_squared: float
    """Share of the variance that is between studies, 0 to 1."""
    h_squared: float
    prediction_interval: tuple[float, float]
    """Where the effect of one more study lies; (-inf, inf) with two studies."""
    weights: tuple[float, ...]
    """Of each study in the mean, summing to 1."""
    common_interval: tuple[float, float]
    """If all studies had one true effect: inverse variances, normal. Where studies happen to agree better than their
    own errors make likely, Hartung and Knapp's is narrower, and this the one to take (Roever, Knapp and Friede 2015,
    "Hartung-Knapp-Sidik-Jonkman approach and its modification for random-effects meta-analysis with few studies")."""
    studies: int
    level: float
    method: str = "random effects, REML, Hartung-Knapp"

    @property
    def agrees_too_well(self) -> bool:
        """Whether the interval is narrower than that of a common effect."""
        return self.interval[1] - self.interval[0] < self.common_interval[1] - self.common_interval[0]

    def to_dict(self) -> dict[str, object]:
        """Return what JSON can hold."""
        return plain(self, "agrees_too_well")


def across_studies(estimates: ArrayLike, std_errors: ArrayLike, *, level: float = 0.95) -> StudiesSummary:
    """Return the random-effects summary of studies that estimate one thing in one unit.

    Parameters
    ----------
    estimates : (k,) array_like, k of 2 or more
    std_errors : (k,) array_like, above 0
    level : of all intervals

    Raises
    ------
    ValueError
        Fewer than two studies, or a standard error that isn't a number above 0.
    """
    from scipy.special import chdtrc, ndtri, stdtr, stdtrit

    y, v = _checked(estimates, std_errors)
    if not 0 < level < 1:
        raise ValueError(f"level must lie between 0 and 1, got {level}")
    k = len(y)
    tau2 = _reml(y, v)
    weights = 1 / (v + tau2)
    mean = float(np.sum(weights * y) / np.sum(weights))
    error = sqrt(float(np.sum(weights * (y - mean) ** 2)) / (k - 1) / float(np.sum(weights)))
    t = float(stdtrit(k - 1, (1 + level) / 2))
    # Estimates that are all alike leave no error; only one that is 0 itself says nothing against 0.
    statistic = mean / error if error > 0 else copysign(inf, mean) if mean else 0.0
    q = _q(y, v, 0.0)
    typical = _typical_variance(v)
    total = tau2 + typical
    common = float(np.sum(y / v) / np.sum(1 / v))
    reach = float(ndtri((1 + level) / 2)) / sqrt(float(np.sum(1 / v)))
    spread = sqrt(tau2 + error**2)
    ahead = float(stdtrit(k - 2, (1 + level) / 2)) if k > 2 else inf
    return StudiesSummary(
        estimate=mean,
        interval=(mean - t * error, mean + t * error),
        std_error=error,
        statistic=statistic,
        df=float(k - 1),
        p_value=float(2 * stdtr(k - 1, -abs(statistic))),
        tau_squared=tau2,
        tau_squared_interval=_q_profile(y, v, level),
        q=q,
        q_p_value=float(chdtrc(k - 1, q)),
        i_squared=tau2 / total,
        h_squared=total / typical,
        prediction_interval=(mean - ahead * spread, mean + ahead * spread),
        weights=tuple(float(one) for one in weights / weights.sum()),
        common_interval=(common - reach, common + reach),
        studies=k,
        level=level,
    )


def _checked(estimates: ArrayLike, std_errors: ArrayLike) -> tuple[Floats, Floats]:
    y = np.asarray(estimates, dtype=np.float64)
    errors = np.asarray(std_errors, dtype=np.float64)
    if y.ndim != 1 or y.shape != errors.shape or len(y) < 2:
        raise ValueError(f"need two or more estimates with a standard error each, got {y.shape} and {errors.shape}")
    if not np.all(np.isfinite(y)) or not np.all(np.isfinite(errors)) or not np.all(errors > 0):
        raise ValueError("estimates are numbers, standard errors numbers above 0")
    return y, errors**2


def _reml(y: Floats, v: Floats) -> float:
    """Return the REML variance between studies, 0 or more: Fisher scoring, steps halved where they overshoot."""
    tau2 = max(0.0, float(np.var(y, ddof=1) - np.mean(v)))
    best = _restricted(y, v, tau2)
    for _ in range(ROUNDS):
        w = 1 / (v + tau2)
        total = w.sum()
        residual = y - np.sum(w * y) / total
        trace = w.sum() - (w**2).sum() / total
        squared = (w**2).sum() - 2 * (w**3).sum() / total + ((w**2).sum() / total) ** 2
        step = float((np.sum(w**2 * residual**2) - trace) / squared)
        new = max(0.0, tau2 + step)
        while (found := _restricted(y, v, new)) < best - 1e-14 * abs(best) and abs(new - tau2) > TOLERANCE:
            step /= 2
            new = max(0.0, tau2 + step)
        if abs(new - tau2) <= TOLERANCE * (1 + tau2):
            return new
        tau2, best = new, found
    return tau2


def _restricted(y: Floats, v: Floats, tau2: float) -> float:
    w = 1 / (v + tau2)
    mean = np.sum(w * y) / w.sum()
    return float(0.5 * (np.log(w).sum() - np.log(w.sum()) - np.sum(w * (y - mean) ** 2)))


def _q(y: Floats, v: Floats, tau2: float) -> float:
    w = 1 / (v + tau2)
    return float(np.sum(w * (y - np.sum(w * y) / w.sum()) ** 2))


def _typical_variance(v: Floats) -> float:
    """Return Higgins and Thompson's typical variance within a study."""
    w = 1 / v
    return float((len(v) - 1) * w.sum() / (w.sum() ** 2 - (w**2).sum()))


def _q_profile(y: Floats, v: Floats, level: float) -> tuple[float, float]:
    """Return the interval of tau^2 whose Q, as a chi-square of k - 1, lies in its middle `level`."""
    from scipy.optimize import brentq
    from scipy.special import chdtri

    def tau2_at(target: float) -> float:
        if _q(y, v, 0.0) <= target:
            return 0.0
        high = max(1.0, float(np.var(y)) * 10)
        while _q(y, v, high) > target:
            high *= 10
        return float(brentq(lambda tau2: _q(y, v, tau2) - target, 0.0, high, xtol=1e-12))

    tail = (1 - level) / 2
    return tau2_at(float(chdtri(len(y) - 1, tail))), tau2_at(float(chdtri(len(y) - 1, 1 - tail)))
