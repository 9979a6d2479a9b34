"""A claim that one keeps people listening, as a report tells it: choices, and beside them dwell and skips."""

from dataclasses import dataclass

from blindtest.stats import ChoiceResult, DwellResult, FreeListeningPower, SkipResult

__all__ = ["ListenedFacts", "ListenedPlan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ListenedPlan:
    """How often the plan ends with each word, by what is true."""

    more: FreeListeningPower
    """At a probability of 1/2 + margin to choose the device."""
    less: FreeListeningPower
    """At 1/2 - margin."""
    alike: FreeListeningPower
    """At 1/2."""

    @property
    def chance_to_fail(self) -> float:
        """The larger of the chances of *refuted* and *negligible*, each when it is true."""
        return max(self.less.refuted, self.alike.negligible)


@dataclass(frozen=True, slots=True, kw_only=True)
class ListenedFacts:
    """What behaviour says about a claim that the device keeps people listening."""

    choice: ChoiceResult
    """The word rests on it."""
    dwell: DwellResult | None = None
    skips: SkipResult | None = None
    why_no_dwell: str = ""
    why_no_skips: str = ""
