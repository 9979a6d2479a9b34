"""ABX: A and B are known to differ in name; X is one of them, drawn by a fair independent draw.

Source: Munson & Gardner 1950 (JASA 22, 675); the form in which the listener switches freely, Clark 1982
(JAES 30, 330-338). The key of every trial is drawn independently: a balanced key known to the listener breaks the
binomial.
"""

from collections.abc import Mapping, Sequence

from blindtest.methods.contract import Drawn, Method, Outcome, Question, Setting, Slot, Source
from blindtest.words import worded

__all__ = ["ABX"]

_NAMES = ("A", "B", "X")
_OPTIONS = (("A", worded("X is A")), ("B", worded("X is B")))


def _slot_names(setting: Setting) -> tuple[str, ...]:
    return _NAMES


def _draw(below: Source, setting: Setting, earlier: Sequence[Outcome]) -> Drawn:
    # Which condition is called A is drawn anew for every trial too, so that a letter never becomes a name.
    a, b = setting.conditions if below(2) == 0 else setting.conditions[::-1]
    letter, x = (("A", a), ("B", b))[below(2)]
    return Drawn(
        slots=(
            Slot(name="A", role="a", condition=a),
            Slot(name="B", role="b", condition=b),
            Slot(name="X", role="x", condition=x),
        ),
        right={"choice": letter},
    )


def _question(names: tuple[str, ...], setting: Setting) -> Question:
    return Question(
        kind="choose", prompt=worded("Is X the same as A, or the same as B?"), keys=("choice",), options=_OPTIONS
    )


def _fault_in(question: Question, answer: Mapping[str, object]) -> str | None:
    if set(answer) != {"choice"} or answer["choice"] not in ("A", "B"):
        return worded("the answer must be A or B")
    return None


ABX = Method(
    name="abx",
    title="ABX",
    source="Munson & Gardner 1950; Clark 1982",
    answer_kind="choose",
    guess_rate=0.5,
    conditions=(2, 2),
    slot_names=_slot_names,
    draw=_draw,
    question=_question,
    fault_in=_fault_in,
    decides=("heard",),
)
