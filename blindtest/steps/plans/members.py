"""The plans that can be asked about beside those of right answers, preferences and survival."""

from concurrent.futures import ProcessPoolExecutor
from os import cpu_count
from typing import Any

from blindtest.errors import Fault, WrongUse
from blindtest.stats import Hands
from blindtest.steps.plans.contract import PlanAsked, PlanMethod, PlanShown
from blindtest.steps.plans.levels import plan_threshold
from blindtest.steps.plans.pairs import plan_same_different, plan_two_ac
from blindtest.steps.plans.ratings import plan_contrast
from blindtest.steps.plans.stage_pairs import plan_stage_pairs
from blindtest.steps.plans.stages import plan_stages
from blindtest.steps.plans.tracks import plan_tracks

__all__ = ["PLAN_METHODS", "plan_power"]

TIMED = frozenset({"minutes", "seconds", "practice"})
SIMULATED = frozenset({"studies", "seed"})
PLAN_METHODS: dict[str, PlanMethod] = {
    one.name: one
    for one in (
        *(
            PlanMethod(name=name, plan=plan_same_different, options=TIMED | {"trials", "d_prime", "tau"})
            for name in ("same-different", "same-different-independent")
        ),
        PlanMethod(name="2-ac", plan=plan_two_ac, options=TIMED | {"trials", "d_prime", "tau", "one_sided"}),
        PlanMethod(
            name="contrast",
            plan=plan_contrast,
            options=TIMED
            | SIMULATED
            | {
                "listeners", "clips", "repeats", "devices", "difference", "sd_listener", "sd_clip", "sd_residual",
                "these_clips", "margin", "one_sided",
            },
        ),
        PlanMethod(
            name="stages",
            plan=plan_stages,
            options=TIMED
            | {"stages", "fraction", "listeners", "clips", "repeats", "these_clips", "margin", "one_sided"},
        ),
        PlanMethod(
            name="stage-pairs",
            plan=plan_stage_pairs,
            options=TIMED | {"trials", "stages", "listeners", "margin", "one_sided"},
        ),
        PlanMethod(
            name="threshold",
            plan=plan_threshold,
            options=TIMED | SIMULATED | {"trials", "levels", "threshold", "slope", "guess", "link"},
        ),
        PlanMethod(
            name="free-listening",
            plan=plan_tracks,
            options=TIMED
            | SIMULATED
            | {"trials", "listeners", "sd_listener", "share", "sd_track", "margin", "one_sided"},
        ),
    )
}  # fmt: skip
"""Adding one: a function, a line here, a test, a section of the guide's page."""

ALWAYS = frozenset({"method", "alpha"})
MANY = 150
"""Simulated studies from which on other processes are worth their start."""


def plan_power(method: str, *, hands: Hands | None = None, **asked: Any) -> PlanShown:
    """Return what a plan can show; what can be asked for is in `PlanAsked`.

    Parameters
    ----------
    hands : who simulates: an executor, or a Dask client; None: as many processes as the machine has cores

    Raises
    ------
    WrongUse
        Something asked for that the method has no use for, or that contradicts itself.
    """
    member, question = PLAN_METHODS[method], PlanAsked(method=method, **asked)
    if question.trials is not None and question.minutes is not None:
        raise WrongUse(Fault(problem="--trials and --minutes exclude each other", remedy="give one of them"))
    needless = [name for name in asked if name not in ALWAYS | member.options and asked[name] is not None]
    if needless:
        raise WrongUse(
            *(
                Fault(
                    problem=f"a plan of the method {method} has no use for this",
                    key=f"--{name.replace('_', '-')}",
                    allowed=", ".join(f"--{one.replace('_', '-')}" for one in sorted(member.options)),
                )
                for name in needless
            )
        )
    if hands is None and (question.studies or 0) >= MANY and "studies" in member.options:
        with ProcessPoolExecutor(max_workers=cpu_count() or 1) as pool:
            return member.plan(question, pool)
    return member.plan(question, hands)
