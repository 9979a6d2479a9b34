"""What `survival` returns: the verdict, what it rests on, and what stands beside it."""

from dataclasses import dataclass, field
from math import isfinite
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from blindtest.stats.contrasts import (
    LEAST_UNITS,
    STATES,
    Contrasts,
    State,
    paired_contrasts,
    remaining_states,
    two_sample_contrasts,
)
from blindtest.stats.other_scales import OtherScale
from blindtest.stats.panel_scatter import contrasts_like
from blindtest.stats.plain import plain
from blindtest.stats.second_opinion import MixedOpinion
from blindtest.stats.survival_planning import SurvivalPower, chances_of_contrasts, effects_of_each_state
from blindtest.stats.verdict import Effect, Verdict

__all__ = ["ContrastVerdict", "Rejection", "Scattered", "SurvivalResult"]

STUDIES = 4000
"""Simulated for each true effect in `SurvivalResult.power`."""


class Scattered(NamedTuple):
    """A panel's effects, (2, listeners, clips) labelled and blind, and which listeners were blind first."""

    order: NDArray[np.bool_] | None
    differences: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rejection:
    """A state of the partition, and one condition that would reject it."""

    state: State
    condition: str
    """d: blind effect, s: labelled effect, L and U: one-sided t limits, M: margin, rho: share kept."""
    limit: float
    """The limit that the condition looks at."""
    rejected: bool

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class ContrastVerdict:
    """What one effect per listener and mode says of the same ratings, t with listeners - 1: about these clips."""

    verdict: Verdict
    reason: str
    remaining: tuple[State, ...]
    labelled: Effect
    blind: Effect
    difference: Effect
    kept_contrast: Effect
    listeners: int

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        why = f" ({self.reason})" if self.reason else ""
        return (
            f"One contrast per listener, about these clips: {self.verdict}{why}; labelled {_shown(self.labelled)}, "
            f"blind {_shown(self.blind)}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "sentence")


@dataclass(frozen=True, slots=True, kw_only=True)
class SurvivalResult:
    """Whether an impression survives blinding, and what that rests on."""

    verdict: Verdict
    reason: str
    """Why it is undecided, or nothing is on record; empty for a verdict of one state."""
    remaining: tuple[State, ...]
    """States that are not rejected; one: the verdict."""
    device: str
    comparator: str
    labelled: Effect
    """s, device minus comparator, points."""
    blind: Effect
    """d."""
    difference: Effect
    """d - s."""
    kept_contrast: Effect
    """d - rho s: what is left of the effect beyond the share that counts as kept."""
    unit: str
    """"listener" or "sitting": what the limits are computed over."""
    units: tuple[int, int]
    """Number of units, labelled and blind."""
    listeners: tuple[str, ...]
    clips: tuple[str, ...]
    margin: float
    kept: float
    alpha: float
    rejections: tuple[Rejection, ...]
    other_scales: tuple[OtherScale, ...]
    mixed_model: MixedOpinion
    clips_drawn: bool
    """Whether clips count as a sample of clips; False: the verdict is about these."""
    order_effect: Effect | None
    """Of the blind effect: listeners who were blind first minus those labelled first; None: one order, or not known."""
    contrasts: ContrastVerdict | None
    """The companion of a panel's model; None where the verdict rests on such contrasts itself."""
    spreads: tuple[float, float, float]
    """Standard deviation of the effects over units, labelled and blind, and their correlation (0 for sittings)."""
    clip_spread: float
    """Standard deviation of the blind effect between clips, beyond chance; nan where it was not estimated."""
    scatter: Scattered | None = field(compare=False, repr=False)
    """Order and effects of listeners on clips that a panel's power is simulated from; not part of `to_dict`."""
    without_rating: int
    """Rows without a rating; left out."""
    other_phases: int
    """Rows of practice or worn listening; never compared."""
    remarks: tuple[str, ...]
    assumptions: tuple[str, ...]
    method: str
    source: str = (
        "partition by one-sided t limits, claims section 4; Clark 1973 for clips as a sample; Welch 1947 for sittings"
    )

    @property
    def reading(self) -> str:
        """The verdict with its reason: "undecided: medium and blinding not separated ..."."""
        return f"{self.verdict}: {self.reason}" if self.reason else self.verdict

    @property
    def scope(self) -> str:
        """For whom it holds."""
        if self.unit == "sitting":
            return "for this listener and these clips"
        return "for listeners and clips like these" if self.clips_drawn else "for listeners like these and these clips"

    @property
    def smallest_alpha(self) -> float | None:
        """The smallest alpha at which the verdict would be this one; None where it names no state."""
        return _smallest_alpha(self)

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        return (
            f"{self.reading}, {self.scope}. {self.device} over {self.comparator}: labelled {_shown(self.labelled)}, "
            f"blind {_shown(self.blind)}, blind minus labelled {_shown(self.difference)} points; margin "
            f"{self.margin:g}, kept {self.kept:.3g}, alpha {self.alpha:g}, {_counted(self.unit, self.units)}"
            f"{f', {len(self.clips)} clips' if self.clips_drawn else ''}."
        )

    @property
    def power(self) -> SurvivalPower | None:
        """What a study of this size and these spreads reaches, with the labelled effect found; None without spreads.

        Simulated with a fixed seed. It says what could have been found, never whether it was.
        """
        return _power(self)

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentences and power included."""
        shown = plain(self, "reading", "scope", "sentence", "smallest_alpha", "power")
        del shown["scatter"]
        return shown


def _shown(effect: Effect) -> str:
    low, high = effect.interval
    if not isfinite(effect.estimate):
        return "not rated"
    if not isfinite(low):
        return f"{effect.estimate:+.1f} (one value: no interval)"
    return f"{effect.estimate:+.1f} ({low:+.1f} to {high:+.1f})"


def _counted(unit: str, units: tuple[int, int]) -> str:
    if unit == "sitting":
        return f"{units[0]} labelled and {units[1]} blind sittings"
    return f"{units[1] or units[0]} listeners" if min(units) else f"{units[0]} labelled, {units[1]} blind listeners"


def _smallest_alpha(result: SurvivalResult) -> float | None:
    if result.verdict not in STATES:
        return None
    contrasts = Contrasts(
        labelled=result.labelled.estimates,
        blind=result.blind.estimates,
        difference=result.difference.estimates,
        kept=result.kept_contrast.estimates,
    )

    def reached(alpha: float) -> bool:
        left = remaining_states(contrasts, margin=result.margin, alpha=alpha)
        return bool(left.sum() == 1 and contrasts.labelled.lower(alpha) > 0)

    # Limits move apart as alpha falls, so fewer states are rejected; repeats on other scales can then only agree more.
    low, high = 0.0, result.alpha
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (low, middle) if reached(middle) else (middle, high)
    return high


def _power(result: SurvivalResult) -> SurvivalPower | None:
    sd_s, sd_d, together = result.spreads
    labelled = result.labelled.estimate
    if not isfinite(sd_s) or not labelled > 0:
        return None
    rng = np.random.default_rng(20_260_101)
    n_s, n_d = result.units
    # Listeners of whom some rated in one mode only are two samples, as contrasts_of has it.
    paired = result.unit == "listener" and n_s == n_d
    if result.scatter is not None:
        order, differences = result.scatter
        noise = contrasts_like(
            differences, kept=result.kept, clips_drawn=result.clips_drawn, order=order, rng=rng, studies=STUDIES
        )
    else:
        z, own = rng.normal(size=(STUDIES, n_s)), rng.normal(size=(STUDIES, n_d))
        if paired:
            own = together * z + np.sqrt(max(0.0, 1 - together**2)) * own
        noise = (paired_contrasts if paired else two_sample_contrasts)(sd_d * own, sd_s * z, kept=result.kept)
    rows = [
        chances_of_contrasts(
            noise,
            truth=(truth, labelled),
            enough=min(n_s, n_d) >= LEAST_UNITS,
            margin=result.margin,
            kept=result.kept,
            alpha=result.alpha,
        )
        for truth in effects_of_each_state(labelled, result.margin, result.kept)
    ]
    return SurvivalPower(
        unit=result.unit,
        listeners=len(result.listeners),
        sittings=(n_s, n_d) if not paired else (1, 1),
        ratings=0,
        margin=result.margin,
        kept=result.kept,
        alpha=result.alpha,
        chances=tuple(rows),
        studies=STUDIES,
        clips_drawn=result.clips_drawn,
        assumptions=(
            "the spreads found are the true ones, effects are normal, the labelled effect is the one found",
            f"seed 20260101, {STUDIES} studies a row",
        ),
    )
