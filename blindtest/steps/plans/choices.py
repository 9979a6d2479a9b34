"""Plans of choices of what has more of an attribute: what they can show, refute and find negligible, by d'."""

from collections.abc import Mapping
from typing import Any, Literal

from blindtest.errors import Fault, WrongUse
from blindtest.report import PlanCurves
from blindtest.stats import attribute_chances
from blindtest.steps.plans.contract import PlanAsked, PlanShown, fitting
from blindtest.steps.plans.several import LEAST_CHANCE, can_fail_together, panel_dicts, panel_lines, panels_of

__all__ = ["ALTERNATIVES", "plan_choices"]

ALTERNATIVES = ("2afc", "3afc")
OPTIONS = ("trials", "minutes", "seconds", "practice", "alpha", "one_sided", "d_prime", "listeners", "sd_listener")
DEFAULT_TRIALS = 28
MOST_DRAWN = 120


def plan_choices(method: str, asked: Mapping[str, Any]) -> PlanShown:
    """Return what so many choices can say of a claim whose margin is this d' along the attribute.

    Raises
    ------
    WrongUse
        Both trials and minutes, something asked for that it has no use for, a d' out of range.
    """
    needless = [name for name in asked if name not in OPTIONS]
    if needless:
        problem = f"a plan of the method {method} with --d-prime has no use for this"
        allowed = ", ".join(f"--{name.replace('_', '-')}" for name in OPTIONS)
        raise WrongUse(
            *(Fault(problem=problem, key=f"--{name.replace('_', '-')}", allowed=allowed) for name in needless)
        )
    if "trials" in asked and "minutes" in asked:
        raise WrongUse(Fault(problem="--trials and --minutes exclude each other", remedy="give one of them"))
    question = PlanAsked(method=method, **asked)
    margin = float(asked["d_prime"])
    if not 0 < margin < 5:
        raise WrongUse(
            Fault(problem="the margin is out of range", key="--d-prime", got=margin, allowed="above 0, below 5")
        )
    trials = fitting(question) or question.trials or DEFAULT_TRIALS
    direction: Literal["two-sided", "claimed"] = "claimed" if question.one_sided else "two-sided"
    found = attribute_chances(trials, method=method, margin=margin, alpha=question.alpha, direction=direction)
    numbers = tuple(range(4, min(2 * max(trials, 20), MOST_DRAWN) + 1, 2))
    plans = [
        attribute_chances(n, method=method, margin=margin, alpha=question.alpha, direction=direction) for n in numbers
    ]
    panel = panels_of(
        "attribute", listeners=question.listeners, sd_listener=question.sd_listener, trials=trials, margin=margin,
        method=method, alpha=question.alpha, direction=direction,
    )  # fmt: skip
    lines = [found.sentence, f"A guesser ends as open with probability {found.chance_open:.2f}."]
    if max(found.chance_refuted, found.chance_negligible) < LEAST_CHANCE and not can_fail_together(panel):
        lines.append("This plan cannot refute a claim: take more trials or a larger margin.")
    return PlanShown(
        method=method,
        lines=(*lines, *panel_lines(panel)),
        values={**found.to_dict(), **panel_dicts(panel)},
        curves=PlanCurves(
            title=f"What plans of {method} say of an attribute, margin d' {margin:g}",
            size="trials",
            sizes=numbers,
            chance="of each conclusion where it is true",
            curves=(
                (f"shown at d' {margin:g}", tuple(one.chance_shown for one in plans)),
                (f"refuted at d' {-margin:g}", tuple(one.chance_refuted for one in plans)),
                ("negligible by guessing", tuple(one.chance_negligible for one in plans)),
            ),
            planned=trials,
        ),
    )
