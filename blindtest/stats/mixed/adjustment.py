"""Adjusted p values and widths of intervals for one family of contrasts."""

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blindtest.stats.mixed.degrees_of_freedom import t_half_width, t_tails
from blindtest.stats.mixed.many_to_one import many_to_one_quantile, many_to_one_tail
from blindtest.stats.mixed.studentised_range import range_quantile, range_tail
from blindtest.stats.multiplicity import adjust_p_values

__all__ = ["adjusted"]

Floats = NDArray[np.float64]


def adjusted(
    statistic: ArrayLike,
    df: ArrayLike,
    *,
    adjust: Literal["tukey", "holm", "dunnett", "none"],
    level: float,
    means: int,
    covariance: ArrayLike,
) -> tuple[Floats, Floats]:
    """Return adjusted p values, (m,), and how many standard errors an interval reaches to each side, (m,).

    Parameters
    ----------
    statistic, df : (m,), of each contrast of the family
    means : how many means are compared ("tukey")
    covariance : (m, m), of the contrasts' estimates ("dunnett")
    """
    t = np.asarray(statistic, dtype=np.float64)
    nu = np.asarray(df, dtype=np.float64)
    single = t_tails(t, nu)
    if len(t) == 1 or adjust == "none":
        return single, t_half_width(level, nu)
    if adjust == "holm":
        p_value = single.copy()
        there = np.isfinite(single)
        p_value[there] = adjust_p_values(single[there], method="holm")
        return p_value, t_half_width(1 - (1 - level) / len(t), nu)
    if adjust == "tukey":
        root = np.sqrt(2)
        tails = [range_tail(root * abs(value), means, d) for value, d in zip(t, nu, strict=True)]
        return np.array(tails), range_quantile(level, means, nu) / root
    spread = np.sqrt(np.diag(np.asarray(covariance, dtype=np.float64)))
    correlation = np.asarray(covariance, dtype=np.float64) / np.outer(spread, spread)
    tails = [many_to_one_tail(abs(value), correlation, d) for value, d in zip(t, nu, strict=True)]
    return np.array(tails), many_to_one_quantile(level, correlation, nu)
