"""What would become of each claim if all that was withdrawn spoke against it.

Rows that were erased can't be counted, and nobody can tell whether it was the listener who asked for it. So the worst
that they could have said is counted: every trial that was planned for those sittings, as trials are that nobody
answered, against whatever the claim ends as. A word that stands then rests on no withdrawal.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from blindtest.nouns import number_of
from blindtest.report import p_words
from blindtest.steps.answers.claim import ClaimAnswers, claim_answers

if TYPE_CHECKING:
    from blindtest.steps.answers.sitting import SittingAnswers
    from blindtest.steps.answers.study import Answers

__all__ = ["CountedAgainst", "counted_against", "counted_against_words"]

NO_COUNT = "it is not decided by counting choices, so erased answers can't be counted against it"


@dataclass(frozen=True, slots=True, kw_only=True)
class CountedAgainst:
    """A claim with all that was withdrawn counted against it."""

    claim: str
    trials: int
    """Planned for it in the sittings that were withdrawn."""
    before: str
    """The word it ends as, without them."""
    word: str | None
    """The word that it would end as; None where it can't be said."""
    p_value: float | None
    """Of the test that this word rests on."""
    why_not: str = ""

    @property
    def stands(self) -> bool | None:
        """Whether it is the same word."""
        return None if self.word is None else self.word == self.before

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "claim": self.claim,
            "trials": self.trials,
            "word": self.word,
            "stands": self.stands,
            "p_value": self.p_value,
            "why_not": self.why_not,
        }

    def text(self) -> str:
        """Return it in a sentence without its full stop."""
        head = (
            f"the claim {self.claim}, with the "
            f"{number_of(self.trials, 'trial that was', 'trials that were')} withdrawn counted against it"
        )
        if self.word is None:
            return f"{head}: {self.why_not}"
        p = "" if self.p_value is None else f" (p {p_words(self.p_value)})"
        if self.stands:
            return f"{head}, still ends as {self.word}{p}"
        return f"{head}, ends as {self.word}{p} in place of {self.before}: it rests on who asked for the withdrawal"


def counted_against(answers: "Answers") -> tuple[CountedAgainst, ...]:
    """Return it of each claim for which trials were withdrawn; () where none were."""
    gone = [one for one in answers.sittings if _counts_but_for_that(one)]
    found = []
    for one in answers.claims:
        trials = sum(len(sitting.planned_for(one.record)) for sitting in gone)
        if trials:
            found.append(_against(one, answers, gone, trials))
    return tuple(found)


def _counts_but_for_that(one: "SittingAnswers") -> bool:
    return one.entry.forgotten is not None and one.entry.state != "open" and not one.beyond_plan


def _against(one: ClaimAnswers, answers: "Answers", gone: "list[SittingAnswers]", trials: int) -> CountedAgainst:
    name = str(one.record["id"])
    if one.heard is None and one.preferred is None and one.attribute is None:
        why = one.why_not or NO_COUNT
        return CountedAgainst(claim=name, trials=trials, before=one.word, word=None, p_value=None, why_not=why)
    # A withdrawn sitting has no rows, so that each trial planned in it is one that nobody answered.
    worst = claim_answers(one.record, [*answers.counted, *gone], answers.seal.record, answers.alpha)
    return CountedAgainst(claim=name, trials=trials, before=one.word, word=worst.word, p_value=worst.p_value)


def counted_against_words(answers: "Answers") -> tuple[str, ...]:
    """Return it in words, a sentence for each claim."""
    return tuple(one.text() for one in counted_against(answers))
