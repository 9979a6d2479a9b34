"""Pairs of a chain's combinations in which one stage is switched: which one would you rather listen to?

The conditions are all combinations of k stages, in the order of a full factorial, so that two of them differ in one
stage where their places differ in one bit. Each trial holds such a pair; every one of them comes up equally often (the
method's orders), so that each stage is asked for equally often, over whatever the others do. Which of the two comes
first is drawn. No answer is right.

Source: paired comparison after ISO 5495:2005; Yates 1937 for the design whose edges the pairs are.
"""

from collections.abc import Mapping, Sequence

from blindtest.methods.contract import Drawn, Method, Outcome, Question, Setting, Slot, Source, Value
from blindtest.words import worded

__all__ = ["STAGE_PAIR", "switched_pairs"]

_NAMES = ("1", "2")


def switched_pairs(count: int) -> tuple[tuple[int, int], ...]:
    """Return the places of two combinations that differ in one stage, of `count` in the order of a full factorial."""
    whole = 1 << (count.bit_length() - 1)
    stages = whole.bit_length() - 1
    return tuple(
        (place, place | 1 << stage) for stage in range(stages) for place in range(whole) if not place & 1 << stage
    )


def _slot_names(setting: Setting) -> tuple[str, ...]:
    return _NAMES


def _draw(below: Source, setting: Setting, earlier: Sequence[Outcome]) -> Drawn:
    pair = switched_pairs(len(setting.conditions))[setting.order]
    first, second = (setting.conditions[place] for place in (pair if below(2) == 0 else pair[::-1]))
    return Drawn(
        slots=(Slot(name="1", role="first", condition=first), Slot(name="2", role="second", condition=second)),
    )


def _question(names: tuple[str, ...], setting: Setting) -> Question:
    options: tuple[tuple[Value, str], ...] = tuple((name, worded("I prefer {name}", name=name)) for name in names)
    return Question(
        kind="choose", prompt=worded("Which of the two would you rather listen to?"), keys=("choice",), options=options
    )


def _fault_in(question: Question, answer: Mapping[str, object]) -> str | None:
    if set(answer) != {"choice"} or answer["choice"] not in [value for value, _ in question.options]:
        return worded("the answer must be one of the two")
    return None


STAGE_PAIR = Method(
    name="stage-pair",
    title="Paired comparison of stages",
    source="ISO 5495:2005; Yates 1937",
    answer_kind="choose",
    guess_rate=None,
    conditions=(4, 64),
    slot_names=_slot_names,
    draw=_draw,
    question=_question,
    fault_in=_fault_in,
    decides=("stage",),
    orders=lambda setting: len(switched_pairs(len(setting.conditions))),
)
