"""How many listeners sat, against how many were sealed as planned."""

from typing import TYPE_CHECKING

from blindtest.nouns import number_of
from blindtest.session.register import WITHHELD

if TYPE_CHECKING:
    from blindtest.session.store import Store
    from blindtest.steps.answers.study import Answers

__all__ = ["attendance_words", "elsewhere_words", "planned_listeners", "unused_words", "withdrawn_words"]


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


def unused_words(store: "Store", own: str) -> str:
    """Return in words that the study was sealed otherwise just before the seal `own`, and nobody sat under that one.

    '' where the seal before has sittings (`elsewhere_words` tells those), or where there is none.
    """
    sealed = [entry.commitment for entry in store.seals() if entry.kind == "study"]
    if own not in sealed[1:]:
        return ""
    before = sealed[sealed.index(own) - 1]
    if any(entry.study_seal == before for entry in store.sittings()):
        return ""
    return (
        f"the study was changed since it was sealed as {before[:16]}..., and nobody has sat under that seal: where it "
        "was published it says nothing of this sitting, so publish this one too"
    )
