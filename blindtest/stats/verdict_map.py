"""How often a plan's verdict is wrong, over everything that could be true: the map of its error rates, simulated.

A verdict is wrong if it is a state that is not the true one; *undecided* and *nothing on record* claim no state. The
map goes over true labelled effects, true blind effects (within each state of the partition and on both sides of every
border, where alpha is used up) and scatter, since nobody knows it beforehand. The scatter of the estimates is drawn
once and moved to every pair of true effects; see survival_planning.py.

Studies are drawn in parts, each with a generator of its own: Philox (Salmon, Moraes, Dror & Shaw 2011, Parallel random
numbers: as easy as 1, 2, 3), keyed by the seed and the part's place. Parts give whole numbers, and these are added: the
map is the same, byte for byte, whoever simulates and however many. Source of the rule: claims, section 4.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from operator import index
from typing import Any

import numpy as np

from blindtest.stats.contrasts import LEAST_UNITS, STATES, Contrasts, State, true_state, two_sample_contrasts
from blindtest.stats.panel_scatter import Spreads, panel_contrasts
from blindtest.stats.plain import plain
from blindtest.stats.plans.hands import Hands, spread
from blindtest.stats.survival_planning import chances_of_contrasts, checked_rule
from blindtest.stats.two_way import LEAST_CLIPS

__all__ = ["MapCell", "VerdictMap", "verdict_map"]

PART = 5_000
"""Studies drawn with one key; fixed, so that the map does not hang on the number of hands."""
SCATTERS = (0.5, 1.0, 2.0)
"""Multiples of the standard deviations that are assumed."""
LABELLED = (0.75, 1.5, 2.5, 4.5)
"""True labelled effects, in margins."""
JUST = 1e-6
"""A point on the other side of a border."""
OUTCOMES = (*STATES, "undecided", "nothing_on_record")


@dataclass(frozen=True, slots=True, kw_only=True)
class MapCell:
    """What comes out where these effects are the true ones."""

    scatter: float
    """Multiple of the standard deviations assumed."""
    labelled: float
    blind: float
    true_state: State
    right: float
    wrong: float
    undecided: float
    nothing_on_record: float

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictMap:
    """The error rates of a plan's verdict."""

    cells: tuple[MapCell, ...]
    margin: float
    kept: float
    alpha: float
    studies: int
    """Simulated for each cell."""
    seed: int

    @property
    def worst(self) -> MapCell:
        """The cell with the most wrong verdicts."""
        return max(self.cells, key=lambda cell: cell.wrong)

    @property
    def std_error(self) -> float:
        """Monte Carlo standard error of a rate that is alpha."""
        return sqrt(self.alpha * (1 - self.alpha) / self.studies)

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        worst = self.worst
        return (
            f"Over {len(self.cells)} cells of {self.studies} studies the verdict is wrong in at most {worst.wrong:.4f} "
            f"(alpha {self.alpha:g}, standard error {self.std_error:.4f}): true effects {worst.labelled:.4g} labelled "
            f"and {worst.blind:.4g} blind, where {worst.true_state} is true, at {worst.scatter:g} times the scatter "
            "assumed. The largest of so many rates lies above the true largest rate."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "worst", "std_error", "sentence")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plan:
    listeners: int
    sittings: tuple[int, int]
    clips: int
    repeats: int
    drawn: bool
    spreads: Spreads
    margin: float
    kept: float
    alpha: float
    truths: tuple[tuple[float, float], ...]
    """Blind and labelled."""

    @property
    def enough(self) -> bool:
        """Whether there are units enough for any verdict."""
        return (min(self.sittings) if self.listeners == 1 else self.listeners) >= LEAST_UNITS


