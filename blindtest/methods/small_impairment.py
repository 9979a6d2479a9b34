"""Small impairments: the original given as A, and B and C, one of which is the original again and one the object.

Source: ITU-R BS.1116-3 (2015), double-blind triple stimulus with hidden reference. Both B and C are graded against A
on the continuous five-grade impairment scale, to one decimal, with the words of ITU-R BS.562; since one of the two *is*
A, at least one has to get 5.0. The difference grade is the object's grade less the hidden reference's, usually in -4 to
0; above 0 the two were confused.

Which of B and C holds the object is an independent fair draw in every trial. Of several objects each comes equally
often with each clip. The first condition of the setting is the original.
"""

from collections.abc import Mapping, Sequence
from decimal import Decimal

from blindtest.methods.contract import Drawn, Method, Outcome, Question, Setting, Slot, Source
from blindtest.methods.rating import MOST_SLOTS, fault_in_ratings
from blindtest.words import worded

__all__ = ["SMALL_IMPAIRMENT", "TRANSPARENT"]

_NAMES = ("A", "B", "C")
TRANSPARENT = 5.0
WORST = 1.0
DECIMALS = 1
SCALE = (
    (5.0, worded("Imperceptible")),
    (4.0, worded("Perceptible, but not annoying")),
    (3.0, worded("Slightly annoying")),
    (2.0, worded("Annoying")),
    (1.0, worded("Very annoying")),
)
"""ITU-R BS.562-3 and BS.1116-3: the words stand at the grades."""


def _slot_names(setting: Setting) -> tuple[str, ...]:
    return _NAMES


def _orders(setting: Setting) -> int:
    return len(setting.conditions) - 1


def _draw(below: Source, setting: Setting, earlier: Sequence[Outcome]) -> Drawn:
    reference, tested = setting.conditions[0], setting.conditions[1 + setting.order]
    first, second = (tested, reference) if below(2) == 0 else (reference, tested)
    return Drawn(
        slots=(
            Slot(name="A", role="reference", condition=reference),
            Slot(name="B", role="rated", condition=first),
            Slot(name="C", role="rated", condition=second),
        )
    )


def _question(names: tuple[str, ...], setting: Setting) -> Question:
    return Question(
        kind="rate",
        prompt=_asked(setting),
        keys=names[1:],
        range=(WORST, TRANSPARENT),
        scale=SCALE,
        points=True,
        step=10.0**-DECIMALS,
        one_at=TRANSPARENT,
    )


def _asked(setting: Setting) -> str:
    if "attribute" not in setting.numbers:
        return worded("How far do B and C differ from A, and how much does it annoy? One of the two is A again.")
    return worded(
        "How far do B and C differ from A in {attribute}, and how much does it annoy? {definition} "
        "One of the two is A again.",
        attribute=setting.numbers["attribute"],
        definition=setting.numbers["definition"],
    )


def _fault_in(question: Question, answer: Mapping[str, object]) -> str | None:
    fault = fault_in_ratings(question, answer)
    if fault is not None:
        return fault
    for key, value in answer.items():
        if isinstance(value, float) and value != round(value, DECIMALS):
            return worded("the grade of {key} has more than one decimal", key=key)
    if question.one_at not in answer.values():
        return worded(
            "at least one has to get {most}: one of the two is A again", most=Decimal(f"{TRANSPARENT:.{DECIMALS}f}")
        )
    return None


SMALL_IMPAIRMENT = Method(
    name="small-impairment",
    title="Small impairments, triple stimulus with hidden reference",
    source="after ITU-R BS.1116-3 (2015)",
    answer_kind="rate",
    guess_rate=None,
    conditions=(2, MOST_SLOTS),
    slot_names=_slot_names,
    draw=_draw,
    question=_question,
    fault_in=_fault_in,
    decides=("attribute",),
    orders=_orders,
    reference=True,
)
