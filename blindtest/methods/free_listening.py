"""Free listening: whole tracks in unlabelled slots; which one shall play the rest?

Our own, from no standard: a choice with a consequence. The slots of a track hold the conditions in an order drawn anew,
the programme runs on and does not come round, and after a while the listener picks the slot that plays the rest alone,
until the track is over or skipped. What is chosen is the answer; how long each slot was listened to, and when the track
was left, the sitting measures from what happened.
"""

from collections.abc import Mapping, Sequence

from blindtest.methods.choice import must_be_one_of
from blindtest.methods.contract import Drawn, Method, Outcome, Question, Setting, Slot, Source, numbered_slots
from blindtest.words import worded

__all__ = ["CHOICE_AFTER_S", "FREE_LISTENING"]

CHOICE_AFTER_S = 30.0
"""Seconds of sound after which the choice is offered, if the protocol says no other number."""
_MOST_SLOTS = 3


def _draw(below: Source, setting: Setting, earlier: Sequence[Outcome]) -> Drawn:
    left = list(setting.conditions)
    drawn = [left.pop(below(len(left))) for _ in setting.conditions]
    return Drawn(
        slots=tuple(
            Slot(name=name, role="one of several", condition=condition)
            for name, condition in zip(numbered_slots(setting), drawn, strict=True)
        )
    )


def _question(names: tuple[str, ...], setting: Setting) -> Question:
    return Question(
        kind="choose",
        prompt=worded("Which one shall play the rest of this track?"),
        keys=("choice",),
        options=tuple((name, worded("{name} plays the rest", name=name)) for name in names),
        offered_after_s=float(setting.numbers.get("choice_after_s", CHOICE_AFTER_S)),
        measured=(*names, "start"),
        measured_later=("played", "ended"),
    )


def _fault_in(question: Question, answer: Mapping[str, object]) -> str | None:
    names = tuple(value for value, _ in question.options)
    if set(answer) != {"choice"} or answer["choice"] not in names:
        return must_be_one_of(names)
    return None


FREE_LISTENING = Method(
    name="free-listening",
    title="Free listening",
    source="ours: a choice with a consequence, and dwell",
    answer_kind="choose",
    guess_rate=None,
    conditions=(2, _MOST_SLOTS),
    slot_names=numbered_slots,
    draw=_draw,
    question=_question,
    fault_in=_fault_in,
    decides=("keeps listening",),
)
