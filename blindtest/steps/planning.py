"""What a plan of any method can show, before anybody listens: which of the answers of `plans` is asked for."""

from collections.abc import Mapping, Sequence
from typing import Any, Literal

from blindtest.errors import Fault, WrongUse
from blindtest.stats import DECISION_RULES
from blindtest.steps.cluster import hands_at
from blindtest.steps.plans import (
    ALTERNATIVES,
    PLAN_METHODS,
    PlanShown,
    PowerShown,
    PreferencePowerShown,
    StoppingPowerShown,
    SurvivalPowerShown,
    plan_choices,
    plan_power,
    power,
    preference_power,
    rating_power,
    stopping_power,
)
from blindtest.steps.verdict_maps import MAP_OPTIONS, VerdictMapShown, rating_map

__all__ = ["planned"]

Planned = PowerShown | PreferencePowerShown | SurvivalPowerShown | PlanShown | StoppingPowerShown | VerdictMapShown
CHOICE_OPTIONS = ("trials", "minutes", "seconds", "practice", "margin", "alpha", "listeners", "sd_listener")
PREFERENCE_OPTIONS = (*CHOICE_OPTIONS, "preference", "one_sided")
RATING_OPTIONS = ("listeners", "sittings", "clips", "repeats", "labelled", "margin", "alpha")


def planned(method: str, *, cluster: str = "", **asked: Any) -> Planned:
    """Return what a plan of any method can show; `asked` as the functions of the methods take it.

    Parameters
    ----------
    cluster : address of the Dask scheduler whose workers simulate; '' for this machine alone. The numbers are the same

    Raises
    ------
    WrongUse
        A method that isn't there, or something asked for that it has no use for.
    Missing
        No cluster there, or one that computes otherwise.
    """
    if method in ("rating", "survival") and asked.pop("map", False):
        _refuse_needless(method, asked, MAP_OPTIONS)
        with hands_at(cluster) as hands:
            return rating_map(**asked, hands=hands)
    if cluster:
        if method not in PLAN_METHODS or "studies" not in asked:
            raise WrongUse(
                Fault(
                    problem="this plan is reckoned at once, on this machine",
                    key="--cluster",
                    remedy="a cluster is for what is simulated: --studies N, or --method rating --map",
                )
            )
        with hands_at(cluster) as hands:
            return plan_power(method, hands=hands, **asked)
    if "stopping" in asked:
        return stopping_power(method, asked)
    if method in ALTERNATIVES and "d_prime" in asked:
        return plan_choices(method, asked)
    if method in PLAN_METHODS:
        return plan_power(method, **asked)
    if method in ("rating", "survival"):
        _refuse_needless(method, asked, RATING_OPTIONS)
        return rating_power(**asked)
    if method == "preference":
        _refuse_needless(method, asked, PREFERENCE_OPTIONS)
        direction: Literal["two-sided", "claimed"] = "claimed" if asked.pop("one_sided", False) else "two-sided"
        return preference_power(**asked, direction=direction)
    if method in DECISION_RULES:
        _refuse_needless(method, asked, CHOICE_OPTIONS)
    return power(method=method, **{name: asked[name] for name in CHOICE_OPTIONS if name in asked})


def _refuse_needless(method: str, asked: Mapping[str, Any], options: Sequence[str]) -> None:
    needless = [name for name in asked if name not in options]
    if needless:
        raise WrongUse(
            *(
                Fault(
                    problem=f"a plan of the method {method} has no use for this",
                    key=f"--{name.replace('_', '-')}",
                    allowed=", ".join(f"--{one.replace('_', '-')}" for one in options),
                )
                for name in needless
            )
        )
