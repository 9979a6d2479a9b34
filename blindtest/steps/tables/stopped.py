"""A table says nothing about when it was stopped: what that may do to its p value, with the true error rate."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from blindtest.errors import BlindtestError, Fault
from blindtest.nouns import number_of
from blindtest.stats import stopped_at_will
from blindtest.steps.tables.contract import Asked

__all__ = ["Stopping", "missing_trials", "stopping_of"]

UNKNOWN = "A table says nothing about when it was stopped."
MOST_WALKED = 3000
"""Answers up to which the exact rate of errors is worked out: about a second."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stopping:
    """When the trials may have ended, and what follows."""

    lines: tuple[str, ...]
    values: Mapping[str, Any]


def missing_trials(asked: Asked, trials: int, *, file: str) -> int:
    """Return how many of the planned trials the table does not have.

    Raises
    ------
    BlindtestError
        It has more than were planned.
    """
    if asked.planned is None:
        return 0
    if trials > asked.planned:
        raise BlindtestError(
            Fault(
                problem="the table holds more trials than were planned",
                file=file,
                key="--planned",
                got=f"{trials} trials, {asked.planned} planned",
                remedy="take out those beyond the plan, or don't say how many were planned",
            )
        )
    return asked.planned - trials


def stopping_of(answers: Sequence[bool], *, guess: float, asked: Asked) -> Stopping:
    """Return what to say of when the trials ended; `answers` right or wrong in their order."""
    if asked.planned is not None:
        return Stopping(
            lines=(
                f"{number_of(asked.planned, 'trial was', 'trials were')} planned, as told: the p value holds "
                "for that number.",
            ),
            values={"planned": asked.planned},
        )
    if len(answers) > MOST_WALKED:
        return Stopping(lines=(UNKNOWN,), values={"planned": None})
    found = stopped_at_will(answers, guess=guess, alpha=asked.alpha)
    return Stopping(lines=(UNKNOWN, found.sentence), values={"planned": None, **found.to_dict()})
