"""Two rates of one answer: how often it is given where it is right (hits) and where it is wrong (false alarms).

Who says "A" or "different" more readily than the other answer has both rates high. On the normal deviate both move
together with that readiness and stand apart by the sensitivity:

    z(hits) = distance/2 - criterion,   z(false alarms) = -distance/2 - criterion

The likelihood of two binomial counts is concave in both parameters, so its profile over the criterion is sure.

Source: Macmillan & Creelman 2005, Detection Theory; Green & Swets 1966.
"""

from dataclasses import dataclass
from math import inf, nan

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtri

from blindtest.stats.binomial import Interval
from blindtest.stats.profile_likelihood import peak, profile_limits

__all__ = ["TwoRates", "two_rates"]

Floats = NDArray[np.float64]
FARTHEST = 40.0
"""Distance beyond which nothing changes: normal deviates of 20."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TwoRates:
    """Hits and false alarms on the normal deviate."""

    hits: float
    false_alarms: float
    distance: float
    """z(hits) - z(false alarms); infinite at a rate of 0 or 1, NaN where both rates are 0 or both 1."""
    distance_interval: Interval
    """Profile likelihood."""
    criterion: float
    """Above 0 for somebody who gives the answer too rarely; infinite or NaN where a rate is 0 or 1."""


def two_rates(hits: int, signals: int, false_alarms: int, noises: int, *, level: float) -> TwoRates:
    """Return the distance between two rates with its profile interval, from counts (checked by the caller)."""
    rates = hits / signals, false_alarms / noises
    z_hits, z_false = float(ndtri(rates[0])), float(ndtri(rates[1]))
    distance = nan if z_hits == z_false and abs(z_hits) == inf else z_hits - z_false
    criterion = nan if z_hits == -z_false and abs(z_hits) == inf else -(z_hits + z_false) / 2
    return TwoRates(
        hits=rates[0],
        false_alarms=rates[1],
        distance=distance,
        distance_interval=_interval(hits, signals, false_alarms, noises, level),
        criterion=criterion,
    )


def _interval(hits: int, signals: int, false_alarms: int, noises: int, level: float) -> Interval:
    def profile(distance: float) -> float:
        def along(criterion: Floats) -> Floats:
            right, wrong = distance / 2 - criterion, -distance / 2 - criterion
            return np.asarray(
                hits * log_ndtr(right)
                + (signals - hits) * log_ndtr(-right)
                + false_alarms * log_ndtr(wrong)
                + (noises - false_alarms) * log_ndtr(-wrong)
            )

        return peak(along, -FARTHEST, FARTHEST, points=65)[1]

    best = _saturated(hits, signals) + _saturated(false_alarms, noises)
    z_hits, z_false = (
        float(ndtri(np.clip(rate, 1e-12, 1 - 1e-12))) for rate in (hits / signals, false_alarms / noises)
    )
    estimate = z_hits - z_false
    low, high = profile_limits(profile, estimate, best=best, level=level, bounds=(-FARTHEST, FARTHEST))
    return -inf if low <= -FARTHEST else low, inf if high >= FARTHEST else high


def _saturated(count: int, total: int) -> float:
    share = count / total
    return sum(n * float(np.log(p)) for n, p in ((count, share), (total - count, 1 - share)) if n)
