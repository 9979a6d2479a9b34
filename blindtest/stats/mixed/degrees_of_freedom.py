"""Degrees of freedom of contrasts and joint tests in a mixed model, by Satterthwaite's approximation.

The variance of an estimated contrast, l'Cl, is itself an estimate. Matching its first two moments with those of a
scaled chi square gives

    df = 2 (l'Cl)^2 / var(l'Cl),    var(l'Cl) = g' A g,    g_r = l' (dC/dphi_r) l

with phi the variances and covariances, A the covariance of their estimates (2 times the inverse Hessian of the REML or
ML deviance). A variance at its bound of zero has no such quadratic neighbourhood: the fit leaves it out of `gradient`
and `phi_covariance`, which gives the degrees of freedom of the model without it.

A joint test of several contrasts takes the eigenvectors of L C L', so that its statistic is a mean of squares of
independent t statistics, and the df whose F has the mean of that sum (Fai & Cornelius 1996).

Measured on small unbalanced panels (4 to 16 listeners, 4 clips, 15 % of the ratings missing; 400 simulated studies for
each of nine cells, Monte Carlo error 1.1 %): intervals of 95 % missed the truth in 5.3 to 7.0 % of studies where every
group varied, in 2.8 to 5.0 % where one or all did not, since a variance of zero is estimated above zero in part of the
studies; Kenward-Roger's differed by .3 % at most, F tests and Tukey families the same way.

Sources: Satterthwaite 1946 (Biometrics Bulletin 2, 110); Giesbrecht & Burns 1985 (Biometrics 41, 477); Fai & Cornelius
1996 (J. Statist. Comput. Simul. 54, 363).
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import inf, nan
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc, fdtrc, ndtr, ndtri, stdtr, stdtrit

from blindtest.stats.plain import plain

__all__ = [
    "DegreesOfFreedom",
    "JointTest",
    "f_tail",
    "joint_test",
    "satterthwaite",
    "t_half_width",
    "t_tails",
]

Floats = NDArray[np.float64]
DegreesOfFreedom = Callable[[Floats], Floats]
"""From contrasts, (m, p), to the degrees of freedom of each, (m,)."""

SAME = 1e-8
"""Degrees of freedom this close are one."""


def satterthwaite(weights: ArrayLike, cov_beta: ArrayLike, gradient: ArrayLike, phi_covariance: ArrayLike) -> Floats:
    """Return Satterthwaite's degrees of freedom of each contrast, (m,).

    Parameters
    ----------
    weights : (m, p), or (p,) for one
        Contrasts of the fixed effects.
    cov_beta : (p, p)
        Covariance of the fixed effects, C.
    gradient : (k, p, p)
        dC/dphi of each variance parameter that is not at a bound.
    phi_covariance : (k, k)
        Covariance of the estimates of those.

    Infinite where the contrast's variance depends on no variance parameter, NaN where the parameters' covariance is
    none (a fit that did not converge).
    """
    rows = np.atleast_2d(np.asarray(weights, dtype=np.float64))
    covariance = np.asarray(cov_beta, dtype=np.float64)
    slopes = np.asarray(gradient, dtype=np.float64).reshape(-1, *covariance.shape)
    spread = np.asarray(phi_covariance, dtype=np.float64).reshape(len(slopes), len(slopes))
    variance = np.einsum("mi,ij,mj->m", rows, covariance, rows)
    g = np.einsum("mi,kij,mj->mk", rows, slopes, rows)
    of_variance = np.einsum("mk,kl,ml->m", g, spread, g)
    df = np.where(np.any(g != 0, axis=1), nan, inf)
    known = of_variance > 0
    df[known] = 2 * variance[known] ** 2 / of_variance[known]
    return df


@dataclass(frozen=True, slots=True, kw_only=True)
class JointTest:
    """Several contrasts tested at once against zero."""

    name: str
    statistic: float
    """F; mean square of the contrasts, each in units of its own standard error."""
    numerator_df: int
    """Number of linearly independent contrasts."""
    denominator_df: float
    p_value: float
    scaling: float
    """Factor that is already in `statistic` (Kenward-Roger's lambda); 1 elsewhere."""
    method: str
    source: str

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        return (
            f"{self.name}: F = {self.statistic:.4g} on {self.numerator_df} and {self.denominator_df:.4g} degrees of "
            f"freedom ({self.method}), p = {self.p_value:.3g}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        return plain(self, "sentence")


def joint_test(
    weights: ArrayLike,
    beta: ArrayLike,
    cov_beta: ArrayLike,
    df_of: DegreesOfFreedom,
    *,
    name: str = "",
    method: str = "Satterthwaite",
    source: str = "Satterthwaite 1946; Fai & Cornelius 1996",
) -> JointTest:
    """Test all contrasts, (m, p), at once; those that others imply count once.

    `df_of` gives the degrees of freedom of single contrasts (`satterthwaite` with its other arguments bound, or
    infinity). The statistic depends on the contrasts' span only; the denominator's degrees of freedom also, a little,
    on which contrasts span it (terms.py takes orthogonal ones).
    """
    rows = np.atleast_2d(np.asarray(weights, dtype=np.float64))
    covariance = np.asarray(cov_beta, dtype=np.float64)
    values, vectors = np.linalg.eigh(rows @ covariance @ rows.T)
    kept = values > max(values.max(), 0.0) * 1e-10
    q = int(kept.sum())
    if not q:
        raise ValueError("a joint test needs at least one contrast whose variance is above zero")
    independent = vectors[:, kept].T @ rows
    squares = (independent @ np.asarray(beta, dtype=np.float64)) ** 2 / values[kept]
    statistic = float(squares.mean())
    denominator = _pooled_df(np.asarray(df_of(independent), dtype=np.float64))
    return JointTest(
        name=name,
        statistic=statistic,
        numerator_df=q,
        denominator_df=denominator,
        p_value=f_tail(statistic, q, denominator),
        scaling=1.0,
        method=method,
        source=source,
    )


def _pooled_df(df: Floats) -> float:
    """Return the df whose F has the mean of a mean of squared t, each with its own df."""
    finite = np.isfinite(df)
    if not np.any(finite) or (np.all(finite) and np.ptp(df) < SAME):
        return float(df.mean())
    if np.any(df <= 2):
        # The square of a t on 2 or fewer degrees of freedom has no mean to match; 2 is the limit from above.
        return 2.0
    excess = float(np.sum(2 / (df[finite] - 2)))  # sum of the means, minus their number
    return 2 * (len(df) + excess) / excess


def t_tails(statistic: ArrayLike, df: ArrayLike) -> Floats:
    """Return two-sided p values of t statistics, in the shape of both; df may be fractional or infinite.

    Parameters
    ----------
    statistic, df : array_like of one shape, or shapes that go together; df above 0
    """
    t = -np.abs(np.asarray(statistic, dtype=np.float64))
    nu = np.asarray(df, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        tails = np.where(np.isinf(nu), ndtr(t), stdtr(np.where(np.isinf(nu), 1.0, nu), t))
    return np.asarray(2 * tails, dtype=np.float64)


def t_half_width(level: ArrayLike, df: ArrayLike) -> Floats:
    """Return how many standard errors a two-sided interval of this level reaches to each side.

    The result has the shape of both, in standard errors.

    Parameters
    ----------
    level : 0 ... 1
    df : above 0, may be infinite
    """
    upper = (1 + np.asarray(level, dtype=np.float64)) / 2
    nu = np.asarray(df, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        return np.asarray(np.where(np.isinf(nu), ndtri(upper), stdtrit(np.where(np.isinf(nu), 1.0, nu), upper)))


def f_tail(statistic: float, numerator: float, denominator: float) -> float:
    """Return P(F >= statistic); a chi square where the denominator's degrees of freedom are infinite.

    Parameters
    ----------
    statistic : 0 or more, no unit
    numerator, denominator : degrees of freedom, above 0
    """
    if np.isinf(denominator):
        return float(chdtrc(numerator, numerator * statistic))
    return float(fdtrc(numerator, denominator, statistic))
