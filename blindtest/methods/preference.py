"""Paired preference: two sounds, which one would you rather listen to?

No answer is right. The order of the two is balanced over each clip and drawn, since the first heard may be preferred
for being first. With the number `ties` set to 1 the answer "no preference" is allowed; it is kept in the analysis,
since dropping or splitting it biases both ways (Davidson 1970, J. Am. Stat. Assoc. 65, 317).

Sources: ISO 5495:2005 (paired comparison); Bradley & Terry 1952 (Biometrika 39, 324).
"""

from collections.abc import Mapping, Sequence

from blindtest.methods.contract import Drawn, Method, Outcome, Question, Setting, Slot, Source, Value
from blindtest.words import worded

__all__ = ["PREFERENCE"]

_NAMES = ("1", "2")
TIE = "none"


def _slot_names(setting: Setting) -> tuple[str, ...]:
    return _NAMES


def _draw(below: Source, setting: Setting, earlier: Sequence[Outcome]) -> Drawn:
    first, second = setting.conditions if setting.order == 0 else setting.conditions[::-1]
    return Drawn(
        slots=(
            Slot(name="1", role="first", condition=first),
            Slot(name="2", role="second", condition=second),
        )
    )


def _question(names: tuple[str, ...], setting: Setting) -> Question:
    options: tuple[tuple[Value, str], ...] = tuple((name, worded("I prefer {name}", name=name)) for name in names)
    if setting.numbers.get("ties", 0):
        options = (*options, (TIE, worded("No preference")))
    return Question(
        kind="choose", prompt=worded("Which of the two would you rather listen to?"), keys=("choice",), options=options
    )


def _fault_in(question: Question, answer: Mapping[str, object]) -> str | None:
    if set(answer) != {"choice"} or answer["choice"] not in [value for value, _ in question.options]:
        if len(question.options) > 2:
            return worded("the answer must be one of the two, or no preference")
        return worded("the answer must be one of the two")
    return None


PREFERENCE = Method(
    name="preference",
    title="Paired preference",
    source="ISO 5495:2005; Bradley & Terry 1952; Davidson 1970",
    answer_kind="choose",
    guess_rate=None,
    conditions=(2, 2),
    slot_names=_slot_names,
    draw=_draw,
    question=_question,
    fault_in=_fault_in,
    decides=("preferred",),
    orders=lambda setting: 2,
)
