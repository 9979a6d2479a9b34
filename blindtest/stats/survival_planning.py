"""Which verdicts a plan of labelled and blind ratings can reach, before anybody listens: simulated.

For a panel the effect of one listener on one clip is drawn as the means of the ratings would show it: true effect, plus
what this listener hears in the device in both modes, plus what comes new in each mode, the same two of the clip, plus
the mean of the ratings' scatter. For a single listener it is the effect of a sitting. The verdict is that of
impressions.py without its repeats on other scales. Thousands of studies are judged at once; the scatter does not
depend on the true effects, so it is drawn once for all of them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import sqrt
from operator import index
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blindtest.stats.binomial import checked_probability
from blindtest.stats.contrasts import (
    LEAST_UNITS,
    STATES,
    Contrasts,
    Estimates,
    State,
    paired_contrasts,
    remaining_states,
    true_state,
    two_sample_contrasts,
)
from blindtest.stats.panel_scatter import Spreads, panel_contrasts
from blindtest.stats.plain import plain
from blindtest.stats.planning import LEAST_CHANCE
from blindtest.stats.two_way import LEAST_CLIPS

__all__ = [
    "SurvivalPower",
    "VerdictChances",
    "chances_of_contrasts",
    "chances_of_verdicts",
    "survival_power",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictChances:
    """How often each verdict is reached when these effects are the true ones."""

    labelled: float
    blind: float
    true_state: State
    survives: float
    shrinks: float
    vanishes: float
    reverses: float
    undecided: float
    nothing_on_record: float

    @property
    def right(self) -> float:
        """How often the verdict is the true state."""
        return float(getattr(self, self.true_state))

    @property
    def wrong(self) -> float:
        """How often the verdict is a state that is not true."""
        return self.survives + self.shrinks + self.vanishes + self.reverses - self.right

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "right", "wrong")


@dataclass(frozen=True, slots=True, kw_only=True)
class SurvivalPower:
    """Which verdicts a plan can reach, and how often, for several true blind effects."""

    unit: str
    """"listener" (a panel) or "sitting" (a single listener)."""
    listeners: int
    sittings: tuple[int, int]
    """Labelled and blind, of each listener."""
    ratings: int
    """Of each device, in each mode and sitting: clips x repeats; 0 where observed spreads stand for it."""
    margin: float
    kept: float
    alpha: float
    chances: tuple[VerdictChances, ...]
    studies: int
    """Simulated for each row of `chances`."""
    clips_drawn: bool = False
    """Whether the verdict would be about clips like these; False: about these clips."""
    assumptions: tuple[str, ...]
    source: str = "simulated; claims, section 4"

    @property
    def std_error(self) -> float:
        """Largest Monte Carlo standard error of a chance."""
        return 0.5 / sqrt(self.studies)

    @property
    def chance_to_vanish(self) -> float:
        """How often *vanishes* is reached when the blind effect is 0."""
        return max((row.vanishes for row in self.chances if row.blind == 0), default=0.0)

    @property
    def can_fail(self) -> bool:
        """Whether a claim under this plan can fail: *vanishes* in at least half of the studies in which it is true."""
        return self.chance_to_vanish >= LEAST_CHANCE

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        plan = (
            f"{self.listeners} listeners"
            if self.unit == "listener"
            else f"One listener with {self.sittings[0]} labelled and {self.sittings[1]} blind sittings"
        )
        if all(row.right == 0 for row in self.chances):
            return (
                f"{plan} can reach no verdict at all: it takes {LEAST_UNITS} {self.unit}s or more"
                f"{' in each mode' if self.unit == 'sitting' else ''} and smaller scatter."
            )
        reached = ", ".join(f"{row.true_state} {row.right:.2f} (blind effect {row.blind:.3g})" for row in self.chances)
        labelled, most = self.chances[0].labelled, max(row.wrong for row in self.chances)
        wrong = f"at most {most:.3f}" if most >= 0.0005 else "fewer than 0.001"
        return (
            f"{plan}, labelled effect {labelled:.3g}, margin {self.margin:g}: the true state becomes the verdict with "
            f"probability {reached}; else it is undecided, and wrong in {wrong}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "std_error", "chance_to_vanish", "can_fail", "sentence")


def survival_power(
    *,
    listeners: int | None = None,
    sittings: int | tuple[int, int] = 1,
    clips: int,
    repeats: int = 1,
    labelled: float = 20.0,
    blind: Sequence[float] | None = None,
    sd_listener: float = 8.0,
    sd_mode: float = 6.0,
    sd_residual: float = 12.0,
    sd_clip: float = 0.0,
    sd_clip_mode: float = 0.0,
    only_these_clips: bool | None = None,
    margin: float = 8.0,
    kept: float = 2 / 3,
    alpha: float = 0.05,
    rng: np.random.Generator,
    studies: int = 4000,
) -> SurvivalPower:
    """Return how often a plan reaches each verdict, for several true blind effects; simulated.

    Parameters
    ----------
    listeners : of a panel, each in both modes; None or 1: a single listener, judged by sittings
    sittings : in each mode (labelled and blind, where two numbers are given), of each listener
    clips, repeats : ratings of each device in one sitting are clips x repeats
    labelled, blind : true effects, points; blind default: one for each state that can be true
    sd_listener : of the effect between listeners, the same in both modes; no part of a single listener's verdict
    sd_mode : of what is new in each mode: between listeners of a panel, between sittings of a single listener
    sd_residual : of a single rating
    sd_clip, sd_clip_mode : of the effect between clips, the same in both modes and new in each mode: for a panel whose
        clips are a sample of clips
    only_these_clips : as in `survival`: None takes clips for a sample of clips where there are five or more
    rng : numpy's generator; the same seed gives the same result
    studies : simulated for each blind effect

    Raises
    ------
    ValueError
        A number out of its range.
    """
    who = 1 if listeners is None else index(listeners)
    times = (
        (index(sittings), index(sittings)) if isinstance(sittings, int) else (index(sittings[0]), index(sittings[1]))
    )
    for name, count in (("listeners", who), ("sittings", min(times)), ("clips", clips), ("repeats", repeats)):
        if index(count) < 1:
            raise ValueError(f"{name} must be 1 or more, got {count}")
    spreads = Spreads(
        listener=sd_listener,
        labelled=sd_mode,
        blind=sd_mode,
        clip=sd_clip,
        clip_labelled=sd_clip_mode,
        clip_blind=sd_clip_mode,
        rating=sd_residual,
    )
    for name, sd in (
        ("sd_listener", sd_listener),
        ("sd_mode", sd_mode),
        ("sd_residual", sd_residual),
        ("sd_clip", sd_clip),
        ("sd_clip_mode", sd_clip_mode),
    ):
        if not 0 <= sd < np.inf:
            raise ValueError(f"{name} must be 0 or more, got {sd}")
    checked_rule(margin, kept, alpha, studies)
    single = who == 1
    drawn = not single and not only_these_clips and clips >= LEAST_CLIPS
    if single:
        scatter = sqrt(sd_mode**2 + sd_residual**2 * 2 / (clips * repeats))
        noise = two_sample_contrasts(
            rng.normal(0.0, scatter, (studies, times[1])), rng.normal(0.0, scatter, (studies, times[0])), kept=kept
        )
    else:
        noise = panel_contrasts(
            spreads,
            listeners=who,
            clips=clips,
            ratings=(repeats * times[0], repeats * times[1]),
            kept=kept,
            clips_drawn=drawn,
            rng=rng,
            studies=studies,
        )
    enough = (min(times) if single else who) >= LEAST_UNITS
    rows = [
        chances_of_contrasts(
            noise, truth=(float(truth), float(labelled)), enough=enough, margin=margin, kept=kept, alpha=alpha
        )
        for truth in (effects_of_each_state(labelled, margin, kept) if blind is None else blind)
    ]
    return SurvivalPower(
        unit="sitting" if single else "listener",
        listeners=who,
        sittings=times,
        ratings=clips * repeats,
        margin=float(margin),
        kept=float(kept),
        alpha=float(alpha),
        chances=tuple(rows),
        studies=studies,
        clips_drawn=drawn,
        assumptions=(
            "effects and scatter are normal, the scale has no ends, ratings are not rounded",
            f"standard deviations: {sd_mode:g} new in each mode, {sd_residual:g} of a rating"
            + ("" if single else f", {sd_listener:g} between listeners")
            + (f", {sd_clip:g} between clips" if drawn else "")
            + (f", {sd_clip_mode:g} between clips new in each mode" if drawn and sd_clip_mode else ""),
            f"the {clips} clips are a sample of clips" if drawn else "clips are these clips, no sample of others",
            "the repeats on other scales are not simulated: they can only turn a verdict into undecided",
        ),
    )


def checked_rule(margin: float, kept: float, alpha: float, studies: int) -> None:
    if not 0 < margin < np.inf:
        raise ValueError(f"the margin must be above 0, got {margin}")
    if not 0 < kept <= 1:
        raise ValueError(f"the share kept must lie above 0, up to 1, got {kept}")
    checked_probability("alpha", alpha)
    if index(studies) < 1:
        raise ValueError(f"studies must be 1 or more, got {studies}")


def effects_of_each_state(labelled: float, margin: float, kept: float) -> tuple[float, ...]:
    """Return a blind effect for each state: all of the labelled one, none, three quarters of it turned round, some."""
    effects = [max(labelled, margin), 0.0, -max(0.75 * labelled, margin)]
    if kept * labelled > margin:
        effects.insert(1, (margin + kept * labelled) / 2)
    return tuple(effects)


def chances_of_verdicts(
    blind: Floats,
    labelled: Floats,
    *,
    paired: bool,
    truth: tuple[float, float],
    margin: float,
    kept: float,
    alpha: float,
) -> VerdictChances:
    """Return how often simulated effects, (studies, units) each, lead to each verdict.

    Parameters
    ----------
    paired : the units of both arrays are the same listeners; else different sittings
    truth : the true blind and labelled effect
    """
    contrasts = (paired_contrasts if paired else two_sample_contrasts)(blind, labelled, kept=kept)
    enough = min(blind.shape[-1], labelled.shape[-1]) >= LEAST_UNITS
    return _chances(contrasts, truth=truth, enough=enough, margin=margin, kept=kept, alpha=alpha)


def chances_of_contrasts(
    noise: Contrasts, *, truth: tuple[float, float], enough: bool = True, margin: float, kept: float, alpha: float
) -> VerdictChances:
    """Return how often contrasts simulated with true effects of 0 lead to each verdict where `truth` holds.

    Parameters
    ----------
    truth : the true blind and labelled effect
    enough : whether there are units enough for a verdict
    """
    blind, labelled = truth

    def moved(estimates: Estimates, effect: float) -> Estimates:
        return replace(estimates, mean=estimates.mean + effect)

    contrasts = Contrasts(
        labelled=moved(noise.labelled, labelled),
        blind=moved(noise.blind, blind),
        difference=moved(noise.difference, blind - labelled),
        kept=moved(noise.kept, blind - kept * labelled),
    )
    return _chances(contrasts, truth=truth, enough=enough, margin=margin, kept=kept, alpha=alpha)


def _chances(
    contrasts: Contrasts, *, truth: tuple[float, float], enough: bool, margin: float, kept: float, alpha: float
) -> VerdictChances:
    left = remaining_states(contrasts, margin=margin, alpha=alpha)
    on_record = contrasts.labelled.lower(alpha) > 0
    decided = (left.sum(axis=-1) == 1) & on_record & enough
    shares = {state: float(np.mean(decided & left[:, place])) for place, state in enumerate(STATES)}
    nothing = float(np.mean(~on_record)) if enough else 0.0
    return VerdictChances(
        labelled=truth[1],
        blind=truth[0],
        true_state=true_state(truth[0], truth[1], margin=margin, kept=kept),
        **shares,
        undecided=max(0.0, 1 - sum(shares.values()) - nothing),
        nothing_on_record=nothing,
    )
