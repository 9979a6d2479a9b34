"""How many listeners sat, against how many were sealed as planned."""

from typing import TYPE_CHECKING

from blindtest.nouns import number_of
from blindtest.session.register import WITHHELD

if TYPE_CHECKING:
    from blindtest.steps.answers.study import Answers

__all__ = ["attendance_words", "elsewhere_words", "planned_listeners", "withdrawn_words"]


def planned_listeners(answers: "Answers") -> int:
    """Return how many listeners the study seal plans, however many came."""
    return int(answers.seal.record["listeners"])


def attendance_words(answers: "Answers") -> str:
    """Return in words that another number of listeners sat than was planned; '' where as many did.

    Those whose sittings were erased have no name left to be counted by; they are told apart from these.
    """
    planned = planned_listeners(answers)
    sat = len({one.entry.listener for one in answers.sittings} - {WITHHELD})
    apart = ", those apart who withdrew" if answers.withheld else ""
    if sat > planned:
        return f"{number_of(sat, 'listener')} sat{apart}, where {planned} {'was' if planned == 1 else 'were'} planned"
    if sat < planned:
        return (
            f"{sat} of {planned} planned {'listener' if planned == 1 else 'listeners'} sat{apart}: the plan is not "
            "full, and a result looked at now is the plan's only if its outcome decides nothing about who else listens"
        )
    return ""


def withdrawn_words(sittings: int) -> str:
    """Return how many sittings were erased, in words."""
    if sittings == 1:
        return "1 sitting was withdrawn by its listener and is not counted"
    return f"{sittings} sittings were withdrawn by their listeners and are not counted"


def elsewhere_words(sittings: int) -> str:
    """Return in words that so many sittings stand under other study seals; '' where none does."""
    if not sittings:
        return ""
    stand, they_are = ("sitting", "it is") if sittings == 1 else ("sittings", "they are")
    return (
        f"{sittings} {stand} of this folder {'stands' if sittings == 1 else 'stand'} under other seals: the study was "
        f"changed in between, and {they_are} not counted with those under this one"
    )
