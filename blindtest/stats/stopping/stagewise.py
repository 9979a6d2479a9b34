"""After a group sequential test has ended: an exact p value, limits and an estimate that know of the looks.

Outcomes are put in order by stages: ending high at an earlier look says more than at a later one, and within a look
more right says more (Armitage 1957; Jennison & Turnbull 1983, Technometrics 25, 49, for a binomial proportion;
Fairbanks & Madsen 1982, Biometrika 69, 69, for the p value). The p value is the chance of a guesser to end this far out
or further, limits are the proportions at which that chance is what the level leaves, and the estimate is the one at
which ending at least as high and at least as low are equally probable (median unbiased but for the steps of a count).
The share right itself is biased: tests that end early end on a good run.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from blindtest.nouns import number_of
from blindtest.stats.binomial import Interval, checked_counts, checked_probability, rising_root
from blindtest.stats.plain import plain
from blindtest.stats.stopping.group_plan import GroupDecision, GroupSequentialPlan

__all__ = ["StagewiseResult", "stagewise_result"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StagewiseResult:
    """What a group sequential test says at its end."""

    decision: GroupDecision
    correct: int
    trials: int
    planned_trials: int
    guess_rate: float
    proportion: float
    """Right among trials, biased by the stopping."""
    estimate: float
    """Median unbiased proportion right."""
    p_value: float
    """Exact, one-sided or two-sided as the plan is; allows for the looks."""
    level: float
    interval: Interval
    """Proportion right, two-sided, allows for the looks."""
    lower_limit: float
    """One-sided: lies above the guess rate just when a one-sided p lies below 1 - level."""
    upper_limit: float
    method: str = "stagewise ordering on the exact distribution"
    source: str = "Jennison & Turnbull 1983 (Technometrics 25, 49); Fairbanks & Madsen 1982 (Biometrika 69, 69)"
    assumptions: tuple[str, ...] = (
        "looks and bounds were those of the plan",
        "p and lower limit hold whether bounds for futility were kept to or not, the upper limit if they were",
        "the chance to be right is the same in every trial, one trial's outcome says nothing about another's",
    )

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        low, high = self.interval
        return (
            f"{self.decision}: {self.correct} of {self.trials} right (at most "
            f"{number_of(self.planned_trials, 'trial')} planned), "
            f"p = {self.p_value:.3g}, allowing for the looks. Share right {100 * self.estimate:.1f} %, "
            f"{100 * self.level:.4g} % limits {100 * low:.1f} % to {100 * high:.1f} %."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        return plain(self, "sentence")


def stagewise_result(plan: GroupSequentialPlan, correct: int, trials: int, *, level: float = 0.95) -> StagewiseResult:
    """Return p value, limits and estimate of a group sequential test that ended with these counts.

    Raises
    ------
    ValueError
        No look after this many trials, a test that has not ended or must have ended before, a level outside 0 ... 1.
    """
    correct, trials = checked_counts(correct, trials)
    checked_probability("level", level)
    decision = plan.decide(correct, trials)
    if decision == "go on":
        raise ValueError(f"{correct} of {trials} reaches no bound: the test goes on, it has no p value and limits yet")
    *_, stage = (s for s in plan.walk(plan.guess, futility=False) if s.trials <= trials)
    if not stage.lowest <= correct < stage.lowest + stage.arriving.size:
        raise ValueError(f"{correct} of {trials} can't be reached: the test must have ended at an earlier look")
    above, below = _tails(plan, decision, correct, trials)
    at_least, at_most = above(plan.guess), below(plan.guess)
    tail = (1 - level) / 2

    def low(share: float) -> float:
        return rising_root(lambda p: above(p) - share, 0.0, 1.0)

    def high(share: float) -> float:
        return rising_root(lambda p: share - below(p), 0.0, 1.0)

    return StagewiseResult(
        decision=decision,
        correct=correct,
        trials=trials,
        planned_trials=plan.trials,
        guess_rate=plan.guess,
        proportion=correct / trials,
        estimate=rising_root(lambda p: above(p) - below(p), 0.0, 1.0),
        p_value=min(1.0, 2 * min(at_least, at_most)) if plan.two_sided else min(1.0, at_least),
        level=float(level),
        interval=(0.0 if correct == 0 else low(tail), 1.0 if correct == trials else high(tail)),
        lower_limit=0.0 if correct == 0 else low(1 - level),
        upper_limit=1.0 if correct == trials else high(1 - level),
    )


Tail = Callable[[float], float]


def _tails(plan: GroupSequentialPlan, decision: GroupDecision, correct: int, trials: int) -> tuple[Tail, Tail]:
    """Return the chances, as functions of the proportion, to end at least as high, and at least as low."""
    ended_low = decision in ("futile", "fewer right than by guessing")

    def up_to(p: float, *, futility: bool, side: str, most: int) -> float:
        total = 0.0
        for stage in plan.walk(p, futility=futility):
            if stage.trials == trials:
                return total + (stage.at_least(most) if side == "up" else stage.at_most(most))
            total += stage.up if side == "up" else stage.down
        return total

    if ended_low:
        return (
            lambda p: 1 - up_to(p, futility=True, side="down", most=correct - 1),
            lambda p: up_to(p, futility=True, side="down", most=correct),
        )
    # Leaving out the bounds for futility can only add to the chance of ending high: p and lower limit hold either way.
    return (
        lambda p: up_to(p, futility=False, side="up", most=correct),
        lambda p: 1 - up_to(p, futility=True, side="up", most=correct + 1),
    )
