"""Plans of attribution two at a time: how often a stage ends as preferred, or as negligible."""

from blindtest.errors import Fault, WrongUse
from blindtest.report import PlanCurves
from blindtest.stats import Hands
from blindtest.steps.plans.contract import PlanAsked, PlanShown, fitting
from blindtest.steps.plans.stages import DEFAULT_LISTENERS, DEFAULT_STAGES, LISTENERS
from blindtest.study import StageReach, stage_pair_reach

__all__ = ["plan_stage_pairs"]

DEFAULT_TRIALS, DEFAULT_MARGIN = 32, 15.0
MOST_STAGES = 6
"""Of which all combinations can be rendered: 64."""


def plan_stage_pairs(asked: PlanAsked, hands: Hands | None) -> PlanShown:
    """Return what pairs of combinations that differ in one stage can show about each stage."""
    stages = asked.stages or DEFAULT_STAGES
    margin = asked.margin or DEFAULT_MARGIN
    if not 2 <= stages <= MOST_STAGES:
        raise WrongUse(Fault(problem="out of range", key="--stages", got=stages, allowed=f"2 to {MOST_STAGES}"))
    if not 0 < margin < 50:
        allowed = "percentage points of preference beyond 50: above 0 and below 50"
        raise WrongUse(Fault(problem="not a margin", key="--margin", got=margin, allowed=allowed))
    lines: list[str] = []
    trials = asked.trials or DEFAULT_TRIALS
    if asked.minutes is not None:
        if asked.trials is not None:
            raise WrongUse(Fault(problem="--trials and --minutes exclude each other", remedy="give one of them"))
        fitted = fitting(asked, per_trial=1, what="pair")
        assert fitted is not None
        trials = fitted
        lines.append(f"{asked.minutes:g} minutes hold {trials} pairs ({asked.seconds:g} s each).")
    listeners = asked.listeners or DEFAULT_LISTENERS

    def reached(size: int) -> StageReach:
        return stage_pair_reach(
            listeners=size,
            pairs=trials // stages,
            stages=stages,
            margin=margin,
            directed=asked.one_sided,
            alpha=asked.alpha,
        )

    plan = reached(listeners)
    sentence = f"{plan.sentence[0].upper()}{plan.sentence[1:]}."
    lines.append(sentence)
    if plan.std_error is None:
        lines.append("Nothing can be shown: two listeners are no panel, and one pair leaves nothing to judge by.")
    counts = tuple(sorted({*LISTENERS, *([listeners] if plan.std_error is not None else [])}))
    panels = [reached(size) for size in counts]
    curves = PlanCurves(
        title="What panels of different sizes tell of a stage, two at a time",
        size="listeners",
        sizes=counts,
        chance="of ending so, each where it is true",
        curves=(
            (f"shown ({margin:g} points)", tuple(one.chance_shown for one in panels)),
            ("negligible (nothing)", tuple(one.chance_negligible for one in panels)),
        ),
        planned=listeners if listeners in counts else None,
    )
    values = {**plan.to_dict(), "sentence": sentence, "trials": trials, "alpha": asked.alpha}
    return PlanShown(method="stage-pairs", lines=tuple(lines), values=values, curves=curves)
