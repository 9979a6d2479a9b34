"""The partition of a surviving impression, and the t limits it is decided by; over whole arrays of studies at once.

d is the blind effect, s the labelled one, both device minus comparator; M the margin, rho the share that counts as
kept. Exactly one state is true:

    reverses   d <= -M            vanishes   |d| < M
    shrinks    M <= d < rho s     survives   d >= M and d >= rho s

A state is rejected by one-sided t limits; what is left is the verdict. d - rho s is linear in the data, so no interval
of a ratio is needed. As the one true state is rejected in at most alpha of studies, a verdict of one state is wrong at
most that often. Source: claims, section 4; Welch 1947 (Biometrika 34, 28) for two samples; Cochran & Cox 1957
(Experimental Designs, 2nd ed., section 4.14, from memory) for two parts of one error.
"""

from dataclasses import dataclass, field
from math import sqrt
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

__all__ = [
    "LEAST_UNITS",
    "STATES",
    "Contrasts",
    "Estimates",
    "State",
    "paired_contrasts",
    "reasons",
    "remaining_states",
    "true_state",
    "two_sample_contrasts",
]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
State = Literal["reverses", "vanishes", "shrinks", "survives"]
STATES: tuple[State, ...] = ("reverses", "vanishes", "shrinks", "survives")

LEAST_UNITS = 3
"""With fewer listeners (or sittings in a mode) no verdict is drawn: a spread of two values says next to nothing."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Estimates:
    """A contrast of many studies: mean and standard error, (...); degrees of freedom, (...) or one for all.

    Where clips are a sample of clips, the error has two parts that are known to different degrees: that of listeners
    (or sittings) with `df` and that of clips with `clip_df`. The quantile is the mean of the two, weighed by their
    shares of the variance, after Cochran and Cox for the difference of two means; so limits keep what they promise
    where Satterthwaite's single number of degrees of freedom promises too much (four degrees of freedom of five clips).
    No limit is closer than that of either part alone.
    """

    mean: Floats
    std_error: Floats
    """Infinite where a single unit leaves no spread to judge by."""
    df: Floats
    clip_variance: Floats = field(default_factory=lambda: np.asarray(0.0))
    """What clips add to the variance of the mean; 0 where they are these clips, or vary no more than chance."""
    clip_floor: Floats = field(default_factory=lambda: np.asarray(0.0))
    """The variance that clips show by themselves, chance included; 0 where they add nothing."""
    clip_df: Floats = field(default_factory=lambda: np.asarray(1.0))

    def half_width(self, alpha: float) -> Floats:
        """Return the distance of a one-sided limit from the mean."""
        own = stdtrit(self.df, 1 - alpha)
        if not np.any(self.clip_variance):
            return np.asarray(own * self.std_error)
        clips = stdtrit(self.clip_df, 1 - alpha)
        variance = self.std_error**2
        share = np.where(self.clip_variance > 0, self.clip_variance / np.where(variance > 0, variance, 1.0), 0.0)
        weighed = ((1 - share) * own + share * clips) * self.std_error
        alone = own * np.sqrt(np.maximum(variance - self.clip_variance, 0.0))
        return np.maximum(np.maximum(weighed, alone), clips * np.sqrt(self.clip_floor))

    @property
    def whole_df(self) -> Floats:
        """Degrees of freedom of the whole error, by Satterthwaite's rule: to read, not what limits are made with."""
        if not np.any(self.clip_variance):
            return self.df
        variance = self.std_error**2
        own = np.maximum(variance - self.clip_variance, 0.0)
        with np.errstate(invalid="ignore", divide="ignore"):
            found = variance**2 / (own**2 / self.df + self.clip_floor**2 / self.clip_df)
        return np.where(self.clip_variance > 0, found, self.df)

    def lower(self, alpha: float) -> Floats:
        """Return the one-sided lower t limit."""
        return np.asarray(self.mean - self.half_width(alpha))

    def upper(self, alpha: float) -> Floats:
        """Return the one-sided upper t limit."""
        return np.asarray(self.mean + self.half_width(alpha))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Contrasts:
    """The four contrasts of many studies."""

    labelled: Estimates
    blind: Estimates
    difference: Estimates
    """d - s."""
    kept: Estimates
    """d - rho s."""


