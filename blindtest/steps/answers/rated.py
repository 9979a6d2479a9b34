"""What becomes of a claim that an impression survives blinding, and whether devices were recognized meanwhile."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from blindtest.stats import (
    Companion,
    RecognitionResult,
    SurvivalResult,
    recognition_test,
    survival,
    survival_companions,
    table_of,
)
from blindtest.steps.answers.sitting import SittingAnswers

__all__ = ["RatedAnswers", "rated_answers", "recognition_of"]

RECOGNITION = "recognition"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RatedAnswers:
    """Whether an impression survives blinding."""

    result: SurvivalResult
    ratings: Any
    """A DataFrame: listener, clip, device, mode, sitting, rating: worn ones too."""
    recognition: tuple[tuple[str, RecognitionResult], ...]
    """(listener or 'all answers', result); single listeners first, all answers last."""
    companions: tuple[Companion, ...] = ()


def rated_answers(
    claim: Mapping[str, Any], sittings: Sequence[SittingAnswers], record: Mapping[str, Any], alpha: float
) -> RatedAnswers:
    """Return what the ratings say of a sealed claim; `record`: the study seal's, with its anchors.

    Raises
    ------
    BlindtestError
        Too few ratings to say anything.
    """
    rows = [
        {
            "listener": sitting.entry.listener,
            "clip": row["clip"],
            "device": row["condition"],
            "mode": row["phase"],
            "sitting": sitting.entry.number,
            "rating": float(row["response"]),
        }
        for sitting in sittings
        for row in sitting.of_claim(claim)
    ]
    ratings = table_of(rows, ("listener", "clip", "device", "mode", "sitting", "rating"))
    anchors = record.get("anchors") or {}
    result = survival(
        ratings,
        device=claim["device"],
        comparator=claim["comparator"],
        margin=float(claim["margin"]),
        kept=float(claim["kept"]),
        alpha=alpha,
        anchor_low=anchors.get("low"),
        anchor_high=anchors.get("high"),
        only_these_clips=True if claim.get("only_these_clips") else None,
    )
    return RatedAnswers(
        result=result,
        ratings=ratings,
        recognition=recognition_of(sittings),
        companions=survival_companions(ratings, device=claim["device"], comparator=claim["comparator"], alpha=alpha),
    )


def recognition_of(sittings: Sequence[SittingAnswers]) -> tuple[tuple[str, RecognitionResult], ...]:
    """Return how often devices were recognized blind: single listeners where there are several, then all answers."""
    counted: dict[str, list[bool]] = {}
    options = 0
    for sitting in sittings:
        for block in sitting.plan.protocol.blocks:
            if block.method != RECOGNITION or not block.counted:
                continue
            options = max(options, len(sitting.plan.compared(block)))
            answers = [row["correct"] is True for row in sitting.of_blocks([block.id])]
            counted.setdefault(sitting.entry.listener, []).extend(answers)
    answered = {name: answers for name, answers in counted.items() if answers}
    if not answered:
        return ()
    everybody = [one for answers in answered.values() for one in answers]
    single = answered.items() if len(answered) > 1 else ()
    return (
        *((name, recognition_test(sum(own), len(own), options)) for name, own in single),
        ("all answers", recognition_test(sum(everybody), len(everybody), options)),
    )
