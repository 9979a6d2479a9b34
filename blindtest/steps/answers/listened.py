"""What becomes of a claim that one keeps people listening: choices with a consequence, dwell and skips beside them."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

from blindtest.errors import BlindtestError
from blindtest.report import ListenedPlan
from blindtest.stats import (
    ChoiceResult,
    Companion,
    DwellResult,
    SkipResult,
    choice_power,
    choice_test,
    dwell_test,
    skip_test,
)
from blindtest.steps.answers.sitting import SittingAnswers
from blindtest.steps.smallest_alpha import smallest_alpha
from blindtest.steps.tables.our_tracks import frame_of_tracks

__all__ = ["ListenedAnswers", "listened_answers"]

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class ListenedAnswers:
    """Who keeps people listening."""

    choice: ChoiceResult
    dwell: DwellResult | None
    skips: SkipResult | None
    why_no_dwell: str
    why_no_skips: str
    chances: ListenedPlan | None
    """Of as many tracks a listener as were planned, on average; None without a margin."""
    p_value: float
    """Of the test that the word rests on."""
    companions: tuple[Companion, ...] = ()


def listened_answers(
    claim: Mapping[str, Any], sittings: Sequence[SittingAnswers], alpha: float, planned: int
) -> ListenedAnswers:
    """Return what behaviour says to a sealed claim; planned tracks that nobody heard are ones without a choice."""
    frame = frame_of_tracks([row for sitting in sittings for row in _rows(sitting, claim)])
    common: dict[str, Any] = {"device": claim["device"], "direction": claim["direction"]}
    limits: dict[str, Any] = {"margin": claim["margin"], "alpha": alpha}
    dwell, why_no_dwell = _tried(lambda: dwell_test(frame, **common, **limits))
    skips, why_no_skips = _tried(lambda: skip_test(frame, **common, level=1 - alpha))
    listeners = len({sitting.entry.listener for sitting in sittings if sitting.planned_for(claim)})
    choice = choice_test(frame, **common, **limits)
    p_value = _p_of(choice)
    if choice.word == "negligible" and not claim["primary"]:
        # Only a further claim is corrected over others; a panel's limits are dear.
        p_value = smallest_alpha(
            "negligible",
            alpha,
            lambda at: choice_test(frame, **common, margin=claim["margin"], alpha=at).word,
            halvings=12,
        )
    return ListenedAnswers(
        choice=choice,
        dwell=dwell,
        skips=skips,
        why_no_dwell=why_no_dwell,
        why_no_skips=why_no_skips,
        chances=_plan(claim, alpha, max(1, round(planned / listeners)), listeners) if claim["margin"] else None,
        p_value=p_value,
    )


def _p_of(choice: ChoiceResult) -> float:
    """Return the p against an equal share on the side that it speaks for."""
    rest = choice.panel if choice.unit == "listener" and choice.panel is not None else choice.pooled
    return rest.p_other if rest.side == "other" and choice.direction == "claimed" else choice.p_value


def _plan(claim: Mapping[str, Any], alpha: float, tracks: int, listeners: int) -> ListenedPlan:
    margin = float(claim["margin"])
    more, less, alike = (
        choice_power(tracks, share=share, listeners=listeners, margin=margin, alpha=alpha, direction=claim["direction"])
        for share in (0.5 + margin, 0.5 - margin, 0.5)
    )
    return ListenedPlan(more=more, less=less, alike=alike)


def _tried(test: Callable[[], T]) -> tuple[T | None, str]:
    """Return what a test beside the result says, or why it says nothing."""
    try:
        return test(), ""
    except BlindtestError as error:
        return None, error.faults[0].problem


def _rows(sitting: SittingAnswers, claim: Mapping[str, Any]) -> list[dict[Any, Any]]:
    """Return the rows of the tracks planned for a claim; of one that nobody heard, what was drawn."""
    answered = [dict(row) for row in sitting.of_claim(claim)]
    heard = {int(row["trial"]) for row in answered}
    left = [] if sitting.entry.state == "open" else [one for one in sitting.planned_for(claim) if one not in heard]
    for number in left:
        trial = sitting.plan.trial(number)
        answered.append(
            {
                "listener": sitting.entry.listener,
                "sitting": sitting.entry.number,
                "trial": number,
                "clip": trial.clip,
                "order": "|".join(f"{slot.name}={slot.condition}" for slot in trial.drawn.slots),
                "slot": "choice",
                "response": None,
            }
        )
    return answered
