"""Triangle: three sounds, two of which are alike; which one is different?

Source: ISO 4120:2021. The six orders AAB ABA BAA BBA BAB ABB come equally often in the long run: each trial draws its
own, fairly and independently. Orders balanced over the trials of one listener would break the binomial for whoever
counts along.
"""

from collections.abc import Mapping, Sequence

from blindtest.methods.contract import Drawn, Method, Outcome, Question, Setting, Slot, Source
from blindtest.words import worded

__all__ = ["TRIANGLE"]

_NAMES = ("1", "2", "3")


def _slot_names(setting: Setting) -> tuple[str, ...]:
    return _NAMES


def _draw(below: Source, setting: Setting, earlier: Sequence[Outcome]) -> Drawn:
    order = below(6)
    odd, alike = setting.conditions if order < 3 else setting.conditions[::-1]
    place = order % 3
    return Drawn(
        slots=tuple(
            Slot(name=name, role="one of three", condition=odd if at == place else alike)
            for at, name in enumerate(_NAMES)
        ),
        right={"choice": _NAMES[place]},
    )


def _question(names: tuple[str, ...], setting: Setting) -> Question:
    return Question(
        kind="choose",
        prompt=worded("Two of the three are the same. Which one is different?"),
        keys=("choice",),
        options=tuple((name, worded("{name} is different", name=name)) for name in names),
    )


def _fault_in(question: Question, answer: Mapping[str, object]) -> str | None:
    if set(answer) != {"choice"} or answer["choice"] not in _NAMES:
        return worded("the answer must be 1, 2 or 3")
    return None


TRIANGLE = Method(
    name="triangle",
    title="Triangle",
    source="ISO 4120:2021",
    answer_kind="choose",
    guess_rate=1 / 3,
    conditions=(2, 2),
    slot_names=_slot_names,
    draw=_draw,
    question=_question,
    fault_in=_fault_in,
    decides=("heard",),
)
