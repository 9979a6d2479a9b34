"""Tetrad: four sounds, two of each kind; which belong together?

Source: Ennis & Jesionka 2011 (J. Sens. Stud. 26, 371; from memory). There are three ways to make two pairs of four, so
a guess is right in a third of trials; which of them is the true one, and which kind stands first, is a fair and
independent draw.
"""

from collections.abc import Mapping, Sequence

from blindtest.methods.contract import Drawn, Method, Outcome, Question, Setting, Slot, Source
from blindtest.words import worded

__all__ = ["TETRAD"]

_NAMES = ("1", "2", "3", "4")
_PAIRINGS = (
    ("12", worded("1 with 2, and 3 with 4")),
    ("13", worded("1 with 3, and 2 with 4")),
    ("14", worded("1 with 4, and 2 with 3")),
)


def _slot_names(setting: Setting) -> tuple[str, ...]:
    return _NAMES


def _draw(below: Source, setting: Setting, earlier: Sequence[Outcome]) -> Drawn:
    order = below(6)
    first, second = setting.conditions if order < 3 else setting.conditions[::-1]
    together = _PAIRINGS[order % 3][0]
    return Drawn(
        slots=tuple(
            Slot(name=name, role="one of four", condition=first if name in together else second) for name in _NAMES
        ),
        right={"choice": together},
    )


def _question(names: tuple[str, ...], setting: Setting) -> Question:
    return Question(
        kind="choose",
        prompt=worded("Two and two are the same. Which belong together?"),
        keys=("choice",),
        options=_PAIRINGS,
    )


def _fault_in(question: Question, answer: Mapping[str, object]) -> str | None:
    if set(answer) != {"choice"} or answer["choice"] not in [value for value, _ in _PAIRINGS]:
        return worded("the answer must be one of the three ways to make two pairs")
    return None


TETRAD = Method(
    name="tetrad",
    title="Tetrad",
    source="Ennis & Jesionka 2011",
    answer_kind="choose",
    guess_rate=1 / 3,
    conditions=(2, 2),
    slot_names=_slot_names,
    draw=_draw,
    question=_question,
    fault_in=_fault_in,
    decides=("heard",),
)
