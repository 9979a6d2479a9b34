"""What becomes of ratings under names that may be wrong: what the sound is worth, and what the name.

The claim is about the sound: rated above, whatever name it bears. What the name is worth stands beside it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from blindtest.methods import METHODS, Setting
from blindtest.stats import LabelEffectResult, RecognitionResult, label_effect, table_of
from blindtest.steps.answers.sitting import SittingAnswers

__all__ = ["UNRELIABLE", "UnreliableAnswers", "has_unreliable_labels", "unreliable_answers"]

UNRELIABLE = "unreliable"
COLUMNS = ("listener", "sitting", "trial", "clip", "sound", "label", "rating")
DEALS = 9999
"""Of the exact test."""
SEED = 20_260_506
"""Of the exact test: fixed, so that the same answers are always told the same."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class UnreliableAnswers:
    """What the same ratings say of the sound and of the name."""

    result: LabelEffectResult
    ratings: Any
    """A DataFrame: listener, sitting, trial, clip, sound, label, rating."""
    recognition: tuple[tuple[str, RecognitionResult], ...]
    """(listener or 'all answers', result); single listeners first, all answers last."""
    unanswered: int
    """Trials of ended sittings that nobody answered; their ratings are missing, and nothing stands in for them."""

    @property
    def word(self) -> str:
        """How the claim ends: that of the sound."""
        return self.result.sound_conclusion.word

    @property
    def p_value(self) -> float:
        """Of the test that the word rests on."""
        concluded = self.result.sound_conclusion
        return self.result.sound_within_p if concluded.word == "negligible" else concluded.p_value


def has_unreliable_labels(claim: Mapping[str, Any], record: Mapping[str, Any]) -> bool:
    """Return whether a sealed claim is answered by blocks whose names may be wrong; `record`: the study seal's."""
    return any(
        block["phase"] == UNRELIABLE and block["id"] in claim["blocks"] for block in record["protocol"]["blocks"]
    )


def unreliable_answers(
    claim: Mapping[str, Any],
    sittings: Sequence[SittingAnswers],
    recognition: tuple[tuple[str, RecognitionResult], ...],
    alpha: float,
) -> UnreliableAnswers:
    """Return what the answers to a sealed claim say.

    Raises
    ------
    BlindtestError
        Too few ratings or listeners to say anything.
    """
    rows = [
        {
            "listener": sitting.entry.listener,
            "sitting": sitting.entry.number,
            "trial": int(row["trial"]),
            "clip": row["clip"],
            "sound": row["condition"],
            "label": row["label"],
            "rating": float(row["response"]),
        }
        for sitting in sittings
        for row in sitting.of_claim(claim)
        if row["phase"] == UNRELIABLE
    ]
    table = table_of(rows, COLUMNS)
    pages = {
        block.method
        for sitting in sittings
        for block in sitting.plan.protocol.blocks
        if block.phase == UNRELIABLE and block.id in claim["blocks"]
    }
    pair = Setting(conditions=(claim["device"], claim["comparator"]))
    single = all(len(METHODS[name].slot_names(pair)) == 1 for name in pages)
    return UnreliableAnswers(
        result=label_effect(
            table,
            device=claim["device"],
            comparator=claim["comparator"],
            margin=float(claim["margin"]),
            alpha=alpha,
            only_these_clips=True if claim.get("only_these_clips") else None,
            # As the plan dealt them: half of each clip's, and of each sound's where one is rated at a time.
            dealt_within=("clip", "sound") if single else ("clip",),
            draws=DEALS,
            seed=SEED,
        ),
        ratings=table,
        recognition=recognition,
        unanswered=sum(sitting.unanswered_for(claim) for sitting in sittings),
    )
