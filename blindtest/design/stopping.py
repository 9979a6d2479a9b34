"""Stopping rules of a block: sealed as a table of numbers, followed by look-up.

What a table is computed from, and that its error rates hold, is the business of `stats.stopping`; here it is only
looked up: after so many trials that count, so many right (or as few) end the block. Nothing else may end it, so that
whoever is given the plan and the answers can say where it had to end.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

__all__ = ["Stopped", "Stopping", "StoppingRule", "stopping_from_record", "stopping_record"]

StoppingRule = Literal["group-sequential", "sprt", "e-process"]
"""The rules there are beside a fixed number of trials."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stopped:
    """Where a block ended."""

    trials: int
    """Trials that count."""
    correct: int
    how: Literal["high", "low", "last"]
    """'high', 'low': at an upper or lower number of the table; 'last': at its last trial."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stopping:
    """A block's stopping rule, and the table it comes down to."""

    rule: StoppingRule
    asked_looks: int | tuple[int, ...] | None = None
    """Of 'group-sequential': after which trials somebody looks, or how often at equal distances."""
    spending: str | None = None
    """Of 'group-sequential': by which function alpha is spent; None: "obrien-fleming"."""
    beta: float | None = None
    """Chance to end low where the margin's share is heard; None: alpha. The e-process reads none."""
    margin: float | None = None
    """Share of trials heard beyond guessing that the table was computed for; None before it was."""
    alpha: float | None = None
    looks: tuple[int, ...] = ()
    """The table: numbers of trials that count; () before it was computed, which is when the plan is sealed."""
    high: tuple[int | None, ...] = ()
    """This many right or more end the block at each look; None: no number does."""
    low: tuple[int | None, ...] = ()
    """This many right or fewer do."""

    def __post_init__(self) -> None:
        if not len(self.looks) == len(self.high) == len(self.low):
            raise ValueError(f"{len(self.looks)} looks, {len(self.high)} upper and {len(self.low)} lower numbers")

    def stopped(self, correct: Sequence[bool]) -> Stopped | None:
        """Return where a series of answers to trials that count ends the block, or None where it goes on."""
        if not self.looks:
            raise ValueError("the table of this stopping rule has not been computed")
        places = {look: place for place, look in enumerate(self.looks)}
        right = 0
        for trial, answer in enumerate(correct, start=1):
            right += bool(answer)
            if trial not in places:
                continue
            high, low = self.high[places[trial]], self.low[places[trial]]
            if high is not None and right >= high:
                return Stopped(trials=trial, correct=right, how="high")
            if low is not None and right <= low:
                return Stopped(trials=trial, correct=right, how="low")
            if trial == self.looks[-1]:
                return Stopped(trials=trial, correct=right, how="last")
        return None

    def ends_early(self, correct: Sequence[bool]) -> bool:
        """Return whether these answers end the block before its last trial.

        What comes to the last trial that counts goes on to the controls behind it, whatever the numbers say there: an
        end at another place would tell the listener how it ended.
        """
        end = self.stopped(correct)
        return end is not None and end.trials < self.looks[-1]


def stopping_record(stopping: Stopping) -> dict[str, Any]:
    """Return the rule as it stands in a record; what is not used is left out."""
    asked = stopping.asked_looks
    held = {
        "rule": stopping.rule,
        "asked_looks": list(asked) if isinstance(asked, tuple) else asked,
        "spending": stopping.spending,
        "beta": stopping.beta,
        "margin": stopping.margin,
        "alpha": stopping.alpha,
    }
    table = {"looks": list(stopping.looks), "high": list(stopping.high), "low": list(stopping.low)}
    return {**{key: value for key, value in held.items() if value is not None}, **(table if stopping.looks else {})}


def stopping_from_record(record: Mapping[str, Any]) -> Stopping:
    """Return the rule of a record."""
    lists = {key: tuple(record[key]) for key in ("looks", "high", "low") if key in record}
    asked = record.get("asked_looks")
    return Stopping(**{**record, **lists, "asked_looks": tuple(asked) if isinstance(asked, list | tuple) else asked})
