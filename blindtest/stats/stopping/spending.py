"""How much of alpha may be spent by which share of the trials.

Lan & DeMets 1983 (Biometrika 70, 659): a rising function of the share of trials that is 0 at the start and alpha at the
end. The looks need not be planned; the function must be. One-sided forms:

- "obrien-fleming" 2 (1 - Phi(z(1 - alpha/2) / sqrt(t))): hardly anything early, nearly all of alpha at the end;
- "pocock" alpha ln(1 + (e - 1) t): about as hard at each look;
- "linear" alpha t: in between (the power family of Kim & DeMets 1987, Biometrika 74, 149, with power 1).
"""

from collections.abc import Callable
from math import e, log, sqrt
from typing import Literal

from scipy.special import ndtr, ndtri

__all__ = ["SPENDING", "Spending", "spent"]

Spending = Literal["obrien-fleming", "pocock", "linear"]


def _obrien_fleming(share: float, alpha: float) -> float:
    return 0.0 if share == 0 else 2 * float(ndtr(ndtri(alpha / 2) / sqrt(share)))


def _pocock(share: float, alpha: float) -> float:
    return alpha * log(1 + (e - 1) * share)


def _linear(share: float, alpha: float) -> float:
    return alpha * share


SPENDING: dict[str, Callable[[float, float], float]] = {
    "obrien-fleming": _obrien_fleming,
    "pocock": _pocock,
    "linear": _linear,
}
"""(share of the trials, alpha) -> what may be spent by then."""


def spent(share: float, *, alpha: float, spending: Spending) -> float:
    """Return the part of `alpha` that may be spent by this share of the trials, 0 ... 1."""
    if spending not in SPENDING:
        raise ValueError(f"no spending function {spending!r} (there are: {', '.join(SPENDING)})")
    if not 0 <= share <= 1:
        raise ValueError(f"the share of trials must lie in 0 ... 1, got {share}")
    # At the end all of it, whatever rounding made of the formula.
    return alpha if share == 1 else min(alpha, SPENDING[spending](share, alpha))
