"""Whether several listeners, each ended by a stopping rule, together hear less than the margin's share on average.

p values against the margin put together by Fisher's method, and products of e-values, are held against all listeners
hearing the margin's share or more: they grow small as soon as some of them don't, whatever the others hear. So they
alone can't say that what is heard is negligible. What can is the mean over listeners: of each the unbiased estimate of
its proportion right (`StopTable.unbiased`), which weighs a listener who ended after 8 trials like one who went on to
the last. The mean's standard error is the larger of two: that of the rule for listeners who all hear the margin's
share (normal), and that by which the estimates scatter (Student's t). A listener's own p against the margin holds for
that listener exactly; where every one of them is small enough, the mean is below the margin, too.

Simulated (tests/stats/simulate_stopped_panels.py, 4,000 studies a cell): half of the listeners hear everything, the
others nothing, the margin half of the trials. Fisher's method alone called that negligible in up to 100 % of studies;
with this in .1 % at most, and where who takes part is drawn from such people in up to 25 % with two listeners (by
chance both of those who hear nothing), 12 % with three, 6 % with five or more. Where shares heard scatter around the
margin (SD .25 or less) it is up to 8 %. Panels of guessers pay for it little but with two or three listeners.
"""

from math import sqrt
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr, stdtr

__all__ = ["mean_p_value"]

SAME = 1e-12
"""Estimates that are all alike scatter by nothing: their standard error stays above zero."""


def mean_p_value(estimates: ArrayLike, own_p_values: ArrayLike, *, margin: float, variance: float) -> Any:
    """Return the p of "the listeners' mean proportion right is the margin's or more", last axis over listeners.

    Parameters
    ----------
    estimates : (..., listeners), two or more; of each the unbiased proportion right
    own_p_values : (..., listeners), each listener's own p against the margin
    margin : proportion right where the margin's share is heard
    variance : of one estimate where that is so
    """
    found = np.asarray(estimates, dtype=np.float64)
    listeners = found.shape[-1]
    short = margin - found.mean(axis=-1)
    scatter = np.maximum(found.std(axis=-1, ddof=1), SAME)
    by_rule = ndtr(-short / sqrt(variance / listeners))
    by_scatter = stdtr(listeners - 1, -short / (scatter / sqrt(listeners)))
    return np.minimum(np.maximum(by_rule, by_scatter), np.asarray(own_p_values).max(axis=-1))
