"""Ratings on a continuous quality scale: all conditions of a clip on one page, or one at a time.

There is no reference and no right answer: the frame of ITU-R BS.2132 for comparing systems none of which is the
original. The scale runs from 0 to 100 in five equal intervals with the words of ITU-R BS.1534 and BS.1284. In which
slot a condition sounds is drawn anew for every trial; one at a time, each condition comes equally often with each
clip.

In place of quality a protocol may name an attribute, with a word for either end of the scale and a sentence that says
what is meant (ITU-R BS.1284-2 and ISO 13299 ask for both; from memory). It is the same in every trial of a block.
"""

from collections.abc import Mapping, Sequence
from math import isfinite

from blindtest.methods.contract import Drawn, Method, Outcome, Question, Setting, Slot, Source, numbered_slots
from blindtest.words import worded

__all__ = ["RATING", "RATING_SINGLE", "SCALE", "fault_in_ratings", "shuffled"]

SCALE = (
    (90.0, worded("Excellent")),
    (70.0, worded("Good")),
    (50.0, worded("Fair")),
    (30.0, worded("Poor")),
    (10.0, worded("Bad")),
)
"""ITU-R BS.1534-3, 5.4: five equal intervals from the top."""
LEAST, GREATEST = 0.0, 100.0
MOST_SLOTS = 12
"""ITU-R BS.1534-3, 5.3: at most 12 signals in a trial."""


def shuffled(below: Source, conditions: Sequence[str]) -> tuple[str, ...]:
    """Return the conditions in drawn order, every order equally likely (Fisher and Yates)."""
    order = list(conditions)
    for last in range(len(order) - 1, 0, -1):
        other = below(last + 1)
        order[last], order[other] = order[other], order[last]
    return tuple(order)


def _draw_all(below: Source, setting: Setting, earlier: Sequence[Outcome]) -> Drawn:
    conditions = shuffled(below, setting.conditions)
    names = numbered_slots(setting)
    return Drawn(slots=tuple(Slot(name=n, role="rated", condition=c) for n, c in zip(names, conditions, strict=True)))


def _one_name(setting: Setting) -> tuple[str, ...]:
    return ("1",)


def _draw_one(below: Source, setting: Setting, earlier: Sequence[Outcome]) -> Drawn:
    return Drawn(slots=(Slot(name="1", role="rated", condition=setting.conditions[setting.order]),))


def _question(names: tuple[str, ...], setting: Setting) -> Question:
    many = len(names) > 1
    if "attribute" in setting.numbers:
        return _of_an_attribute(names, setting)
    return Question(
        kind="rate",
        prompt=worded("How good is the sound of each?") if many else worded("How good is the sound?"),
        keys=names,
        range=(LEAST, GREATEST),
        scale=SCALE,
    )


def _of_an_attribute(names: tuple[str, ...], setting: Setting) -> Question:
    """Return the question on a scale that the protocol names: an attribute, its two ends, what it means."""
    numbers = setting.numbers
    meant = {"attribute": numbers["attribute"], "definition": numbers["definition"]}
    return Question(
        kind="rate",
        prompt=worded("Where does each sound stand in {attribute}? {definition}", **meant)
        if len(names) > 1
        else worded("Where does the sound stand in {attribute}? {definition}", **meant),
        keys=names,
        range=(LEAST, GREATEST),
        scale=((LEAST, str(numbers["low_end"])), (GREATEST, str(numbers["high_end"]))),
        points=True,
    )


def fault_in_ratings(question: Question, answer: Mapping[str, object]) -> str | None:
    """Return what is wrong with ratings by themselves: missing, not a number, off the scale; None if nothing is."""
    least, greatest = question.range or (LEAST, GREATEST)
    missing = [key for key in question.keys if key not in answer]
    if missing:
        return worded("not rated yet: {names}", names=", ".join(missing))
    if set(answer) - set(question.keys):
        return worded("a rating of something that is not there")
    for key, value in answer.items():
        if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
            return worded("the rating of {key} is not a number", key=key)
        if not least <= value <= greatest:
            return worded(
                "the rating of {key} lies outside {least} to {greatest}", key=key, least=least, greatest=greatest
            )
    return None


RATING = Method(
    name="rating",
    title="Rating of all conditions side by side",
    source="ITU-R BS.2132-0 (no given reference); scale of ITU-R BS.1534-3 and BS.1284-2",
    answer_kind="rate",
    guess_rate=None,
    conditions=(2, MOST_SLOTS),
    slot_names=numbered_slots,
    draw=_draw_all,
    question=_question,
    fault_in=fault_in_ratings,
    decides=("rated", "attribute", "stage"),
)

RATING_SINGLE = Method(
    name="rating-single",
    title="Rating of one condition at a time",
    source="ITU-R BS.1284-2; scale of ITU-R BS.1534-3",
    answer_kind="rate",
    guess_rate=None,
    conditions=(1, MOST_SLOTS),
    slot_names=_one_name,
    draw=_draw_one,
    question=_question,
    fault_in=fault_in_ratings,
    decides=("rated", "attribute", "stage"),
    orders=lambda setting: len(setting.conditions),
)
