"""A trial of an adaptive method: one level of the grid beside the reference, in one of two tasks.

*odd*: three sounds, the reference twice and the level once; which one is different? Where it stands is drawn fairly for
every trial; who hears nothing is right in one third of trials. *abx*: the level and the reference as A and B, one of
them again as X.

The first condition of the setting is the reference, the others are the levels from the faintest to the strongest.
"""

from collections.abc import Callable, Mapping, Sequence

from blindtest.methods.abx import ABX
from blindtest.methods.choice import must_be_one_of
from blindtest.methods.contract import Drawn, Method, Outcome, Question, Setting, Slot, Source
from blindtest.words import worded

__all__ = ["GUESS_RATES", "NextPlace", "adaptive_method", "guess_rate", "place_of"]

NextPlace = Callable[[Setting, Sequence[Outcome]], int]
"""The rule: which place of the grid comes next."""
GUESS_RATES = {"odd": 1 / 3, "abx": 1 / 2}
"""Of each task."""
_NAMES = ("1", "2", "3")


def guess_rate(numbers: Mapping[str, object]) -> float:
    """Return the probability that a guess is right, by a block's numbers."""
    return GUESS_RATES[str(numbers.get("task", "odd"))]


def place_of(drawn: Drawn, setting: Setting) -> int:
    """Return the place of the level that a trial held."""
    reference = setting.conditions[0]
    return next(setting.conditions.index(s.condition) - 1 for s in drawn.slots if s.condition != reference)


def adaptive_method(*, name: str, title: str, source: str, next_place: NextPlace) -> Method:
    """Return the method that follows a rule."""

    def draw(below: Source, setting: Setting, earlier: Sequence[Outcome]) -> Drawn:
        reference, level = setting.conditions[0], setting.conditions[1 + next_place(setting, earlier)]
        if _is_abx(setting):
            return ABX.draw(below, Setting(conditions=(level, reference)), ())
        odd = _NAMES[below(3)]
        return Drawn(
            slots=tuple(
                Slot(name=each, role="one of three", condition=level if each == odd else reference) for each in _NAMES
            ),
            right={"choice": odd},
        )

    return Method(
        name=name,
        title=title,
        source=source,
        answer_kind="choose",
        guess_rate=None,
        conditions=(2, 61),
        slot_names=_slot_names,
        draw=draw,
        question=_question,
        fault_in=_fault_in,
        decides=("threshold",),
        adaptive=True,
    )


def _is_abx(setting: Setting) -> bool:
    return setting.numbers.get("task", "odd") == "abx"


def _slot_names(setting: Setting) -> tuple[str, ...]:
    return ABX.slot_names(setting) if _is_abx(setting) else _NAMES


def _question(names: tuple[str, ...], setting: Setting) -> Question:
    if _is_abx(setting):
        return ABX.question(names, setting)
    return Question(
        kind="choose",
        prompt=worded("Two of the three are the same. Which one is different?"),
        keys=("choice",),
        options=tuple((name, worded("{name} is different", name=name)) for name in names),
    )


def _fault_in(question: Question, answer: Mapping[str, object]) -> str | None:
    values = [str(value) for value, _ in question.options]
    if set(answer) != {"choice"} or answer["choice"] not in values:
        return must_be_one_of(values)
    return None
