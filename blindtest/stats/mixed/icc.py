"""Intraclass correlations of a mixed model: which share of the variance of one answer goes with a group.

The share of a group is its variance over the sum of all, residual included: the correlation of two answers that have
this group's level in common and nothing else. Agreement of listeners, say, is the share of what they rate (clips,
devices as a random group), not the share of the listeners. Without slopes only: with slopes the variance, and so the
share, depends on where one stands.

Limits are those of a ratio of variances by the delta method on the logit scale, from the covariance of the variance
estimates; with fewer than about ten levels of a group they are rough.

Source: McGraw & Wong 1996 (Psychological Methods 1, 30) for the ratios.
"""

from dataclasses import dataclass
from math import nan
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit, ndtri

from blindtest.errors import BlindtestError, Fault
from blindtest.stats.mixed.linear_fit import LinearFit

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["IntraclassShares", "intraclass_shares"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class IntraclassShares:
    """Shares of the variance of a single answer."""

    shares: "DataFrame"
    """By group, the residual last: variance, share, ci_low, ci_high (of the share; NaN where the variance is zero)."""
    total: float
    """Variance of one answer around the fixed part."""
    level: float
    method: str = "variance of the group over the sum of all variances"
    source: str = "McGraw & Wong 1996"
    assumptions: tuple[str, ...] = (
        "random intercepts only",
        "limits by the delta method on the logit scale: rough where a group has fewer than about ten levels",
    )

    @property
    def sentence(self) -> str:
        """The shares in plain words."""
        parts = ", ".join(f"{name} {100 * share:.0f} %" for name, share in self.shares["share"].items())
        return f"Of the variance of one answer that the fixed part leaves: {parts}."

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        rows = self.shares.reset_index().to_dict(orient="records")
        clean = [{key: None if value != value else value for key, value in row.items()} for row in rows]
        return {
            "shares": clean,
            "total": self.total,
            "level": self.level,
            "method": self.method,
            "source": self.source,
            "assumptions": list(self.assumptions),
            "sentence": self.sentence,
        }


def intraclass_shares(fit: LinearFit, *, level: float = 0.95) -> IntraclassShares:
    """Return each group's share of the variance of one answer.

    Raises
    ------
    BlindtestError
        A random part with slopes.
    """
    import pandas as pd

    sloped = [term.group for term in fit.model.random if term.columns != ("Intercept",)]
    if sloped:
        raise BlindtestError(
            Fault(
                problem="with slopes the share of a group depends on the slope's column",
                key="random",
                got=", ".join(sloped),
                allowed='"1" for every group',
                remedy="fit products of factors as groups of their own, listener:mode",
            )
        )
    names = [label.group for label in fit.labels]
    phi = fit.phi
    total = float(phi.sum())
    share = phi / total
    low, high = np.full(len(phi), nan), np.full(len(phi), nan)
    free = np.flatnonzero(~fit.zero)
    spread = fit.phi_covariance()
    z = float(ndtri((1 + level) / 2))
    for place in free:
        if not 0 < share[place] < 1:
            continue
        # d logit(share) = d log(own) - d log(others)
        slope = np.full(len(free), -1 / (total - phi[place]))
        slope[free == place] = 1 / phi[place]
        half = z * float(np.sqrt(max(slope @ spread @ slope, 0.0)))
        low[place], high[place] = expit(logit(share[place]) + np.array([-half, half]))
    frame = pd.DataFrame(
        {"variance": phi, "share": share, "ci_low": low, "ci_high": high}, index=pd.Index(names, name="group")
    )
    return IntraclassShares(shares=frame, total=total, level=float(level))
