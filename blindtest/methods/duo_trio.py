"""Duo-trio: a reference and two sounds, one of which is the reference again; which one?

Source: ISO 10399:2017. Which condition is the reference is drawn for every trial (balanced reference), or, with the
number `constant` set to 1, always the one that is named last, the familiar one (constant reference). Where the
reference comes again is a fair and independent draw.
"""

from collections.abc import Mapping, Sequence

from blindtest.methods.contract import Drawn, Method, Outcome, Question, Setting, Slot, Source
from blindtest.words import worded

__all__ = ["DUO_TRIO"]

_NAMES = ("R", "1", "2")


def _slot_names(setting: Setting) -> tuple[str, ...]:
    return _NAMES


def _draw(below: Source, setting: Setting, earlier: Sequence[Outcome]) -> Drawn:
    other, reference = setting.conditions
    # Drawn also where it is constant, so that the place that follows is the same draw in both forms.
    turned = below(2) == 1
    if turned and not setting.numbers.get("constant", 0):
        other, reference = reference, other
    again = below(2)
    return Drawn(
        slots=(
            Slot(name="R", role="reference", condition=reference),
            Slot(name="1", role="compared", condition=reference if again == 0 else other),
            Slot(name="2", role="compared", condition=reference if again == 1 else other),
        ),
        right={"choice": _NAMES[1 + again]},
    )


def _question(names: tuple[str, ...], setting: Setting) -> Question:
    return Question(
        kind="choose",
        prompt=worded("Which of the two is the same as R?"),
        keys=("choice",),
        options=tuple((name, worded("{name} is R", name=name)) for name in names[1:]),
    )


def _fault_in(question: Question, answer: Mapping[str, object]) -> str | None:
    if set(answer) != {"choice"} or answer["choice"] not in _NAMES[1:]:
        return worded("the answer must be 1 or 2")
    return None


DUO_TRIO = Method(
    name="duo-trio",
    title="Duo-trio",
    source="ISO 10399:2017",
    answer_kind="choose",
    guess_rate=0.5,
    conditions=(2, 2),
    slot_names=_slot_names,
    draw=_draw,
    question=_question,
    fault_in=_fault_in,
    decides=("heard",),
)
