"""Adaptive Gauss-Hermite quadrature of a binary mixed model with one scalar random term, with its exact gradient.

Each level's integral over its effect is a sum over nodes around its mode, spread by the mode's observed information
(Liu & Pierce 1994, Biometrika 81, 624; Pinheiro & Bates 1995, J. Comput. Graph. Stat. 4, 12):

    log L_j = log s + log sum_k w_k exp(x_k^2/2 + g(u + s x_k)),    g(u) = l_j(u) - u^2/2,   s^2 = -1/g''(u)

x_k, w_k the nodes and normalised weights for a standard normal. One node is Laplace's approximation. An odd number
keeps the mode among the nodes. The gradient takes in that nodes move with mode and spread.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from blindtest.stats.mixed.laplace import BinaryRows, Evaluation, mode_at, scale_of

__all__ = ["quadrature_value"]

Floats = NDArray[np.float64]


def quadrature_value(rows: BinaryRows, beta: Floats, theta: Floats, start: Floats, *, nodes: int) -> Evaluation:
    """Return the approximation with `nodes` nodes and its gradient; value -inf where no mode was found.

    Parameters
    ----------
    beta : (p,) on the scale of the link
    theta : (1,) relative standard deviation of the one group
    start : (J,) standardised effects from which each level's mode is sought
    nodes : of Gauss and Hermite, 2 or more
    """
    (touch,) = rows.layout.touches
    sums, gather, weighted = touch.block, touch.block.gather, touch.weighted
    mode = mode_at(rows, beta, scale_of(rows.layout, theta), start)
    if not mode.found:
        return Evaluation(value=-np.inf, gradient=np.zeros(len(beta) + 1), mode=mode, factor=mode.factor)
    (sd,) = theta
    curvature = mode.pattern.local.ravel()
    precision = 1 + sd * sd * curvature
    spread = 1 / np.sqrt(precision)
    x, w = np.polynomial.hermite_e.hermegauss(nodes)
    log_w = np.log(w / w.sum()) + x * x / 2

    offset = rows.fixed_predictor(beta)
    heights, slopes, row_slopes = [], [], []
    for node in x:
        u = mode.u + spread * node
        eta = offset + weighted(gather(sd * u))
        row_slopes.append(rows.link.pieces(eta, rows.right, rows.trials).slope)
        slopes.append(sums(weighted(row_slopes[-1])))
        heights.append(sums(rows.link.values(eta, rows.right, rows.trials)) - u * u / 2)
    exponents = np.asarray(heights) + log_w[:, None]
    totals = logsumexp(exponents, axis=0)
    shares = np.exp(exponents - totals)

    u_nodes = mode.u + spread * x[:, None]
    raw = np.asarray(slopes)
    by_u = sd * raw - u_nodes
    on_mode = np.sum(shares * by_u, axis=0)
    on_spread = np.sum(shares * x[:, None] * by_u, axis=0) + 1 / spread
    on_precision = -0.5 * spread**3 * on_spread
    bend = -mode.pieces.third
    second, third = weighted(weighted(bend)), weighted(weighted(weighted(bend)))
    third_sums = sums(third)
    # The spread depends on the mode too.
    on_mode = (on_mode + on_precision * sd**3 * third_sums) / precision
    row_total = sum(gather(share) * slope for share, slope in zip(shares, row_slopes, strict=True))
    row_total = row_total - sd * weighted(mode.pieces.information) * gather(on_mode)
    row_total = row_total + sd * sd * second * gather(on_precision)
    by_sd = float(np.sum(shares * u_nodes * raw))
    by_sd += float(on_mode @ (mode.sums - sd * mode.u * curvature))
    by_sd += float(on_precision @ (2 * sd * curvature + sd * sd * third_sums * mode.u))
    return Evaluation(
        value=float(np.sum(np.log(spread) + totals)),
        gradient=np.append(rows.fixed_sums(row_total), by_sd),
        mode=mode,
        factor=mode.factor,
    )
