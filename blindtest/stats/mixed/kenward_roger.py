"""Kenward & Roger's adjusted covariance of the fixed effects, and the degrees of freedom that go with it.

For small panels: the plain covariance of the fixed effects takes the estimated variances for true ones, and comes out
too small by an amount that can be estimated. With V the covariance of the ratings, linear in the parameters phi
(variances and covariances), G_r = dV/dphi_r, C the plain covariance:

    P_r  = -X' V^-1 G_r V^-1 X            Q_rs = X' V^-1 G_r V^-1 G_s V^-1 X
    W    = 2 I^-1,   I_rs = tr(V^-1 G_r V^-1 G_s) - 2 tr(C Q_rs) + tr(C P_r C P_s)      (expected information, REML)
    C_A  = C + 2 C [sum_rs W_rs (Q_rs - P_r C P_s)] C

A test of q contrasts L takes C_A, a scale and denominator degrees of freedom that match the first two moments of its
statistic (section 3 of the paper). One contrast needs no scale and has df 2/a with a = sum_rs W_rs g_r g_s / (l'Cl)^2,
g_r = l'C P_r C l: the plain covariance there, the adjusted one in the statistic.

What the fit brings are C, C_A, the P_r and W, from sums of products, without any matrix as large as the table
(moments.py).

Source: Kenward & Roger 1997 (Biometrics 53, 983). Only for REML. A variance at zero must be left out: the approximation
is that of the model without it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blindtest.stats.mixed.degrees_of_freedom import JointTest, f_tail

__all__ = ["MOST_PARAMETERS", "KenwardRoger"]

Floats = NDArray[np.float64]

MOST_PARAMETERS = 30
"""Variances and covariances up to which it is made: the cost grows with their square."""
SOURCE = "Kenward & Roger 1997"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KenwardRoger:
    """The adjusted covariance of the fixed effects, and degrees of freedom for tests that use it."""

    cov_beta: Floats
    """(p, p), plain: C."""
    cov_adjusted: Floats
    """(p, p): C_A."""
    slopes: Floats
    """(k, p, p): P_r."""
    information_inverse: Floats
    """(k, k): W, the covariance of the variance parameters by expected information."""

    def df_of(self, weights: ArrayLike) -> Floats:
        """Return the degrees of freedom of each contrast, (m,); their statistics use `cov_adjusted`."""
        rows = np.atleast_2d(np.asarray(weights, dtype=np.float64))
        scaled = rows @ self.cov_beta
        g = np.einsum("mi,kij,mj->mk", scaled, self.slopes, scaled)
        a = np.einsum("mk,kl,ml->m", g, self.information_inverse, g)
        variance = np.einsum("mi,mi->m", scaled, rows)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(np.where(a > 0, 2 * variance**2 / a, np.inf), dtype=np.float64)

    def joint_test(self, weights: ArrayLike, beta: ArrayLike, *, name: str = "") -> JointTest:
        """Test all contrasts, (m, p), at once against zero; those that others imply count once."""
        rows = _independent(np.atleast_2d(np.asarray(weights, dtype=np.float64)))
        q = len(rows)
        estimate = rows @ np.asarray(beta, dtype=np.float64)
        wald = float(estimate @ np.linalg.solve(rows @ self.cov_adjusted @ rows.T, estimate)) / q
        scaling, df = self._moments(rows)
        return JointTest(
            name=name,
            statistic=scaling * wald,
            numerator_df=q,
            denominator_df=df,
            p_value=f_tail(scaling * wald, q, df),
            scaling=scaling,
            method="Kenward-Roger",
            source=SOURCE,
        )

    def _moments(self, rows: Floats) -> tuple[float, float]:
        """Return scale and denominator df that match the moments of the Wald statistic (pages 985 to 988)."""
        q = len(rows)
        theta = rows.T @ np.linalg.solve(rows @ self.cov_beta @ rows.T, rows)
        parts = np.array([theta @ self.cov_beta @ slope @ self.cov_beta for slope in self.slopes])
        traces = np.einsum("kii->k", parts)
        a1 = float(traces @ self.information_inverse @ traces)
        a2 = float(np.sum(self.information_inverse * np.einsum("kij,lji->kl", parts, parts)))
        if a2 <= 0:
            return 1.0, float("inf")
        b = (a1 + 6 * a2) / (2 * q)
        g = ((q + 1) * a1 - (q + 4) * a2) / ((q + 2) * a2)
        below = 3 * q + 2 * (1 - g)
        c1, c2, c3 = g / below, (q - g) / below, (q + 2 - g) / below
        # V/(2 E^2), with the ratio (1 - a2/q)/(1 - c2 b), both of which vanish together, taken before squaring.
        upper, lower = 1 - a2 / q, 1 - c2 * b
        ratio = 1.0 if abs(upper) < 1e-10 and abs(lower) < 1e-10 else upper / lower
        top = 1 + c1 * b
        rho = ratio**2 * (0.0 if abs(top) < 1e-10 else top) / (1 - c3 * b) / q
        df = 4 + (q + 2) / (q * rho - 1)
        return df * upper / (df - 2), df


def _independent(rows: Floats) -> Floats:
    """Return as many rows as are linearly independent, with the same span."""
    _, values, vectors = np.linalg.svd(rows, full_matrices=False)
    kept = values > values.max(initial=0.0) * 1e-10
    if not np.any(kept):
        raise ValueError("a joint test needs at least one contrast that is not zero")
    return rows if np.sum(kept) == len(rows) else vectors[kept]
