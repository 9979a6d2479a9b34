"""Which one was it? After a blind block: could the listener tell by ear which device sounded?

One of the conditions sounds, drawn by a fair independent draw; the listener says which. Recognition is tested exactly
against chance and printed beside the verdict: who recognises a device may rate its name.
"""

from collections.abc import Mapping, Sequence

from blindtest.methods.contract import Drawn, Method, Outcome, Question, Setting, Slot, Source, Value
from blindtest.words import worded

__all__ = ["RECOGNITION"]


def _slot_names(setting: Setting) -> tuple[str, ...]:
    return ("?",)


def _draw(below: Source, setting: Setting, earlier: Sequence[Outcome]) -> Drawn:
    which = below(len(setting.conditions))
    return Drawn(
        slots=(Slot(name="?", role="x", condition=setting.conditions[which]),), right={"choice": str(which + 1)}
    )


def _question(names: tuple[str, ...], setting: Setting) -> Question:
    options: tuple[tuple[Value, str], ...] = tuple(
        (str(place), label) for place, label in enumerate(setting.labels, start=1)
    )
    return Question(kind="choose", prompt=worded("Which one is this?"), keys=("choice",), options=options)


def _fault_in(question: Question, answer: Mapping[str, object]) -> str | None:
    if set(answer) != {"choice"} or answer["choice"] not in [value for value, _ in question.options]:
        return worded("the answer must be one of the names")
    return None


RECOGNITION = Method(
    name="recognition",
    title="Recognition",
    source="own; exact binomial against 1/n",
    answer_kind="choose",
    guess_rate=None,
    conditions=(2, 12),
    slot_names=_slot_names,
    draw=_draw,
    question=_question,
    fault_in=_fault_in,
    names_all=True,
)
