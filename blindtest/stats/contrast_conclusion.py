"""The conclusion of a claim that one device is rated above another: a difference against a margin.

- *shown*: p <= alpha, and the claimed device is above;
- *refuted*: p <= alpha, and it is below;
- *negligible*: both one-sided limits lie inside -+ margin (two one-sided tests: Schuirmann 1987);
- *open*: none of these.

Where a difference is established and still lies inside the margin the word is *negligible*, as for whatever is heard
(conclusion.py), and `side` says the rest.
"""

from dataclasses import dataclass
from math import inf, isfinite, isinf
from typing import Any, Literal

from scipy.special import ndtr, ndtri, stdtr, stdtrit

from blindtest.stats.binomial import Interval, checked_probability
from blindtest.stats.direction import Direction, check_direction
from blindtest.stats.plain import plain
from blindtest.stats.preference import PreferenceWord, word_of

__all__ = ["ContrastConclusion", "conclude_contrast"]

Side = Literal["claimed", "other", "neither"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ContrastConclusion:
    """What an estimated difference says about a claim."""

    word: PreferenceWord
    estimate: float
    """Claimed device less the other one, points."""
    std_error: float
    df: float
    """Infinite where the normal distribution is used."""
    p_value: float
    """Against no difference, on the side or sides that `direction` says."""
    interval: Interval
    """Two-sided, at `1 - alpha`."""
    limits: Interval
    """One-sided, at `1 - alpha` each: what *negligible* compares with the margin."""
    margin: float | None
    """Points; None: *negligible* is out of reach."""
    alpha: float
    direction: Direction
    side: Side
    within_margin: bool
    method: str = "t limits of a contrast"
    source: str = "Student 1908; Schuirmann 1987"
    assumptions: tuple[str, ...] = ("those of the model the contrast comes from", "the margin was fixed beforehand")

    @property
    def sentence(self) -> str:
        """The conclusion in plain words."""
        text = f"{self.word}: {_MEANING[self.word]}"
        if self.word == "negligible" and self.side != "neither":
            text = "negligible: they are rated apart, yet by less than what was declared to matter"
        low, high = self.interval
        sides = "two-sided" if self.direction == "two-sided" else "in the claimed direction"
        text += (
            f". Difference {self.estimate:+.2f} ({low:+.2f} to {high:+.2f}, {100 * (1 - self.alpha):g} %), p = "
            f"{self.p_value:.3g} ({sides}"
        )
        text += ")." if isinf(self.df) else f", {self.df:.1f} degrees of freedom)."
        if self.margin is not None:
            text += (
                f" One-sided limits {self.limits[0]:+.2f} and {self.limits[1]:+.2f}, to be held against ±"
                f"{self.margin:g}."
            )
        return text

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        return plain(self, "sentence")


_MEANING: dict[PreferenceWord, str] = {
    "shown": "the claimed device is rated above",
    "refuted": "the claimed device is rated below",
    "negligible": "neither is rated above by what was declared to matter",
    "open": "neither no difference nor one that matters can be ruled out",
}


def conclude_contrast(
    estimate: float,
    std_error: float,
    df: float = inf,
    *,
    margin: float | None,
    alpha: float = 0.05,
    direction: Direction = "two-sided",
) -> ContrastConclusion:
    """Draw the conclusion from an estimated difference and its standard error; see the module for its words.

    Raises
    ------
    ValueError
        A standard error that is none, degrees of freedom not above 0, a margin or alpha out of range.
    """
    checked_probability("alpha", alpha)
    if not (isfinite(estimate) and 0 < std_error < inf):
        raise ValueError(f"an estimate and a standard error above 0 are needed, got {estimate} and {std_error}")
    if not df > 0:
        raise ValueError(f"degrees of freedom must be above 0, got {df}")
    if margin is not None and not 0 < margin < inf:
        raise ValueError(f"the margin must be above 0, got {margin}")
    check_direction(direction)
    t = estimate / std_error
    two_sided = direction == "two-sided"
    p = 2 * _below(-abs(t), df) if two_sided else _below(-t, df)
    tail = alpha / (2 if two_sided else 1)
    side: Side = "neither"
    if _below(-t, df) <= tail:
        side = "claimed"
    elif _below(t, df) <= tail:
        side = "other"
    wide, narrow = (std_error * _quantile(1 - share, df) for share in (alpha / 2, alpha))
    limits = estimate - narrow, estimate + narrow
    within = margin is not None and -margin < limits[0] and limits[1] < margin
    return ContrastConclusion(
        word=word_of(side, within),
        estimate=float(estimate),
        std_error=float(std_error),
        df=float(df),
        p_value=p,
        interval=(estimate - wide, estimate + wide),
        limits=limits,
        margin=None if margin is None else float(margin),
        alpha=float(alpha),
        direction=direction,
        side=side,
        within_margin=within,
    )


def _below(t: float, df: float) -> float:
    return float(ndtr(t) if isinf(df) else stdtr(df, t))


def _quantile(share: float, df: float) -> float:
    return float(ndtri(share) if isinf(df) else stdtrit(df, share))
