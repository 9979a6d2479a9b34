"""What a plan can show, before anybody listens."""

from dataclasses import dataclass
from typing import Any

from blindtest.errors import Fault, WrongUse, did_you_mean
from blindtest.stats import (
    DECISION_RULES,
    MinutesPlan,
    PlanChances,
    SampleSize,
    minutes_plan,
    plan_chances,
    proportion_at,
    sample_size,
)

__all__ = ["PowerShown", "power"]

DEFAULT_MARGIN = 0.5
DEFAULT_TRIALS = 28
SHARES = (0.2, 0.3, 0.4, 0.5, 0.6, 0.8)


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerShown:
    """What `blindtest power` prints."""

    chances: PlanChances | None
    """None where no trial fits into the minutes."""
    minutes: MinutesPlan | None
    sizes: tuple[SampleSize, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "chances": self.chances.to_dict() if self.chances else None,
            "minutes": self.minutes.to_dict() if self.minutes else None,
            "sample_sizes": [size.to_dict() for size in self.sizes],
        }

    def text(self) -> str:
        """Return it in words."""
        lines = [self.minutes.sentence if self.minutes else self.chances.sentence if self.chances else ""]
        if self.chances:
            lines += [
                self.chances.detectable.sentence,
                f"A guesser ends as open (neither) with probability {self.chances.chance_open:.2f}.",
            ]
            if not self.chances.can_fail:
                lines.append(
                    "This plan cannot refute a claim: a mere guesser would end as negligible in "
                    f"{100 * self.chances.chance_negligible:.0f} % of tests only. Take more trials or a larger margin."
                )
        lines += ["", "Trials needed to show, with probability .8, a listener who hears this share of trials:"]
        lines += [
            f"  {100 * size.distinguishers:3.0f} %: {size.safe} (or {size.first}, the first number that does)"
            for size in self.sizes
        ]
        return "\n".join(lines)


def power(
    *,
    method: str = "abx",
    trials: int | None = None,
    minutes: float | None = None,
    seconds: float = 35.0,
    practice: int = 4,
    margin: float | None = None,
    alpha: float = 0.05,
) -> PowerShown:
    """Return what a number of trials, or the trials that fit into some minutes, can and cannot show.

    Raises
    ------
    WrongUse
        Both trials and minutes, or a method that isn't there.
    """
    if method not in DECISION_RULES:
        raise WrongUse(
            Fault(
                problem="no such method",
                key="--method",
                got=method,
                allowed=", ".join(DECISION_RULES),
                remedy=did_you_mean(method, DECISION_RULES),
            )
        )
    if trials is not None and minutes is not None:
        raise WrongUse(Fault(problem="--trials and --minutes exclude each other", remedy="give one of them"))
    wanted = DEFAULT_MARGIN if margin is None else margin
    planned = None
    if minutes is not None:
        if seconds <= 0 or practice < 0:
            raise WrongUse(Fault(problem="--seconds must be above 0 and --practice not negative"))
        planned = minutes_plan(
            minutes, method=method, margin=wanted, alpha=alpha, seconds_per_trial=seconds, practice_trials=practice
        )
        chances = planned.chances
    else:
        chances = plan_chances(trials or DEFAULT_TRIALS, method=method, margin=wanted, alpha=alpha)
    sizes = tuple(sample_size(proportion=proportion_at(share, method), method=method, alpha=alpha) for share in SHARES)
    return PowerShown(chances=chances, minutes=planned, sizes=sizes)
