"""A claim that one has more of a named attribute, as a report tells it: counts, limits of d', single listeners."""

from dataclasses import dataclass

from blindtest.stats import AttributeConclusion, AttributeTest

__all__ = ["AttributeFacts", "AttributeListenerFacts"]


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributeListenerFacts:
    """One listener's choices."""

    who: str
    conclusion: AttributeConclusion
    adjusted_p_value: float | None = None
    """By Holm over the listeners; None where only one was tested."""

    @property
    def tested(self) -> AttributeTest:
        """The answered trials, or, where there are none, the planned ones counted as wrong."""
        return self.conclusion.answered or self.conclusion.against


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributeFacts:
    """What the answers say about a claim that the device has more of an attribute than the comparator."""

    conclusion: AttributeConclusion
    """Unanswered trials counted against whichever word is drawn."""
    listeners: tuple[AttributeListenerFacts, ...] = ()

    @property
    def decisive(self) -> AttributeTest:
        """The counting that the word rests on: unanswered trials stand against it."""
        one = self.conclusion
        if not one.unanswered or one.answered is None:
            return one.answered or one.against
        return {"shown": one.against, "refuted": one.favouring}.get(one.word, one.answered)
