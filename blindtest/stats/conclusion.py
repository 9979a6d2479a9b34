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

Of several listeners, *negligible* must hold for others like them too: the similarity test must also come out so with
counts that are worth less by how much the listeners' own counts scatter (design_effect.py). Where only all answers in
one pot say so, the word is *open*, or *shown*: half of a panel that hears everything and half that hears nothing are
no proof that hardly anything is heard.

Simulated (tests/stats/simulate_heard_scatter.py, 4,000 studies a cell): listeners drawn from people of whom half hear
twice the margin's share and half nothing are negligible by all answers in one pot in up to 33 % of studies at a stated
5 %; by the word in up to 6 % with eight listeners or more, 12 % with three and 25 % with two, which are then alike by
chance (few_listeners.py says so beside the word).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from operator import index
from typing import Any, Literal

from blindtest.stats.binomial import Interval, checked_counts, checked_probability
from blindtest.stats.design_effect import at_most_by_effect, design_effect, effective_limits, scatter_words
from blindtest.stats.discrimination import (
    DiscriminationResult,
    SimilarityResult,
    discrimination_test,
    is_above_guessing,
    is_below_margin,
    similarity_test,
)
from blindtest.stats.number_words import p_words, percent
from blindtest.stats.plain import plain
from blindtest.stats.unanswered_trials import unanswered_words

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
    """Of several listeners also by the counts that they are worth."""
    difference: DiscriminationResult
    similarity: SimilarityResult | None
    """None without a margin: then the claim can't be found negligible."""
    answered: DiscriminationResult | None
    """The answered trials alone; None if there were none."""
    answered_similarity: SimilarityResult | None
    word_if_answered_only: Word
    """What the answered trials alone would say: printed beside, never instead."""
    design_effect: float = 1.0
    """How many times as widely several listeners' counts scatter (variance) as those of listeners who are alike; 1: no
    more than chance, or nothing is known of single listeners."""
    wider_limits: Interval | None = None
    """One-sided limits of the proportion right, widened by the design effect, unanswered trials counted against either;
    None where nothing widens them."""
    wider_p_value: float | None = None
    """Of the similarity test with counts worth so much less; None where nothing widens it, or there is no margin."""
    listeners_differ: bool = False
    """Whether all answers together lie below the margin, and the counts that they are worth don't."""

    @property
    def negligible_p_value(self) -> float | None:
        """The larger p of what *negligible* has to withstand; None without a margin."""
        if self.similarity is None:
            return None
        return max(self.similarity.p_value, self.wider_p_value or 0.0)

    @property
    def scatter_sentence(self) -> str:
        """How far listeners differ, and what this leaves; empty where nothing widens the limits."""
        if self.wider_limits is None:
            return ""
        low, high = self.wider_limits
        margin = "" if self.wider_p_value is None else f"; against the margin p = {p_words(self.wider_p_value)}"
        return scatter_words(
            self.design_effect, f"of the share of right answers are {percent(low)} and {percent(high)}{margin}"
        )

    @property
    def sentence(self) -> str:
        """The conclusion in plain words."""
        text = f"{self.word}: {_MEANING[self.word]}"
        if self.word == "negligible" and self.above_guessing:
            text = "negligible: heard more often than by guessing, yet less than what was declared to matter"
        if self.word == "open" and self.listeners_differ:
            text = "open: all answers together lie below what was declared to matter, but listeners differ"
        return text + unanswered_words(self.unanswered, answered=self.trials, alone=self.word_if_answered_only) + "."

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentences included."""
        return plain(self, "negligible_p_value", "sentence", "scatter_sentence")


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
    by_listener: Sequence[tuple[int, int]] = (),
) -> Conclusion:
    """Draw the conclusion from `correct` of `trials` answered trials, and `unanswered` ones that were planned.

    Parameters
    ----------
    margin : smallest share of trials heard beyond guessing that matters, (0, 1]; None: *negligible* is out of reach
    alpha : of each of the two tests
    by_listener : each listener's (correct, trials); of two or more *negligible* must withstand how much they differ.
        Empty: nothing is known of single listeners, and the word is about all answers together

    Raises
    ------
    ValueError
        Impossible counts, no trials planned at all, an unknown method, a margin or alpha out of range, listeners whose
        counts don't add up.
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
    effect = _effect(by_listener, correct, trials)

    def worth(more: int) -> float | None:
        """Return the p against the margin of counts divided by the design effect; None where nothing widens it."""
        if similarity is None or effect <= 1:
            return None
        most, at_margin = correct + more, similarity.proportion_at_margin
        return at_most_by_effect(most, trials + more, at_margin, effect=effect)

    above, together = _sides(correct, correct + unanswered, planned, method, margin, alpha)
    below = together and (worth(unanswered) or 0.0) <= alpha
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
        word_if_answered_only=_word(answered_alone[0], answered_alone[1] and (worth(0) or 0.0) <= alpha),
        design_effect=effect,
        wider_limits=None
        if effect <= 1
        else effective_limits(correct, correct + unanswered, planned, effect=effect, level=level),
        wider_p_value=worth(unanswered),
        listeners_differ=together and not below,
    )


def _effect(by_listener: Sequence[tuple[int, int]], correct: int, trials: int) -> float:
    """Return the design effect of listeners' counts, which must add up."""
    for right, of in by_listener:
        if of:
            checked_counts(right, of)
    rights, trials_each = [one for one, _ in by_listener], [one for _, one in by_listener]
    if by_listener and (sum(rights), sum(trials_each)) != (correct, trials):
        raise ValueError(f"listeners' counts must add up to {correct} of {trials}, got {list(by_listener)}")
    return design_effect(rights, trials_each)


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
