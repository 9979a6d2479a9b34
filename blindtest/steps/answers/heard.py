"""What becomes of a claim that a difference is heard."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from blindtest.stats import (
    Companion,
    Conclusion,
    PanelChances,
    PlanChances,
    adjust_p_values,
    choice_companions,
    conclude,
    plan_chances,
    trial_table,
)
from blindtest.steps.answers.sitting import SittingAnswers, rights_by_listener
from blindtest.steps.answers.together import chances_together

__all__ = ["HEARD_BY_SEVERAL", "HeardAnswers", "ListenerAnswers", "heard_answers"]

HEARD_BY_SEVERAL = "heard by several"
"""What a seal calls the analysis of more than one planned listener; older seals hold all answers together only."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ListenerAnswers:
    """One listener's choices over the counted sittings."""

    listener: str
    correct: int
    trials: int
    unanswered: int
    conclusion: Conclusion
    adjusted_p_value: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardAnswers:
    """Whether a difference is heard."""

    method: str
    conclusion: Conclusion
    listeners: tuple[ListenerAnswers, ...]
    chances: PlanChances | None
    """Of the counted, ended sittings together; None without a margin."""
    companions: tuple[Companion, ...] = ()
    """What else was looked at."""
    together: PanelChances | None = None
    """Of several listeners, whose scatter *negligible* must withstand."""

    @property
    def p_value(self) -> float:
        """Of the test that the word rests on."""
        concluded = self.conclusion
        if concluded.word == "negligible" and (p_value := concluded.negligible_p_value) is not None:
            return p_value
        return concluded.difference.p_value


def heard_answers(
    claim: Mapping[str, Any],
    sittings: Sequence[SittingAnswers],
    alpha: float,
    planned: int,
    method: str,
    *,
    listeners_apart: bool = False,
) -> HeardAnswers:
    """Return what the answers to a sealed claim say, all together and listener by listener.

    listeners_apart : whether *negligible* must withstand how much listeners differ, as newer seals say of several
    """
    margin = claim["margin"]
    rows = [row for sitting in sittings for row in sitting.of_claim(claim)]

    def concluded(own: Sequence[SittingAnswers], by_listener: Sequence[tuple[int, int]] = ()) -> Conclusion:
        answered = [row for sitting in own for row in sitting.of_claim(claim)]
        return conclude(
            sum(row["correct"] is True for row in answered),
            len(answered),
            method=method,
            margin=margin,
            alpha=alpha,
            unanswered=sum(sitting.unanswered_for(claim) for sitting in own),
            by_listener=by_listener,
        )

    conclusion = concluded(sittings, rights_by_listener(claim, sittings) if listeners_apart else ())
    chances = plan_chances(planned, method=method, margin=margin, alpha=alpha) if margin else None
    names = list(dict.fromkeys(sitting.entry.listener for sitting in sittings if sitting.planned_for(claim)))
    own = [concluded([sitting for sitting in sittings if sitting.entry.listener == name]) for name in names]
    adjusted: list[float | None] = [None] * len(names)
    if len(names) > 1:
        adjusted = [float(p) for p in adjust_p_values([one.difference.p_value for one in own])]
    listeners = tuple(
        ListenerAnswers(
            listener=name,
            correct=one.correct,
            trials=one.trials,
            unanswered=one.unanswered,
            conclusion=one,
            adjusted_p_value=p,
        )
        for name, one, p in zip(names, own, adjusted, strict=True)
    )
    assert len(rows) == conclusion.trials
    return HeardAnswers(
        method=method,
        conclusion=conclusion,
        listeners=listeners,
        chances=chances,
        companions=choice_companions(trial_table(rows), method=method, alpha=alpha, margin=margin) if rows else (),
        together=chances_together("heard", claim, sittings, method=method, alpha=alpha, planned=planned)
        if listeners_apart
        else None,
    )