def _of_one_sample(values: Floats, least_sd: float) -> Estimates:
    n = values.shape[-1]
    shape = values.shape[:-1]
    if n < 2:
        mean = values.mean(axis=-1) if n else np.full(shape, np.nan)
        return Estimates(mean=np.asarray(mean), std_error=np.full(shape, np.inf), df=np.asarray(1.0))
    sd = np.maximum(values.std(axis=-1, ddof=1), least_sd)
    return Estimates(
        mean=np.asarray(values.mean(axis=-1)), std_error=np.asarray(sd / np.sqrt(n)), df=np.asarray(n - 1.0)
    )


def _of_two_samples(blind: Estimates, labelled: Estimates, share: float) -> Estimates:
    """Return d - share * s of independent samples, with the degrees of freedom of Welch 1947."""
    a, b = blind.std_error**2, (share * labelled.std_error) ** 2
    with np.errstate(invalid="ignore", divide="ignore"):
        df = (a + b) ** 2 / (a**2 / blind.df + b**2 / labelled.df)
    spread = np.isfinite(a) & np.isfinite(b) & (a + b > 0)
    return Estimates(
        mean=np.asarray(blind.mean - share * labelled.mean),
        std_error=np.asarray(np.sqrt(a + b)),
        df=np.where(spread, df, np.minimum(blind.df, labelled.df)),
    )


def paired_contrasts(blind: ArrayLike, labelled: ArrayLike, *, kept: float, least_sd: float = 0.0) -> Contrasts:
    """Return the contrasts of effects measured on the same units, (..., units) each: t with units - 1.

    Parameters
    ----------
    least_sd : standard deviation of one effect below which rounding hides it; see `rounding_sd`
    """
    d, s = np.asarray(blind, dtype=np.float64), np.asarray(labelled, dtype=np.float64)
    return Contrasts(
        labelled=_of_one_sample(s, least_sd),
        blind=_of_one_sample(d, least_sd),
        difference=_of_one_sample(d - s, least_sd * np.sqrt(2)),
        kept=_of_one_sample(d - kept * s, least_sd * np.sqrt(1 + kept**2)),
    )


def two_sample_contrasts(blind: ArrayLike, labelled: ArrayLike, *, kept: float, least_sd: float = 0.0) -> Contrasts:
    """Return the contrasts of effects measured on different units, (..., sittings) each: Welch's degrees of freedom."""
    d = _of_one_sample(np.asarray(blind, dtype=np.float64), least_sd)
    s = _of_one_sample(np.asarray(labelled, dtype=np.float64), least_sd)
    return Contrasts(labelled=s, blind=d, difference=_of_two_samples(d, s, 1.0), kept=_of_two_samples(d, s, kept))


def reasons(contrasts: Contrasts, *, margin: float, alpha: float) -> dict[State, tuple[tuple[str, Bools, Floats], ...]]:
    """Return, for each state, the conditions any of which rejects it: what it says, whether it holds, the limit."""
    d, kept = contrasts.blind, contrasts.kept
    half = alpha / 2
    below_margin = ("U(d) < M at alpha/2", d.upper(half) < margin, d.upper(half))
    return {
        "reverses": (("L(d) > -M at alpha", d.lower(alpha) > -margin, d.lower(alpha)),),
        "vanishes": (
            ("L(d) >= M at alpha", d.lower(alpha) >= margin, d.lower(alpha)),
            ("U(d) <= -M at alpha", d.upper(alpha) <= -margin, d.upper(alpha)),
        ),
        "shrinks": (below_margin, ("L(d - rho s) >= 0 at alpha/2", kept.lower(half) >= 0, kept.lower(half))),
        "survives": (below_margin, ("U(d - rho s) < 0 at alpha/2", kept.upper(half) < 0, kept.upper(half))),
    }


def remaining_states(contrasts: Contrasts, *, margin: float, alpha: float) -> Bools:
    """Return which states are not rejected, (..., 4) in the order of STATES; at least one always remains."""
    conditions = reasons(contrasts, margin=margin, alpha=alpha)
    return np.stack([~np.any([holds for _, holds, _ in conditions[state]], axis=0) for state in STATES], axis=-1)


def true_state(blind: float, labelled: float, *, margin: float, kept: float) -> State:
    """Return the one state that is true of these effects."""
    if blind <= -margin:
        return "reverses"
    if blind < margin:
        return "vanishes"
    return "survives" if blind >= kept * labelled else "shrinks"


def rounding_sd(step: float, averaged: int) -> float:
    """Return the standard deviation of two means of `averaged` ratings that differ by one step of the scale.

    Ratings are whole numbers, say; effects that come out exactly alike have been measured no finer than that. As floor
    of the spread it keeps a few equal values from passing for certainty.
    """
    return step / max(averaged, 1) / sqrt(2)
