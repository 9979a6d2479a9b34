"""What a panel's ratings can show about the difference of two devices, before anybody rates.

Every listener rates every device on every clip, some times. A difference of two devices varies over listeners and, if
the result is to hold for other clips too, over clips; ratings scatter. Standard deviations are those of the difference,
as everybody can estimate them from a pilot: `sd_listener` of listeners' own differences, `sd_clip` of clips', and
`sd_residual` of a single rating.

- Clips taken as these clips: listeners' mean differences are tested by t with (listeners - 1)(devices - 1) degrees of
  freedom, and the power is exact (noncentral t), as is that of the mixed model, which is the same test in a balanced
  design.
- Clips taken as a sample of others: the variance of the contrast adds up three mean squares, and its degrees of freedom
  are Satterthwaite's; the noncentral t is an approximation then, held against simulated fits of the mixed model in the
  tests (`simulated_contrast_power`). Rather too little is promised than too much: .65 where twelve listeners, five
  clips and one rating of each gave .70, and .59 where they gave .65 of *negligible* (300 studies, standard error .03:
  promised_chances.csv in tests/references/stats).

Sources: Satterthwaite 1946 (Biometrics Bull. 2, 110) for the degrees of freedom; Westfall, Kenny & Judd 2014 (J. Exp.
Psychol. General 143, 2020) for power with crossed samples of people and stimuli; Schuirmann 1987 for *negligible* by
two one-sided tests. Volumes and pages from memory.
"""

from dataclasses import dataclass, replace
from math import inf, isfinite, sqrt
from operator import index
from typing import Any

import numpy as np
from scipy.special import chdtri, nctdtr, ndtr, stdtrit

from blindtest.stats.binomial import checked_probability
from blindtest.stats.plain import plain
from blindtest.stats.planning import LEAST_CHANCE

__all__ = [
    "ContrastDesign",
    "ContrastPower",
    "contrast_power",
    "contrast_sample_size",
    "detectable_difference",
    "power_of_t",
]

MOST_LISTENERS = 2000
CELLS = 4001
"""Points at which the chance of *negligible* is added up over the scatter found."""
NORMAL = "effects of listeners and clips, and the scatter of ratings, are normal; the scale has no ends"


@dataclass(frozen=True, slots=True, kw_only=True)
class ContrastDesign:
    """A balanced panel: each listener rates each device on each clip, `repeats` times."""

    listeners: int
    clips: int
    repeats: int = 1
    devices: int = 2
    sd_listener: float = 8.0
    """Of a listener's own difference between two devices, points."""
    sd_clip: float = 4.0
    """Of a clip's; 0 if clips are only these clips."""
    sd_residual: float = 12.0
    """Of a single rating."""
    clips_are_a_sample: bool = True
    """Whether the result is to hold for clips like these; else for these clips only."""

    def __post_init__(self) -> None:
        for name, least in (("listeners", 1), ("clips", 1), ("repeats", 1), ("devices", 2)):
            if index(getattr(self, name)) < least:
                raise ValueError(f"{name} must be {least} or more, got {getattr(self, name)}")
        for name in ("sd_listener", "sd_clip", "sd_residual"):
            if not 0 <= getattr(self, name) < inf:
                raise ValueError(f"{name} must be 0 or more, got {getattr(self, name)}")

    @property
    def ratings(self) -> int:
        """Ratings of the whole panel."""
        return self.listeners * self.clips * self.repeats * self.devices

    @property
    def mean_squares(self) -> tuple[tuple[float, int, float], ...]:
        """Expected mean squares of cells' differences that make up the contrast: (size, df, sign)."""
        scatter = 2 * self.sd_residual**2 / self.repeats
        others = self.devices - 1
        of_listeners = (scatter + self.clips * self.sd_listener**2, (self.listeners - 1) * others, 1.0)
        if not self.clips_are_a_sample:
            return (of_listeners,)
        of_clips = (scatter + self.listeners * self.sd_clip**2, (self.clips - 1) * others, 1.0)
        left = self.ratings - self.devices * (self.listeners + self.clips - 1)
        return (of_listeners, of_clips, (scatter, left, -1.0))

    @property
    def std_error(self) -> float:
        """Standard error of a difference of two devices; infinite where the design has no degrees of freedom for it."""
        parts = self.mean_squares
        if any(df < 1 for _, df, _ in parts):
            return inf
        return sqrt(sum(sign * size for size, _, sign in parts) / (self.listeners * self.clips))

    @property
    def df(self) -> float:
        """Degrees of freedom of the test: exact for these clips, Satterthwaite's for a sample; 0 if there are none."""
        parts = self.mean_squares
        if any(df < 1 for _, df, _ in parts):
            return 0.0
        total = sum(sign * size for size, _, sign in parts)
        spread = sum(size**2 / df for size, df, _ in parts)
        return total**2 / spread if spread > 0 else float(parts[0][1])

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "ratings", "std_error", "df")


