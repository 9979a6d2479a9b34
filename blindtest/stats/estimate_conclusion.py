"""The conclusion of a claim from an estimate whose error has a part of listeners and a part of clips.

The words are those of contrast_conclusion.py; limits and p value are made with the quantile of contrasts.py, which
weighs the two parts.
"""

from math import isfinite

from blindtest.stats.binomial import checked_probability
from blindtest.stats.contrast_conclusion import ContrastConclusion, Side
from blindtest.stats.contrasts import Estimates
from blindtest.stats.direction import Direction
from blindtest.stats.preference import word_of

__all__ = ["conclude_estimate", "p_value_of"]


def p_value_of(estimates: Estimates, *, shift: float = 0.0) -> float:
    """Return the one-sided p of mean > shift: the level at which the lower limit reaches it."""
    distance = float(estimates.mean) - shift
    low, high = 0.0, 0.5
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (low, middle) if float(estimates.half_width(middle)) <= abs(distance) else (middle, high)
    return high if distance >= 0 else 1 - high


def conclude_estimate(
    estimates: Estimates, *, margin: float | None, alpha: float = 0.05, direction: Direction = "two-sided"
) -> ContrastConclusion:
    """Draw the conclusion from one estimate; see contrast_conclusion.py for its words.

    Raises
    ------
    ValueError
        No error to judge by, a margin or alpha out of range.
    """
    checked_probability("alpha", alpha)
    mean, std_error = float(estimates.mean), float(estimates.std_error)
    if not (isfinite(mean) and isfinite(std_error)):
        raise ValueError(f"an estimate and a standard error are needed, got {mean} and {std_error}")
    if margin is not None and not margin > 0:
        raise ValueError(f"the margin must be above 0, got {margin}")
    above = p_value_of(estimates)
    two_sided = direction == "two-sided"
    side: Side = "neither"
    tail = alpha / 2 if two_sided else alpha
    if float(estimates.lower(tail)) > 0:
        side = "claimed"
    elif float(estimates.upper(tail)) < 0:
        side = "other"
    limits = float(estimates.lower(alpha)), float(estimates.upper(alpha))
    within = margin is not None and -margin < limits[0] and limits[1] < margin
    return ContrastConclusion(
        word=word_of(side, within),
        estimate=mean,
        std_error=std_error,
        df=float(estimates.whole_df),
        p_value=min(1.0, 2 * min(above, 1 - above)) if two_sided else above,
        interval=(float(estimates.lower(alpha / 2)), float(estimates.upper(alpha / 2))),
        limits=limits,
        margin=None if margin is None else float(margin),
        alpha=float(alpha),
        direction=direction,
        side=side,
        within_margin=within,
    )
