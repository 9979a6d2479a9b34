"""What becomes of a claim that one has more of a named attribute."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from blindtest.stats import (
    AttributeChances,
    AttributeConclusion,
    Companion,
    PanelChances,
    adjust_p_values,
    attribute_chances,
    attribute_companions,
    conclude_attribute,
    trial_table,
)
from blindtest.steps.answers.sitting import SittingAnswers, rights_by_listener
from blindtest.steps.answers.together import chances_together
from blindtest.steps.smallest_alpha import smallest_alpha

__all__ = ["ATTRIBUTE_BY_SEVERAL", "AttributeAnswers", "AttributeListener", "attribute_answers"]

ATTRIBUTE_BY_SEVERAL = "attribute by several"
"""What a seal calls the analysis of more than one planned listener; older seals hold all answers together only."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributeListener:
    """One listener's choices over the counted sittings."""

    listener: str
    conclusion: AttributeConclusion
    adjusted_p_value: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributeAnswers:
    """Who has more of the attribute."""

    method: str
    attribute: str
    conclusion: AttributeConclusion
    listeners: tuple[AttributeListener, ...]
    chances: AttributeChances | None
    """Of the counted, ended sittings together; None without a margin."""
    p_value: float
    """Of the test that the word rests on."""
    companions: tuple[Companion, ...] = ()
    """What else was looked at."""
    together: PanelChances | None = None
    """Of several listeners, whose scatter *negligible* must withstand."""


def attribute_answers(
    claim: Mapping[str, Any],
    sittings: Sequence[SittingAnswers],
    alpha: float,
    planned: int,
    method: str,
    *,
    listeners_apart: bool = False,
) -> AttributeAnswers:
    """Return what the answers to a sealed claim say, all together and listener by listener.

    listeners_apart : whether *negligible* must withstand how much listeners differ, as newer seals say of several
    """

    def concluded(own: Sequence[SittingAnswers], by_listener: Sequence[tuple[int, int]] = ()) -> AttributeConclusion:
        answered = [row for sitting in own for row in sitting.of_claim(claim)]
        return conclude_attribute(
            sum(row["correct"] is True for row in answered),
            len(answered),
            method=method,
            margin=claim["margin"],
            alpha=alpha,
            direction=claim["direction"],
            unanswered=sum(sitting.unanswered_for(claim) for sitting in own),
            by_listener=by_listener,
        )

    rows = [row for sitting in sittings for row in sitting.of_claim(claim)]
    held = [sitting for sitting in sittings if sitting.planned_for(claim)]
    names = list(dict.fromkeys(sitting.entry.listener for sitting in held))
    own = [concluded([sitting for sitting in held if sitting.entry.listener == name]) for name in names]
    adjusted: list[float | None] = [None] * len(names)
    if len(names) > 1:
        adjusted = [float(p) for p in adjust_p_values([_against_guessing(one) for one in own])]
    apart = rights_by_listener(claim, sittings) if listeners_apart else ()
    conclusion = concluded(sittings, apart)
    return AttributeAnswers(
        method=method,
        attribute=str(claim["attribute"]),
        conclusion=conclusion,
        listeners=tuple(
            AttributeListener(listener=name, conclusion=one, adjusted_p_value=p)
            for name, one, p in zip(names, own, adjusted, strict=True)
        ),
        chances=None
        if claim["margin"] is None
        else attribute_chances(
            planned, method=method, margin=claim["margin"], alpha=alpha, direction=claim["direction"]
        ),
        p_value=_p_of(conclusion, apart),
        companions=attribute_companions(trial_table(rows), method=method, alpha=alpha) if rows else (),
        together=chances_together("attribute", claim, sittings, method=method, alpha=alpha, planned=planned)
        if listeners_apart
        else None,
    )


def _against_guessing(concluded: AttributeConclusion) -> float:
    """Return the p against guessing, unanswered trials counted against whoever it speaks for."""
    return concluded.favouring.p_value if concluded.side == "other" else concluded.against.p_value


def _p_of(one: AttributeConclusion, by_listener: Sequence[tuple[int, int]]) -> float:
    def word_at(at: float) -> str:
        return conclude_attribute(
            one.correct,
            one.trials,
            method=one.method,
            margin=one.margin,
            alpha=at,
            direction=one.direction,
            unanswered=one.unanswered,
            by_listener=by_listener,
        ).word

    if one.word == "negligible":
        return smallest_alpha("negligible", one.alpha, word_at, halvings=40)
    return _against_guessing(one)
