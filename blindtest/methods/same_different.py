"""Same-different: a pair of sounds; are they the same?

Source: Macmillan & Creelman 2005, Detection Theory, ch. 9. The four pairs AA, BB, AB and BA come equally often in the
long run: half of the pairs are the same, by a fair and independent draw for each trial.

How readily a listener says "different" is the listener's own affair. Whoever hears nothing says it as often of same
pairs as of different ones, and is right in half of the trials whatever that readiness is, since half of the pairs are
of each kind: so the guess rate is 1/2. How well a listener can tell, apart from that readiness, is read from the two
rates (`stats.same_different_test`), not from the number right.
"""

from collections.abc import Mapping, Sequence

from blindtest.methods.contract import Drawn, Method, Outcome, Question, Setting, Slot, Source
from blindtest.words import worded

__all__ = ["SAME_DIFFERENT"]

_NAMES = ("1", "2")
_OPTIONS = (("same", worded("The two are the same")), ("different", worded("The two are different")))


def _slot_names(setting: Setting) -> tuple[str, ...]:
    return _NAMES


def _draw(below: Source, setting: Setting, earlier: Sequence[Outcome]) -> Drawn:
    pair = below(4)
    first = setting.conditions[pair // 2]
    same = pair % 2 == 0
    second = first if same else setting.conditions[1 - pair // 2]
    return Drawn(
        slots=(
            Slot(name="1", role="one of a pair", condition=first),
            Slot(name="2", role="one of a pair", condition=second),
        ),
        right={"choice": "same" if same else "different"},
    )


def _question(names: tuple[str, ...], setting: Setting) -> Question:
    return Question(
        kind="choose", prompt=worded("Are the two the same, or different?"), keys=("choice",), options=_OPTIONS
    )


def _fault_in(question: Question, answer: Mapping[str, object]) -> str | None:
    if set(answer) != {"choice"} or answer["choice"] not in [value for value, _ in _OPTIONS]:
        return worded("the answer must be same or different")
    return None


SAME_DIFFERENT = Method(
    name="same-different",
    title="Same-different",
    source="Macmillan & Creelman 2005",
    answer_kind="choose",
    guess_rate=0.5,
    conditions=(2, 2),
    slot_names=_slot_names,
    draw=_draw,
    question=_question,
    fault_in=_fault_in,
    decides=("heard",),
)