@dataclass(frozen=True, slots=True, kw_only=True)
class ContrastPower:
    """What a panel's ratings can show about a difference."""

    design: ContrastDesign
    difference: float
    """The true one assumed, points."""
    alpha: float
    two_sided: bool
    margin: float | None
    power: float
    """How often the difference is shown when it is this large."""
    chance_negligible: float | None
    """How often it ends as negligible when there is none; None without a margin."""
    detectable: float
    """Smallest difference that is shown with probability .8; infinite if none is."""
    critical: float
    """Difference found that is just shown, if the scatter is as assumed."""
    method: str
    std_error: float = 0.0
    """Monte Carlo standard error of `power`; 0 where nothing was simulated."""
    studies: int = 0
    remarks: tuple[str, ...] = ()
    assumptions: tuple[str, ...] = (NORMAL,)
    source: str = "noncentral t; Satterthwaite 1946; Westfall, Kenny & Judd 2014; Schuirmann 1987"

    @property
    def can_fail(self) -> bool:
        """Whether a claim under this plan can fail: *negligible* in at least half of the studies without an effect."""
        return self.chance_negligible is not None and self.chance_negligible >= LEAST_CHANCE

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        design = self.design
        plan = (
            f"{_of(design.listeners, 'listener')}, {_of(design.clips, 'clip')} and {_of(design.repeats, 'rating')} of "
            f"each of {design.devices} devices"
        )
        if design.df < 1:
            return f"{plan} can show nothing: there is nothing to judge the scatter between listeners or clips by."
        simulated = f", Monte Carlo error {self.std_error:.3f}" if self.studies else ""
        text = (
            f"{plan} show a true difference of {self.difference:g} points with probability {self.power:.2f}{simulated} "
            f"({'two-sided' if self.two_sided else 'in the claimed direction'}, alpha {self.alpha:g}); with "
            f"probability .8 it takes {self.detectable:.3g} points."
        )
        if self.chance_negligible is not None:
            text += (
                f" Without any difference it ends as negligible (within {self.margin:g} points) with probability "
                f"{self.chance_negligible:.2f}."
            )
        return text

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "can_fail", "sentence")


