"""Which one was it? Recognition after a blind block, held against chance; printed beside the verdict.

Who can tell by its sound which device plays is not blind to it in every sense: a blind effect then may hold knowledge.
"""

from dataclasses import dataclass
from fractions import Fraction
from operator import index
from typing import Any

from blindtest.stats.binomial import (
    Interval,
    checked_counts,
    checked_probability,
    clopper_pearson,
    lower_limit,
    upper_tail,
)
from blindtest.stats.plain import plain

__all__ = ["RecognitionResult", "recognition_test"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecognitionResult:
    """Right answers to "which one was it?" held against chance."""

    correct: int
    trials: int
    options: int
    """Answers to choose from."""
    chance: float
    proportion: float
    p_value: float
    """Probability of this many or more right by chance; exact, one-sided."""
    lower_limit: float
    """Proportion right, one-sided; goes with the p."""
    interval: Interval
    """Proportion right, two-sided (Clopper & Pearson)."""
    level: float
    assumptions: tuple[str, ...] = (
        "which device stood where was drawn, so that by chance each answer is equally likely to be right",
        "one answer says nothing about another; each device asked about once per block makes them slightly dependent",
    )
    test: str = "exact binomial, one-sided, against 1/options"
    source: str = "Clopper & Pearson 1934 for the interval"

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        low, high = self.interval
        return (
            f"Recognised: {self.correct} of {self.trials} (chance: 1 in {self.options}). Chance alone brings this many "
            f"or more with probability {self.p_value:.3g} (exact, one-sided); with {100 * self.level:g} % confidence "
            f"{100 * low:.0f} % to {100 * high:.0f} % are recognised."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        return plain(self, "sentence")


def recognition_test(correct: int, trials: int, options: int, *, level: float = 0.95) -> RecognitionResult:
    """Hold `correct` of `trials` right answers among `options` each against chance, 1/options; exactly.

    Raises
    ------
    ValueError
        No trials, impossible counts, fewer than two options, a level outside 0 ... 1.
    """
    correct, trials = checked_counts(correct, trials)
    if index(options) < 2:
        raise ValueError(f"there must be two or more options, got {options}")
    checked_probability("level", level)
    chance = Fraction(1, index(options))
    return RecognitionResult(
        correct=correct,
        trials=trials,
        options=index(options),
        chance=float(chance),
        proportion=correct / trials,
        p_value=upper_tail(correct, trials, chance),
        lower_limit=lower_limit(correct, trials, level),
        interval=clopper_pearson(correct, trials, level),
        level=float(level),
    )
