"""Answers to 'which one was it?', as a report tells them."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from blindtest.stats import RecognitionResult

__all__ = ["RecognitionFacts"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecognitionFacts:
    """Answers to 'which one was it?' after blind blocks, held against chance."""

    who: str
    """Pseudonym, or 'all answers'."""
    correct: int
    trials: int
    choices: int
    """Names to choose from: a guess is right once in that many."""
    p_value: float
    """Exact, one-sided: this many or more right by guessing alone."""
    lower_limit: float
    proportion: float
    interval: tuple[float, float]
    level: float = 0.95
    adjusted_p_value: float | None = None
    """By Holm over the listeners."""

    @classmethod
    def of(cls, who: str, result: "RecognitionResult", *, adjusted_p_value: float | None = None) -> "RecognitionFacts":
        """Return the facts of a result of `stats.recognition_test`."""
        return cls(
            who=who,
            correct=result.correct,
            trials=result.trials,
            choices=result.options,
            p_value=result.p_value,
            lower_limit=result.lower_limit,
            proportion=result.proportion,
            interval=result.interval,
            level=result.level,
            adjusted_p_value=adjusted_p_value,
        )
