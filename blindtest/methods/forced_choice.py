"""Forced choice with a named attribute: two sounds or three, one of which has more of it; which one?

Source: ISO 5495:2005 for two (2-AFC, the paired comparison of one attribute); Hacker & Ratcliff 1979 (Perception &
Psychophysics 26, 168; from memory) for three. One sound is of the first condition, the other or others of the second.
The first is the one said to have more, so the right answer is where it stands: a fair and independent draw.

The attribute is text of the protocol or the study, in `numbers`; it is the same in every trial, so it tells nothing.
"""

from collections.abc import Mapping, Sequence

from blindtest.methods.choice import must_be_one_of
from blindtest.methods.contract import Drawn, Method, Outcome, Question, Setting, Slot, Source
from blindtest.words import worded

__all__ = ["THREE_AFC", "TWO_AFC"]

_TWO, _THREE = ("1", "2"), ("1", "2", "3")


def _draw(below: Source, setting: Setting, names: tuple[str, ...]) -> Drawn:
    more, less = setting.conditions
    place = below(len(names))
    return Drawn(
        slots=tuple(
            Slot(name=name, role="compared", condition=more if at == place else less) for at, name in enumerate(names)
        ),
        right={"choice": names[place]},
    )


def _draw_two(below: Source, setting: Setting, earlier: Sequence[Outcome]) -> Drawn:
    return _draw(below, setting, _TWO)


def _draw_three(below: Source, setting: Setting, earlier: Sequence[Outcome]) -> Drawn:
    return _draw(below, setting, _THREE)


def _more(setting: Setting) -> str:
    """Return what one of them has more of; without an attribute more, of whatever it be."""
    attribute = setting.numbers.get("attribute")
    return worded("more") if attribute is None else worded("more {attribute}", attribute=attribute)


def _question_of_two(names: tuple[str, ...], setting: Setting) -> Question:
    return _question(names, setting, worded("Which of the two has {more}?", more=_more(setting)))


def _question_of_three(names: tuple[str, ...], setting: Setting) -> Question:
    return _question(
        names, setting, worded("Two of the three are the same, one has {more}. Which one?", more=_more(setting))
    )


def _question(names: tuple[str, ...], setting: Setting, prompt: str) -> Question:
    return Question(
        kind="choose",
        prompt=prompt,
        keys=("choice",),
        options=tuple((name, worded("{name} has {more}", name=name, more=_more(setting))) for name in names),
    )


def _fault_in(question: Question, answer: Mapping[str, object]) -> str | None:
    values = [value for value, _ in question.options]
    if set(answer) != {"choice"} or answer["choice"] not in values:
        return must_be_one_of(values)
    return None


TWO_AFC = Method(
    name="2afc",
    title="2-AFC",
    source="ISO 5495:2005",
    answer_kind="choose",
    guess_rate=0.5,
    conditions=(2, 2),
    slot_names=lambda setting: _TWO,
    draw=_draw_two,
    question=_question_of_two,
    fault_in=_fault_in,
    decides=("attribute",),
)

THREE_AFC = Method(
    name="3afc",
    title="3-AFC",
    source="Hacker & Ratcliff 1979, after ISO 5495:2005",
    answer_kind="choose",
    guess_rate=1 / 3,
    conditions=(2, 2),
    slot_names=lambda setting: _THREE,
    draw=_draw_three,
    question=_question_of_three,
    fault_in=_fault_in,
    decides=("attribute",),
)
