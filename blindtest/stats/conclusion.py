"""The conclusion of a claim that something is heard: *shown*, *negligible* or *open*.

- *shown*: a guesser would do as well with probability alpha or less;
- *negligible*: somebody who hears the margin's share of trials would do as badly with probability alpha or less;
- *open*: neither.

With many trials both can hold: something is heard, and it is less than what was declared to matter. Then the word is
*negligible*, and `above_guessing` says the rest. The claim was sealed with its margin, "the smallest difference that
matters"; if a limit below the margin could still end as *shown*, enough trials would show anything, and no number of
trials could refute the claim. Either way each word is wrong in at most alpha of the cases in which it is false.

Trials that were planned and never answered (a sitting was abandoned) count against whichever conclusion is drawn: as
wrong where a difference is to be shown, as right where it is to be found negligible.
"""

from dataclasses import dataclass
from operator import index
from typing import Any, Literal

from blindtest.stats.binomial import checked_counts, checked_probability
from blindtest.stats.discrimination import (
    DiscriminationResult,
    SimilarityResult,
    discrimination_test,
    is_above_guessing,
    is_below_margin,
    similarity_test,
)
from blindtest.stats.plain import plain

__all__ = ["Conclusion", "Word", "conclude"]

Word = Literal["shown", "negligible", "open"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Conclusion:
    """What the counts say about a claim, with the two tests it rests on."""

    word: Word
    correct: int
    trials: int
    """Answered."""
    unanswered: int
    """Planned, never answered; counted as wrong in `difference`, as right in `similarity`."""
    method: str
    margin: float | None
    alpha: float
    above_guessing: bool
    """Whether more is heard than by guessing; beside *negligible*: heard, but less than what matters."""
    below_margin: bool
    difference: DiscriminationResult
    similarity: SimilarityResult | None
    """None without a margin: then the claim can't be found negligible."""
    answered: DiscriminationResult | None
    """The answered trials alone; None if there were none."""
    answered_similarity: SimilarityResult | None
    word_if_answered_only: Word
    """What the answered trials alone would say: printed beside, never instead."""

    @property
    def sentence(self) -> str:
        """The conclusion in plain words."""
        text = f"{self.word}: {_MEANING[self.word]}"
        if self.word == "negligible" and self.above_guessing:
            text = "negligible: heard more often than by guessing, yet less than what was declared to matter"
        if self.unanswered:
            text += (
                f"; {self.unanswered} unanswered trials count against it, the answered ones alone would say "
                f"{self.word_if_answered_only}"
            )
        return text + "."

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentences included."""
        return plain(self, "sentence")


_MEANING: dict[Word, str] = {
    "shown": "more is heard than by guessing",
    "negligible": "less is heard than what was declared to matter",
    "open": "neither guessing nor a difference that matters can be ruled out",
}


def conclude(
    correct: int,
    trials: int,
    *,
    method: str,
    margin: float | None,
    alpha: float = 0.05,
    unanswered: int = 0,
) -> Conclusion:
    """Draw the conclusion from `correct` of `trials` answered trials, and `unanswered` ones that were planned.

    Parameters
    ----------
    margin : smallest share of trials heard beyond guessing that matters, (0, 1]; None: *negligible* is out of reach
    alpha : of each of the two tests

    Raises
    ------
    ValueError
        Impossible counts, no trials planned at all, an unknown method, a margin or alpha out of range.
    """
    correct, trials, unanswered = index(correct), index(trials), index(unanswered)
    if unanswered < 0:
        raise ValueError(f"the number of unanswered trials must be 0 or more, got {unanswered}")
    if trials:
        checked_counts(correct, trials)
    elif correct:
        raise ValueError(f"no trial was answered, yet {correct} are said to be right")
    level = 1 - checked_probability("alpha", alpha)
    planned = trials + unanswered
    difference = discrimination_test(correct, planned, method=method, level=level)
    similarity = answered = answered_similarity = None
    if margin is not None:
        similarity = similarity_test(correct + unanswered, planned, method=method, distinguishers=margin, level=level)
    if trials:
        answered = discrimination_test(correct, trials, method=method, level=level)
        if margin is not None:
            answered_similarity = similarity_test(correct, trials, method=method, distinguishers=margin, level=level)
    above, below = _sides(correct, correct + unanswered, planned, method, margin, alpha)
    answered_alone = _sides(correct, correct, trials, method, margin, alpha) if trials else (False, False)
    return Conclusion(
        word=_word(above, below),
        correct=correct,
        trials=trials,
        unanswered=unanswered,
        method=method,
        margin=margin,
        alpha=alpha,
        above_guessing=above,
        below_margin=below,
        difference=difference,
        similarity=similarity,
        answered=answered,
        answered_similarity=answered_similarity,
        word_if_answered_only=_word(*answered_alone),
    )


def _sides(
    least_right: int, most_right: int, trials: int, method: str, margin: float | None, alpha: float
) -> tuple[bool, bool]:
    above = is_above_guessing(least_right, trials, method=method, alpha=alpha)
    below = margin is not None and is_below_margin(
        most_right, trials, method=method, distinguishers=margin, alpha=alpha
    )
    return above, below


def _word(above: bool, below: bool) -> Word:
    if below:
        return "negligible"
    return "shown" if above else "open"
