"""What a number of paired preferences can show, before anybody listens."""

from dataclasses import dataclass
from typing import Any, Literal

from blindtest.errors import Fault, WrongUse
from blindtest.report import PlanCurves
from blindtest.stats import PanelChances, PreferenceChances, preference_chances
from blindtest.steps.plans.choice_power import MOST_DRAWN
from blindtest.steps.plans.contract import SETUP_MINUTES
from blindtest.steps.plans.several import can_fail_together, panel_dicts, panel_lines, panels_of

__all__ = ["PreferencePowerShown", "preference_power"]

DEFAULT_PAIRS = 20
DEFAULT_PREFERENCE_MARGIN = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class PreferencePowerShown:
    """What `blindtest power --method preference` prints."""

    chances: PreferenceChances
    minutes: float | None
    seconds: float
    practice: int
    curves: PlanCurves | None = None
    panel: tuple[PanelChances, ...] = ()
    """Of several listeners' answers together: who are alike, and who differ as stated."""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {"preference": self.chances.to_dict(), "minutes_given": self.minutes, **panel_dicts(self.panel)}

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
        if not (self.chances.can_fail or can_fail_together(self.panel)):
            lines.append(
                "This plan cannot refute a claim: take more pairs or a larger margin "
                f"(chance to fail {self.chances.chance_to_fail:.2f})."
            )
        lines += panel_lines(self.panel)
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
    listeners: int | None = None,
    sd_listener: float | None = None,
) -> PreferencePowerShown:
    """Return what a number of pairs, or the pairs that fit into some minutes, can and cannot show.

    Parameters
    ----------
    listeners, sd_listener : who have so many pairs each, and how far their own preferences scatter (probability)

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
    panel = panels_of(
        "preferred", listeners=listeners, sd_listener=sd_listener, trials=chances.trials, margin=chances.margin,
        alpha=alpha, direction=direction,
    )  # fmt: skip
    return PreferencePowerShown(
        chances=chances,
        minutes=minutes,
        seconds=seconds,
        practice=practice,
        curves=_preference_curves(chances),
        panel=panel,
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
