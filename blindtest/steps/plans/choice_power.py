"""What a number of trials can show of right and wrong answers, before anybody listens."""

from dataclasses import dataclass
from typing import Any

from blindtest.errors import Fault, WrongUse, did_you_mean
from blindtest.report import PlanCurves
from blindtest.stats import (
    DECISION_RULES,
    MinutesPlan,
    PanelChances,
    PlanChances,
    SampleSize,
    minutes_plan,
    plan_chances,
    proportion_at,
    sample_size,
)
from blindtest.steps.plans.members import PLAN_METHODS
from blindtest.steps.plans.several import can_fail_together, panel_dicts, panel_lines, panels_of
from blindtest.study import LONGEST_MIN

__all__ = ["PowerShown", "power", "rest_words"]

DEFAULT_MARGIN = 0.5
DEFAULT_TRIALS = 28
MOST_DRAWN = 200
"""Trials up to which chances are drawn."""
SHARES = (0.2, 0.3, 0.4, 0.5, 0.6, 0.8)


@dataclass(frozen=True, slots=True, kw_only=True)
class PowerShown:
    """What `blindtest power` prints."""

    chances: PlanChances | None
    """None where no trial fits into the minutes."""
    minutes: MinutesPlan | None
    sizes: tuple[SampleSize, ...]
    curves: PlanCurves | None = None
    seconds: float = 35.0
    """A trial takes about so long."""
    panel: tuple[PanelChances, ...] = ()
    """Of several listeners' answers together: who are alike, and who differ as stated."""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "chances": self.chances.to_dict() if self.chances else None,
            "minutes": self.minutes.to_dict() if self.minutes else None,
            "sample_sizes": [size.to_dict() for size in self.sizes],
            **panel_dicts(self.panel),
        }

    def text(self) -> str:
        """Return it in words."""
        lines = [self.minutes.sentence if self.minutes else self.chances.sentence if self.chances else ""]
        if self.chances:
            lines += [
                self.chances.detectable.sentence,
                f"A guesser ends as open (neither) with probability {self.chances.chance_open:.2f}.",
            ]
            if not (self.chances.can_fail or can_fail_together(self.panel)):
                lines.append(
                    "This plan cannot refute a claim: a mere guesser would end as negligible in "
                    f"{100 * self.chances.chance_negligible:.0f} % of tests only. Take more trials or a larger margin."
                )
            lines += rest_words(self.chances.trials * self.seconds / 60)
            lines += panel_lines(self.panel)
        lines += ["", "Trials needed to show, with probability .8, a listener who hears this share of trials:"]
        lines += [
            f"  {100 * size.distinguishers:3.0f} %: {size.safe} (or {size.first}, the first number that does)"
            for size in self.sizes
        ]
        return "\n".join(lines)


def rest_words(minutes: float) -> list[str]:
    """Return what a standard says of trials that take so long, where it says anything."""
    if minutes <= LONGEST_MIN:
        return []
    return [
        f"These trials take about {minutes:.0f} minutes: ITU-R BS.1116-3 asks for a rest after 20 to 30 "
        "(break_after_min = 20 in the block)."
    ]


def power(
    *,
    method: str = "abx",
    trials: int | None = None,
    minutes: float | None = None,
    seconds: float = 35.0,
    practice: int = 4,
    margin: float | None = None,
    alpha: float = 0.05,
    listeners: int | None = None,
    sd_listener: float | None = None,
) -> PowerShown:
    """Return what a number of trials, or the trials that fit into some minutes, can and cannot show.

    Parameters
    ----------
    listeners, sd_listener : who have so many trials each, and how far their own shares of trials heard scatter

    Raises
    ------
    WrongUse
        Both trials and minutes, or a method that isn't there.
    """
    if method not in DECISION_RULES:
        known = tuple(dict.fromkeys((*DECISION_RULES, *PLAN_METHODS, "preference", "rating")))
        raise WrongUse(
            Fault(
                problem="no such method",
                key="--method",
                got=method,
                allowed=", ".join(known),
                remedy=did_you_mean(method, known),
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
    panel: tuple[PanelChances, ...] = ()
    if chances is not None:
        panel = panels_of(
            "heard", listeners=listeners, sd_listener=sd_listener, trials=chances.trials, margin=wanted, method=method,
            alpha=alpha,
        )  # fmt: skip
    sizes = tuple(sample_size(proportion=proportion_at(share, method), method=method, alpha=alpha) for share in SHARES)
    return PowerShown(
        chances=chances,
        minutes=planned,
        sizes=sizes,
        curves=_choice_curves(chances, method, alpha),
        seconds=seconds,
        panel=panel,
    )


DRAWN_SHARES = (0.2, 0.3, 0.5, 0.8)


def _choice_curves(chances: PlanChances | None, method: str, alpha: float) -> PlanCurves | None:
    if chances is None:
        return None
    from scipy.special import bdtrc

    numbers = tuple(range(1, min(2 * max(chances.trials, 20), MOST_DRAWN) + 1))

    # A score that tells it from guessing may lie within the margin all the same: the word is then *negligible*.
    firsts = {n: plan_chances(n, method=method, margin=chances.margin, alpha=alpha).shown_from for n in numbers}

    def chance(trials: int, share: float) -> float:
        first = firsts[trials]
        return 0.0 if first is None else float(bdtrc(first - 1, trials, proportion_at(share, method)))

    return PlanCurves(
        title=f"What plans of {method} show",
        size="trials",
        sizes=numbers,
        chance="of being shown",
        curves=tuple(
            (f"{100 * share:.0f} % heard", tuple(chance(trials, share) for trials in numbers)) for share in DRAWN_SHARES
        ),
        planned=chances.trials,
    )