def verdict_map(
    *,
    listeners: int = 1,
    sittings: int | tuple[int, int] = 1,
    clips: int,
    repeats: int = 1,
    labelled: Sequence[float] | None = None,
    sd_listener: float = 8.0,
    sd_mode: float = 6.0,
    sd_residual: float = 12.0,
    sd_clip: float = 0.0,
    sd_clip_mode: float = 0.0,
    only_these_clips: bool | None = None,
    scatters: Sequence[float] = SCATTERS,
    margin: float = 8.0,
    kept: float = 2 / 3,
    alpha: float = 0.05,
    studies: int = 20_000,
    seed: int = 1,
    hands: Hands | None = None,
) -> VerdictMap:
    """Return how often a plan's verdict is right and wrong over true effects and scatter; simulated.

    Parameters
    ----------
    labelled : true labelled effects, points; default: .75, 1.5, 2.5 and 4.5 margins
    scatters : multiples of all standard deviations
    studies : simulated for each cell
    seed : the same seed gives the same map, whoever computes
    hands : an executor of concurrent.futures or a Dask cluster; None: one part after another
    Others as in `survival_power`.

    Raises
    ------
    ValueError
        A number out of its range.
    """
    times = (sittings, sittings) if isinstance(sittings, int) else (index(sittings[0]), index(sittings[1]))
    for name, count in (("listeners", listeners), ("sittings", min(times)), ("clips", clips), ("repeats", repeats)):
        if index(count) < 1:
            raise ValueError(f"{name} must be 1 or more, got {count}")
    for name, sd in (
        ("sd_listener", sd_listener), ("sd_mode", sd_mode), ("sd_residual", sd_residual), ("sd_clip", sd_clip),
        ("sd_clip_mode", sd_clip_mode), *(("scatters", one) for one in scatters),
    ):  # fmt: skip
        if not 0 <= sd < np.inf:
            raise ValueError(f"{name} must be 0 or more, got {sd}")
    checked_rule(margin, kept, alpha, studies)
    effects = tuple(margin * one for one in LABELLED) if labelled is None else tuple(map(float, labelled))
    truths = tuple((blind, one) for one in effects for blind in _blind_effects(one, margin, kept))
    plans = [
        _Plan(
            listeners=listeners,
            sittings=times,
            clips=clips,
            repeats=repeats,
            drawn=listeners > 1 and not only_these_clips and clips >= LEAST_CLIPS,
            spreads=Spreads(
                listener=times_sd * sd_listener,
                labelled=times_sd * sd_mode,
                blind=times_sd * sd_mode,
                clip=times_sd * sd_clip,
                clip_labelled=times_sd * sd_clip_mode,
                clip_blind=times_sd * sd_clip_mode,
                rating=times_sd * sd_residual,
            ),
            margin=float(margin),
            kept=float(kept),
            alpha=float(alpha),
            truths=truths,
        )
        for times_sd in scatters
    ]
    counts = [PART] * (studies // PART) + ([studies % PART] if studies % PART else [])
    calls = [
        (_counted, plan, count, (index(seed), place, part))
        for place, plan in enumerate(plans)
        for part, count in enumerate(counts)
    ]
    found = spread(calls, hands)
    cells: list[MapCell] = []
    for place, (plan, times_sd) in enumerate(zip(plans, scatters, strict=True)):
        total = np.sum(found[place * len(counts) : (place + 1) * len(counts)], axis=0)
        cells += [_cell(plan, truth, row / studies, float(times_sd)) for truth, row in zip(truths, total, strict=True)]
    return VerdictMap(
        cells=tuple(cells), margin=float(margin), kept=float(kept), alpha=float(alpha), studies=studies, seed=seed
    )


def _blind_effects(labelled: float, margin: float, kept: float) -> tuple[float, ...]:
    """Return true blind effects: within each state, and on both sides of every border between two."""
    border = kept * labelled
    effects = {-3 * margin, -margin, -margin + JUST, 0.0, margin - JUST, margin, labelled, 1.3 * labelled}
    effects |= {border - JUST, border, (margin + border) / 2}
    return tuple(sorted(effects))


def _cell(plan: _Plan, truth: tuple[float, float], shares: "np.ndarray[Any, Any]", scatter: float) -> MapCell:
    blind, labelled = truth
    state = true_state(blind, labelled, margin=plan.margin, kept=plan.kept)
    by_outcome = dict(zip(OUTCOMES, map(float, shares), strict=True))
    right = by_outcome[state]
    return MapCell(
        scatter=scatter,
        labelled=labelled,
        blind=blind,
        true_state=state,
        right=right,
        wrong=float(sum(shares[place] for place, one in enumerate(STATES) if one != state)),
        undecided=by_outcome["undecided"],
        nothing_on_record=by_outcome["nothing_on_record"],
    )


def _counted(plan: _Plan, studies: int, key: tuple[int, int, int]) -> "np.ndarray[Any, Any]":
    """Return in how many of `studies` each outcome is reached, (truths, outcomes) of whole numbers."""
    rng = np.random.Generator(np.random.Philox(np.random.SeedSequence(key)))
    noise = _noise(plan, studies, rng)
    counts = np.zeros((len(plan.truths), len(OUTCOMES)), dtype=np.int64)
    for place, truth in enumerate(plan.truths):
        chances = chances_of_contrasts(
            noise, truth=truth, enough=plan.enough, margin=plan.margin, kept=plan.kept, alpha=plan.alpha
        )
        counts[place] = [round(getattr(chances, outcome) * studies) for outcome in OUTCOMES]
    return counts


def _noise(plan: _Plan, studies: int, rng: np.random.Generator) -> Contrasts:
    """Return the contrasts of studies with true effects of 0."""
    labelled, blind = plan.sittings
    if plan.listeners > 1:
        return panel_contrasts(
            plan.spreads,
            listeners=plan.listeners,
            clips=plan.clips,
            ratings=(plan.repeats * labelled, plan.repeats * blind),
            kept=plan.kept,
            clips_drawn=plan.drawn,
            rng=rng,
            studies=studies,
        )
    rated = plan.spreads.rating**2 * 2 / (plan.clips * plan.repeats)
    return two_sample_contrasts(
        rng.normal(0.0, sqrt(plan.spreads.blind**2 + rated), (studies, blind)),
        rng.normal(0.0, sqrt(plan.spreads.labelled**2 + rated), (studies, labelled)),
        kept=plan.kept,
    )
