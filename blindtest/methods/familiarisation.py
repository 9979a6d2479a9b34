"""Familiarisation: hear everything that will be compared, freely and unscored, before anything is asked.

All conditions of a clip stand side by side under numbers, in a drawn order; there is nothing to answer but that one has
heard enough. Nothing is named: who learns here which device sounds how would know it blind.

Sources: ITU-R BS.1534-3 (2015), 5.2 and attachment 1 (listeners hear the full range of impairments and all signals of
the test before it); ITU-R BS.1116-3 (2015), familiarisation (from memory).
"""

from collections.abc import Mapping, Sequence

from blindtest.methods.contract import Drawn, Method, Outcome, Question, Setting, Slot, Source, numbered_slots
from blindtest.words import worded

__all__ = ["FAMILIARISATION"]


def _draw(below: Source, setting: Setting, earlier: Sequence[Outcome]) -> Drawn:
    left, slots = list(setting.conditions), []
    for name in numbered_slots(setting):
        slots.append(Slot(name=name, role="any", condition=left.pop(below(len(left)))))
    return Drawn(slots=tuple(slots))


def _question(names: tuple[str, ...], setting: Setting) -> Question:
    return Question(
        kind="choose",
        prompt=worded("Get to know all of them; nothing is scored here."),
        keys=("choice",),
        options=(("heard", worded("I have heard enough")),),
    )


def _fault_in(question: Question, answer: Mapping[str, object]) -> str | None:
    return None if answer == {"choice": "heard"} else worded("say that you have heard enough")


FAMILIARISATION = Method(
    name="familiarisation",
    title="Familiarisation",
    source="ITU-R BS.1534-3, 5.2; ITU-R BS.1116-3",
    answer_kind="choose",
    guess_rate=None,
    conditions=(2, 12),
    slot_names=numbered_slots,
    draw=_draw,
    question=_question,
    fault_in=_fault_in,
)