def _of(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def power_of_t(difference: float, *, std_error: float, df: float, alpha: float, two_sided: bool = True) -> float:
    """Return how often a t test shows a true difference; exact for a normal estimate with this standard error."""
    if not isfinite(std_error) or df < 1e-9:
        return 0.0
    if std_error == 0:
        return 1.0 if difference > 0 or (two_sided and difference < 0) else 0.0
    nc = difference / std_error
    critical = float(stdtrit(df, 1 - alpha / (2 if two_sided else 1)))
    upper = 1 - float(_nct(df, nc, critical))
    return upper + float(_nct(df, nc, -critical)) if two_sided else upper


def _nct(df: float, nc: float, t: float) -> float:
    # scipy's series gives NaN far out; there the normal limit is right to the last digit shown.
    value = float(nctdtr(df, nc, t))
    return float(ndtr(t - nc)) if value != value else value


def detectable_difference(
    *, std_error: float, df: float, alpha: float = 0.05, power: float = 0.8, two_sided: bool = True
) -> float:
    """Return the difference that a t test shows with probability `power`: what a finished test could have detected."""
    checked_probability("power", power)
    if not isfinite(std_error) or df < 1e-9:
        return inf
    low, high = 0.0, 1.0
    while power_of_t(high, std_error=1.0, df=df, alpha=alpha, two_sided=two_sided) < power:
        high *= 2
        if high > 1e6:
            return inf
    for _ in range(60):
        middle = (low + high) / 2
        if power_of_t(middle, std_error=1.0, df=df, alpha=alpha, two_sided=two_sided) < power:
            low = middle
        else:
            high = middle
    return high * std_error


def _negligible(margin: float, *, std_error: float, df: float, alpha: float) -> float:
    """Return how often both one-sided limits lie inside the margin when there is no difference.

    Given the scatter found, the estimate is normal; the mean over the scatter's distribution is taken at its quantiles.
    """
    if not isfinite(std_error) or df < 1e-9:
        return 0.0
    if std_error == 0:
        return 1.0
    shares = (np.arange(CELLS) + 0.5) / CELLS
    found = std_error * np.sqrt(chdtri(df, shares) / df)
    room = (margin - float(stdtrit(df, 1 - alpha)) * found) / std_error
    return float(np.mean(np.where(room > 0, 2 * ndtr(np.maximum(room, 0)) - 1, 0.0)))


def contrast_power(
    design: ContrastDesign,
    *,
    difference: float,
    alpha: float = 0.05,
    two_sided: bool = True,
    margin: float | None = None,
) -> ContrastPower:
    """Return what a panel's ratings can show about a difference of two devices; see the module.

    Raises
    ------
    ValueError
        A number out of its range.
    """
    checked_probability("alpha", alpha)
    if not isfinite(difference):
        raise ValueError(f"the difference must be finite, got {difference}")
    if margin is not None and not 0 < margin < inf:
        raise ValueError(f"the margin must be above 0, got {margin}")
    scale = {"std_error": design.std_error, "df": design.df}
    sides = {"alpha": alpha, "two_sided": two_sided}
    sample = design.clips_are_a_sample
    return ContrastPower(
        design=design,
        difference=float(difference),
        **sides,  # type: ignore[arg-type]
        margin=None if margin is None else float(margin),
        power=power_of_t(difference, **scale, **sides),  # type: ignore[arg-type]
        chance_negligible=None if margin is None else _negligible(margin, **scale, alpha=alpha),
        detectable=detectable_difference(**scale, **sides),  # type: ignore[arg-type]
        critical=design.std_error * float(stdtrit(max(design.df, 1e-9), 1 - alpha / (2 if two_sided else 1))),
        method="noncentral t with Satterthwaite's degrees of freedom, approximate" if sample else "noncentral t, exact",
        remarks=_remarks(design),
        assumptions=(NORMAL, "clips are a sample of clips like them" if sample else "the result is about these clips"),
    )


def _remarks(design: ContrastDesign) -> tuple[str, ...]:
    if design.clips_are_a_sample and design.clips < 4:
        return (f"{_of(design.clips, 'clip')} say little about other clips: take more, or claim for these clips only",)
    return ()


def contrast_sample_size(
    design: ContrastDesign, *, difference: float, alpha: float = 0.05, power: float = 0.8, two_sided: bool = True
) -> int | None:
    """Return the least number of listeners that shows the difference with probability `power`; None: no number does.

    The listeners of `design` are ignored. With clips as a sample, more listeners can't make up for too few clips.
    """
    checked_probability("power", power)

    def reaches(listeners: int) -> bool:
        at = replace(design, listeners=listeners)
        return power_of_t(difference, std_error=at.std_error, df=at.df, alpha=alpha, two_sided=two_sided) >= power

    low, high = 1, 2
    while not reaches(high):
        low, high = high, high * 2
        if low >= MOST_LISTENERS:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if reaches(middle) else (middle, high)
    return high
