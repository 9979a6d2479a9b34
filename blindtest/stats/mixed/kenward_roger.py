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

Nothing here is as large as the table: with Z the random effects' design, all of the above follows from Z'Z, Z'X, X'X
and the number of rows, since V^-1 = (I - Z D Z')/s^2, D = S (s^2 I + Z'Z S)^-1, S the random effects' covariance. The
cost is that of a few products of matrices as large as the number of random effects, hence `MOST_EFFECTS`.

Source: Kenward & Roger 1997 (Biometrics 53, 983). Only for REML. A variance at zero must be left out: the approximation
is that of the model without it.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blindtest.stats.mixed.degrees_of_freedom import JointTest, f_tail
from blindtest.stats.mixed.variance_model import VarianceModel

__all__ = [
    "MOST_EFFECTS",
    "MOST_PARAMETERS",
    "KenwardRoger",
    "kenward_roger",
    "too_large_for_kenward_roger",
]

Floats = NDArray[np.float64]
Places = NDArray[np.int64]

MOST_EFFECTS = 1000
"""Random effects (levels x columns, over all groups) up to which the adjustment is made."""
MOST_PARAMETERS = 30
"""Variances and covariances up to which it is made: the cost grows with their square."""
SOURCE = "Kenward & Roger 1997"


def too_large_for_kenward_roger(effects: int, parameters: int) -> str:
    """Return why Kenward-Roger is not offered for a model of this size, or an empty text if it is.

    `effects` counts random effects, `parameters` variances and covariances with the residual one.
    """
    if effects > MOST_EFFECTS:
        return (
            f"Kenward-Roger is made for small designs, up to {MOST_EFFECTS} random effects; this model has {effects}, "
            "where Satterthwaite's degrees of freedom, used instead, differ little from it"
        )
    if parameters > MOST_PARAMETERS:
        return (
            f"Kenward-Roger is offered up to {MOST_PARAMETERS} variances and covariances; this model has {parameters}: "
            "Satterthwaite's degrees of freedom are used instead"
        )
    return ""


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


def kenward_roger(model: VarianceModel) -> KenwardRoger:
    """Return the adjusted covariance and what degrees of freedom need; REML fits only."""
    s2, zz, zx = model.residual, model.zz, model.zx
    q = len(zz)
    d = np.linalg.solve(s2 * np.eye(q) + model.covariance @ zz, model.covariance) if q else np.zeros((0, 0))
    d = (d + d.T) / 2
    f = (np.eye(q) - d @ zz) / s2
    m = zz @ f  # Z' V^-1 Z
    m2 = f.T @ m  # Z' V^-2 Z
    e = d @ zx
    a = (zx - zz @ e) / s2  # Z' V^-1 X
    a2 = f.T @ a  # Z' V^-2 X
    cov_beta = _symmetric(np.linalg.inv(_symmetric((model.xx - zx.T @ e) / s2)))
    xvvx = _symmetric(model.xx - zx.T @ e - e.T @ zx + e.T @ zz @ e) / s2**2
    xvvvx = _symmetric(xvvx - a.T @ d @ a) / s2
    dc = d @ zz
    trace_vv = (model.rows - 2 * np.trace(dc) + np.sum(dc * dc.T)) / s2**2

    places = [_mirrored(*pair) for pair in model.parameters]
    moved = [_moved(a, i, j) for i, j in places]
    slopes = np.array([*(-_symmetric(a.T @ here) for here in moved), -xvvx])
    k = len(slopes)
    information = np.empty((k, k))
    products = np.empty((k, k, *cov_beta.shape))
    for r, (i, j) in enumerate(places):
        weighted = m @ moved[r]
        for s in range(r + 1):
            i2, j2 = places[s]
            products[r, s] = weighted.T @ moved[s]
            information[r, s] = np.sum(m[np.ix_(j, i2)] * m[np.ix_(i, j2)])
        products[k - 1, r] = a2.T @ moved[r]
        information[k - 1, r] = np.sum(m2[i, j])
    products[k - 1, k - 1] = xvvvx
    information[k - 1, k - 1] = trace_vv
    for r in range(k):
        for s in range(r + 1):
            crossed = slopes[r] @ cov_beta @ slopes[s]
            information[r, s] += np.sum(cov_beta * (crossed - 2 * products[r, s]).T)
            information[s, r] = information[r, s]
            products[r, s] -= crossed
            products[s, r] = products[r, s].T
    w = 2 * _symmetric(np.linalg.pinv(information, rcond=1e-12, hermitian=True))
    adjustment = np.einsum("rs,rsij->ij", w, products)
    return KenwardRoger(
        cov_beta=cov_beta,
        cov_adjusted=_symmetric(cov_beta + 2 * cov_beta @ adjustment @ cov_beta),
        slopes=slopes,
        information_inverse=w,
    )


def _symmetric(matrix: NDArray[Any]) -> Floats:
    return np.asarray((matrix + matrix.T) / 2, dtype=np.float64)


def _mirrored(i: Places, j: Places) -> tuple[Places, Places]:
    """Return the places with those across the diagonal."""
    i, j = np.asarray(i, dtype=np.int64), np.asarray(j, dtype=np.int64)
    if np.array_equal(i, j):
        return i, j
    return np.concatenate([i, j]), np.concatenate([j, i])


def _moved(a: Floats, i: Places, j: Places) -> Floats:
    """Return (dS/dphi) a."""
    moved = np.zeros_like(a)
    moved[i] = a[j]  # each row of a mirrored pair list occurs once
    return moved
