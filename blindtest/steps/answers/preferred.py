"""What becomes of a claim that one is preferred."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from blindtest.errors import BlindtestError
from blindtest.stats import (
    Companion,
    PanelChances,
    PreferenceChances,
    PreferenceConclusion,
    PreferenceResult,
    conclude_preference,
    fit_paired_preferences,
    preference_chances,
    preference_companions,
    table_of,
)
from blindtest.steps.answers.sitting import SittingAnswers
from blindtest.steps.answers.together import chances_together
from blindtest.steps.smallest_alpha import smallest_alpha

__all__ = ["SEVERAL", "PreferredAnswers", "preferred_answers"]

SEVERAL = "preferred by several"
"""What a seal calls the analysis of more than one planned listener; older seals hold all answers together only."""

OUTCOMES = {"1": "first", "2": "second", "none": "tie"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PreferredAnswers:
    """Whether one is preferred."""

    conclusion: PreferenceConclusion
    comparisons: Any
    """A DataFrame: listener, sitting, clip, first, second, outcome (missing where unanswered)."""
    strengths: PreferenceResult | None
    why_no_strengths: str
    chances: PreferenceChances
    p_value: float
    """Of the test that the word rests on."""
    companions: tuple[Companion, ...] = ()
    together: PanelChances | None = None
    """Of several listeners, whose scatter *negligible* must withstand."""


def preferred_answers(
    claim: Mapping[str, Any],
    sittings: Sequence[SittingAnswers],
    alpha: float,
    planned: int,
    *,
    listeners_apart: bool = False,
) -> PreferredAnswers:
    """Return what the pairs planned for a sealed claim say.

    listeners_apart : whether *negligible* must withstand how much listeners differ, as newer seals say of several
    """
    device = claim["device"]
    rows = [row for sitting in sittings for row in _comparisons(sitting, claim)]
    frame = table_of(rows, ("listener", "sitting", "clip", "first", "second", "outcome"))
    answered = [row for row in rows if row["outcome"] is not None]
    wins = sum(row["outcome"] in ("first", "second") and row[row["outcome"]] == device for row in answered)
    ties = sum(row["outcome"] == "tie" for row in answered)
    apart = _by_listener(answered, device) if listeners_apart else ()

    def concluded(at: float) -> PreferenceConclusion:
        return conclude_preference(
            wins,
            len(answered) - wins - ties,
            ties,
            margin=claim["margin"],
            alpha=at,
            direction=claim["direction"],
            unanswered=len(rows) - len(answered),
            by_listener=apart,
        )

    conclusion = concluded(alpha)
    strengths, why = None, ""
    try:
        strengths = fit_paired_preferences(frame, order=True)
    except BlindtestError as error:
        why = error.faults[0].problem
    return PreferredAnswers(
        conclusion=conclusion,
        comparisons=frame,
        strengths=strengths,
        why_no_strengths=why,
        chances=preference_chances(planned, margin=claim["margin"], alpha=alpha, direction=claim["direction"]),
        companions=preference_companions(
            frame, wins=conclusion.wins, losses=conclusion.losses, alpha=alpha, margin=claim["margin"]
        ),
        p_value=_p_of(conclusion, lambda at: concluded(at).word),
        together=chances_together("preferred", claim, sittings, method="preference", alpha=alpha, planned=planned)
        if listeners_apart
        else None,
    )


def _p_of(conclusion: PreferenceConclusion, word_at: Callable[[float], str]) -> float:
    """Return the p of the test that the word rests on: for *negligible* the larger of the two against the margin."""
    if conclusion.word == "negligible":
        return smallest_alpha("negligible", conclusion.alpha, word_at, halvings=40)
    return conclusion.favouring.p_value if conclusion.side == "other" else conclusion.against.p_value


def _by_listener(answered: Sequence[Mapping[str, Any]], device: str) -> tuple[tuple[int, int], ...]:
    """Return (wins, losses) of each listener."""
    found: dict[str, list[int]] = {}
    for row in answered:
        own = found.setdefault(row["listener"], [0, 0])
        if row["outcome"] != "tie":
            own[0 if row[row["outcome"]] == device else 1] += 1
    return tuple((won, lost) for won, lost in found.values())


def _comparisons(sitting: SittingAnswers, claim: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return a row for each pair planned for a claim, answered or not."""
    answers = {int(row["trial"]): str(row["response"]) for row in sitting.of_claim(claim)}
    found = []
    for number in sitting.planned_for(claim):
        trial = sitting.plan.trial(number)
        first, second = (slot.condition for slot in trial.drawn.slots)
        found.append(
            {
                "listener": sitting.entry.listener,
                "sitting": sitting.entry.number,
                "clip": trial.clip,
                "first": first,
                "second": second,
                "outcome": OUTCOMES.get(answers.get(number, "")),
            }
        )
    return found
