"""The verdict that effects lead to: one state left, several, or nothing on record."""

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from blindtest.stats.binomial import Interval
from blindtest.stats.contrasts import (
    LEAST_UNITS,
    STATES,
    Contrasts,
    Estimates,
    State,
    paired_contrasts,
    remaining_states,
    two_sample_contrasts,
)
from blindtest.stats.plain import plain
from blindtest.stats.ratings import MODES, Effects

__all__ = ["Effect", "Verdict", "contrasts_of", "effect_of", "verdict_of"]

Floats = NDArray[np.float64]
Verdict = Literal["survives", "shrinks", "vanishes", "reverses", "undecided", "nothing on record"]

NOT_SEPARATED = "medium and blinding not separated (no labelled ratings)"
NOT_BLIND = "nothing was rated blind"
NOT_TOGETHER = "no {} sitting holds both devices on one clip"


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """A mean effect with its limits."""

    estimate: float
    interval: Interval
    """Two-sided, at `level`."""
    level: float
    lower_limit: float
    """One-sided, at the same level."""
    upper_limit: float
    std_error: float
    """Infinite where a single unit leaves no spread to judge by."""
    df: float
    """Of the whole standard error; where clips have a part in it, Satterthwaite's approximation, to read."""
    unit_df: float
    """Of the part of listeners (or sittings), which is all of it where clips have none."""
    clip_error: float = 0.0
    """Part of the standard error that comes from clips: 0 where they are these clips, or vary no more than chance."""
    clip_floor: float = 0.0
    """Standard error that clips show by themselves, chance included."""
    clip_df: float = 1.0

    @property
    def estimates(self) -> Estimates:
        """The same as arrays, for limits at other levels."""
        return Estimates(
            mean=np.asarray(self.estimate),
            std_error=np.asarray(self.std_error),
            df=np.asarray(self.unit_df),
            clip_variance=np.asarray(self.clip_error**2),
            clip_floor=np.asarray(self.clip_floor**2),
            clip_df=np.asarray(self.clip_df),
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self)


def contrasts_of(blind: Floats, labelled: Floats, unit: str, kept: float, least_sd: float) -> Contrasts:
    """Return paired contrasts of listeners, or those of two samples."""
    if unit == "listener" and len(blind) == len(labelled):
        return paired_contrasts(blind, labelled, kept=kept, least_sd=least_sd)
    return two_sample_contrasts(blind, labelled, kept=kept, least_sd=least_sd)


def verdict_of(
    contrasts: Contrasts, effects: Effects, *, margin: float, alpha: float
) -> tuple[Verdict, str, tuple[State, ...]]:
    """Return the verdict, its reason and the states that remain."""
    fewest = min(len(effects.labelled), len(effects.blind))
    if not len(effects.labelled):
        return "undecided", NOT_TOGETHER.format("labelled") if effects.half_pages[0] else NOT_SEPARATED, STATES
    if not len(effects.blind):
        return "undecided", NOT_TOGETHER.format("blind") if effects.half_pages[1] else NOT_BLIND, STATES
    if len(_in_both_modes(effects)) < len(effects.names):
        return "undecided", "no listener rated the same clip labelled and blind", STATES
    if fewest < LEAST_UNITS:
        return "undecided", _too_few(effects), STATES
    left = remaining_states(contrasts, margin=margin, alpha=alpha)
    remaining = tuple(state for place, state in enumerate(STATES) if left[place])
    if not contrasts.labelled.lower(alpha) > 0:
        return "nothing on record", "no labelled effect to test", remaining
    if len(remaining) == 1:
        return remaining[0], "", remaining
    return "undecided", f"{', '.join(remaining[:-1])} or {remaining[-1]}", remaining


def _in_both_modes(effects: Effects) -> set[str]:
    held = [{(page.listener, page.clip) for page in effects.pages if page.mode == mode} for mode in MODES]
    return {listener for listener, _ in held[0] & held[1]}


def _too_few(effects: Effects) -> str:
    if effects.unit == "listener":
        return f"{len(effects.blind)} listeners are too few, it takes {LEAST_UNITS} or more"
    return (
        f"{len(effects.labelled)} labelled and {len(effects.blind)} blind sittings of one listener can reach nothing, "
        f"it takes {LEAST_UNITS} or more of each"
    )


def effect_of(estimates: Estimates, alpha: float) -> Effect:
    """Return one study's estimate with its limits."""
    mean, half = float(estimates.mean), float(estimates.half_width(alpha / 2))
    return Effect(
        estimate=mean,
        interval=(mean - half, mean + half),
        level=1 - alpha,
        lower_limit=float(estimates.lower(alpha)),
        upper_limit=float(estimates.upper(alpha)),
        std_error=float(estimates.std_error),
        df=float(estimates.whole_df),
        unit_df=float(estimates.df),
        clip_error=float(np.sqrt(estimates.clip_variance)),
        clip_floor=float(np.sqrt(estimates.clip_floor)),
        clip_df=float(estimates.clip_df),
    )
