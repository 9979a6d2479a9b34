"""Plans of levels: how precisely will a threshold be found?"""

from blindtest.errors import Fault, WrongUse
from blindtest.stats import Hands, threshold_precision
from blindtest.steps.plans.contract import PlanAsked, PlanShown, fitting

__all__ = ["plan_threshold"]

DEFAULT_TRIALS = 20
DEFAULT_STUDIES = 100
LINKS = ("normal", "logistic", "weibull")


def plan_threshold(asked: PlanAsked, hands: Hands | None) -> PlanShown:
    """Return how precisely so many trials at each level find a threshold; simulated."""
    if asked.threshold is None or asked.slope is None or not asked.levels:
        raise WrongUse(
            Fault(
                problem="a plan of levels needs the curve that is expected",
                key="--levels, --threshold, --slope",
                remedy="for example --levels -2,-1,0,1,2 --threshold 0 --slope 1.5",
            )
        )
    link = asked.link or "normal"
    if link not in LINKS:
        raise WrongUse(Fault(problem="no such curve", key="--link", got=link, allowed=", ".join(LINKS)))
    levels = tuple(dict.fromkeys(asked.levels))
    trials = fitting(asked, per_trial=len(levels), what="trial at every level") or asked.trials or DEFAULT_TRIALS
    try:
        found = threshold_precision(
            levels,
            trials,
            threshold=asked.threshold,
            slope=asked.slope,
            guess=0.5 if asked.guess is None else asked.guess,
            link=link,  # type: ignore[arg-type]
            level=1 - asked.alpha,
            studies=asked.studies or DEFAULT_STUDIES,
            seed=asked.seed,
            hands=hands,
        )
    except ValueError as error:
        raise WrongUse(Fault(problem=str(error), key="--levels, --threshold, --slope")) from None
    lines = [found.sentence]
    if found.refused:
        lines.append(f"{found.refused} simulated studies could not be fitted: all answers right, or all wrong.")
    lines.append(f"Simulated: {found.studies} studies, seed {found.seed}, {found.link} curve, guess {found.guess:.3g}.")
    return PlanShown(method="threshold", lines=tuple(lines), values=found.to_dict())
