"""What a plan can show, before anybody listens."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from blindtest.errors import Fault, WrongUse, did_you_mean
from blindtest.report import PlanCurves
from blindtest.stats import (
    DECISION_RULES,
    MinutesPlan,
    PlanChances,
    PreferenceChances,
    SampleSize,
    SurvivalPower,
    minutes_plan,
    plan_chances,
    preference_chances,
    proportion_at,
    sample_size,
    survival_power,
)
from blindtest.stats import power as exact_power
from blindtest.steps.cluster import hands_at
from blindtest.steps.columns import columns
from blindtest.steps.plans import (
    ALTERNATIVES,
    PLAN_METHODS,
    PlanShown,
    StoppingPowerShown,
    plan_choices,
    plan_power,
    stopping_power,
)
from blindtest.steps.verdict_maps import MAP_OPTIONS, VerdictMapShown, rating_map
from blindtest.study import LONGEST_MIN

__all__ = [
    "PowerShown",
    "PreferencePowerShown",
    "SurvivalPowerShown",
    "planned",
    "power",
    "preference_power",
    "rating_power",
]

DEFAULT_MARGIN = 0.5
DEFAULT_TRIALS = 28
DEFAULT_PAIRS = 20
DEFAULT_PREFERENCE_MARGIN = 0.25
SETUP_MINUTES = 2.0
"""To read, and to set the level; our guess."""
SIMULATION_SEED = 20_260_304
"""Fixed, so that the same question gets the same answer."""
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
            lines += rest_words(self.chances.trials * self.seconds / 60)
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
) -> PowerShown:
    """Return what a number of trials, or the trials that fit into some minutes, can and cannot show.

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
    sizes = tuple(sample_size(proportion=proportion_at(share, method), method=method, alpha=alpha) for share in SHARES)
    return PowerShown(
        chances=chances, minutes=planned, sizes=sizes, curves=_choice_curves(chances, method, alpha), seconds=seconds
    )


DRAWN_SHARES = (0.2, 0.3, 0.5, 0.8)


def _choice_curves(chances: PlanChances | None, method: str, alpha: float) -> PlanCurves | None:
    if chances is None:
        return None
    numbers = tuple(range(1, min(2 * max(chances.trials, 20), MOST_DRAWN) + 1))

    def chance(trials: int, share: float) -> float:
        return exact_power(trials, proportion=proportion_at(share, method), method=method, alpha=alpha).power

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


@dataclass(frozen=True, slots=True, kw_only=True)
class PreferencePowerShown:
    """What `blindtest power --method preference` prints."""

    chances: PreferenceChances
    minutes: float | None
    seconds: float
    practice: int
    curves: PlanCurves | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {"preference": self.chances.to_dict(), "minutes_given": self.minutes}

    def text(self) -> str:
        """Return it in words."""
        lines = []
        if self.minutes is not None:
            lines.append(
                f"{self.minutes:g} minutes hold {self.chances.trials} pairs that count ({SETUP_MINUTES:g} minutes to "
                f"set up, {self.practice} practice pairs, {self.seconds:g} s a pair)."
            )
        lines.append(self.chances.sentence)
        lines.append(f"Without any preference it ends as open with probability {self.chances.chance_open:.2f}.")
        if not self.chances.can_fail:
            lines.append(
                "This plan cannot refute a claim: take more pairs or a larger margin "
                f"(chance to fail {self.chances.chance_to_fail:.2f})."
            )
        lines.append("It answers whether one is preferred blind, and nothing more; a verdict of survival takes days.")
        return "\n".join(lines)


def preference_power(
    *,
    trials: int | None = None,
    minutes: float | None = None,
    seconds: float = 35.0,
    practice: int = 4,
    margin: float | None = None,
    alpha: float = 0.05,
    preference: float | None = None,
    direction: Literal["two-sided", "claimed"] = "two-sided",
) -> PreferencePowerShown:
    """Return what a number of pairs, or the pairs that fit into some minutes, can and cannot show.

    Raises
    ------
    WrongUse
        Both trials and minutes, or minutes that hold no pair.
    """
    if trials is not None and minutes is not None:
        raise WrongUse(Fault(problem="--trials and --minutes exclude each other", remedy="give one of them"))
    if minutes is not None:
        trials = int((60 * (minutes - SETUP_MINUTES) - practice * seconds) // seconds)
        if trials < 1:
            raise WrongUse(
                Fault(problem="no pair that counts fits in", key="--minutes", got=minutes, remedy="take more")
            )
    chances = preference_chances(
        trials or DEFAULT_PAIRS,
        margin=DEFAULT_PREFERENCE_MARGIN if margin is None else margin,
        alpha=alpha,
        direction=direction,
        preference=preference,
    )
    return PreferencePowerShown(
        chances=chances, minutes=minutes, seconds=seconds, practice=practice, curves=_preference_curves(chances)
    )


DRAWN_PREFERENCES = (0.6, 0.7, 0.8, 0.9)


def _preference_curves(chances: PreferenceChances) -> PlanCurves:
    numbers = tuple(range(2, min(2 * max(chances.trials, 20), MOST_DRAWN) + 1, 2))

    def chance(pairs: int, preference: float) -> float:
        return preference_chances(
            pairs, margin=chances.margin, alpha=chances.alpha, direction=chances.direction, preference=preference
        ).chance_shown

    return PlanCurves(
        title="What plans of paired preferences show",
        size="pairs",
        sizes=numbers,
        chance="of being shown",
        curves=tuple(
            (f"preferred in {100 * one:.0f} %", tuple(chance(pairs, one) for pairs in numbers))
            for one in DRAWN_PREFERENCES
        ),
        planned=chances.trials,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class SurvivalPowerShown:
    """What `blindtest power --method rating` prints."""

    power: SurvivalPower
    curves: PlanCurves | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {"survival": self.power.to_dict()}

    def text(self) -> str:
        """Return it in words and columns."""
        rows = [
            (
                f"{row.blind:+.1f}", row.true_state, f"{row.survives:.2f}", f"{row.shrinks:.2f}", f"{row.vanishes:.2f}",
                f"{row.reverses:.2f}", f"{row.undecided:.2f}", f"{row.nothing_on_record:.2f}",
            )
            for row in self.power.chances
        ]  # fmt: skip
        headings = (
            "true blind effect", "is", "survives", "shrinks", "vanishes", "reverses", "undecided", "nothing on record",
        )  # fmt: skip
        return "\n".join([self.power.sentence, "", columns(headings, rows), "", *self.power.assumptions])


def rating_power(
    *,
    listeners: int = 1,
    sittings: int = 2,
    clips: int = 5,
    repeats: int = 2,
    labelled: float = 20.0,
    blind: Sequence[float] | None = None,
    margin: float | None = None,
    alpha: float = 0.05,
) -> SurvivalPowerShown:
    """Return which verdicts a plan of labelled and blind ratings can reach, and how often; simulated.

    Parameters
    ----------
    sittings : labelled ones, and as many blind ones, of each listener
    labelled, blind : true effects in points of the scale
    """
    found = survival_power(
        listeners=listeners,
        sittings=sittings,
        clips=clips,
        repeats=repeats,
        labelled=labelled,
        blind=blind,
        margin=8.0 if margin is None else margin,
        alpha=alpha,
        rng=np.random.default_rng(SIMULATION_SEED),
    )
    return SurvivalPowerShown(power=found)


Planned = PowerShown | PreferencePowerShown | SurvivalPowerShown | PlanShown | StoppingPowerShown | VerdictMapShown
CHOICE_OPTIONS = ("trials", "minutes", "seconds", "practice", "margin", "alpha")
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
