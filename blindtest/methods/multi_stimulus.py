"""Multi-stimulus rating: all renderings of a clip on one page, held against the original that is given beside them.

Source: ITU-R BS.1534-3 (2015). The original stands in an open slot, R, and once more among the rated ones, where
nothing tells it apart; so do the two anchors, which are conditions like the others here. At most 12 signals are rated
(5.3), on the continuous scale of five equal intervals (5.4). Since one of the rated ones *is* R, at least one gets
100 (attachment 1). In which slot each sounds is drawn anew for every trial.

The first condition of the setting is the original. Where a protocol names an attribute (6: one per trial), the same
scale is used for it.
"""

from collections.abc import Mapping, Sequence

from blindtest.methods.contract import Drawn, Method, Outcome, Question, Setting, Slot, Source
from blindtest.methods.rating import GREATEST, LEAST, MOST_SLOTS, SCALE, fault_in_ratings, shuffled
from blindtest.words import worded

__all__ = ["MULTI_STIMULUS", "OPEN_SLOT"]

OPEN_SLOT = "R"


def _slot_names(setting: Setting) -> tuple[str, ...]:
    return (*(str(place) for place in range(1, len(setting.conditions) + 1)), OPEN_SLOT)


def _draw(below: Source, setting: Setting, earlier: Sequence[Outcome]) -> Drawn:
    *rated, given = _slot_names(setting)
    hidden = shuffled(below, setting.conditions)
    return Drawn(
        slots=(
            *(Slot(name=name, role="rated", condition=one) for name, one in zip(rated, hidden, strict=True)),
            Slot(name=given, role="reference", condition=setting.conditions[0]),
        )
    )


def _question(names: tuple[str, ...], setting: Setting) -> Question:
    return Question(
        kind="rate",
        prompt=_asked(setting),
        keys=names[:-1],
        range=(LEAST, GREATEST),
        scale=SCALE,
        one_at=GREATEST,
    )


def _asked(setting: Setting) -> str:
    if "attribute" not in setting.numbers:
        return worded(
            "How good is the sound of each, held against {reference}? One of them is {reference} again.",
            reference=OPEN_SLOT,
        )
    return worded(
        "How good is each in {attribute}, held against {reference}? {definition} One of them is {reference} again.",
        attribute=setting.numbers["attribute"],
        definition=setting.numbers["definition"],
        reference=OPEN_SLOT,
    )


def _fault_in(question: Question, answer: Mapping[str, object]) -> str | None:
    fault = fault_in_ratings(question, answer)
    if fault is None and question.one_at not in answer.values():
        return worded(
            "at least one has to get {most}: one of them is {reference} again", most=GREATEST, reference=OPEN_SLOT
        )
    return fault


MULTI_STIMULUS = Method(
    name="multi-stimulus",
    title="Multi-stimulus rating with hidden reference and anchors",
    source="after ITU-R BS.1534-3 (2015)",
    answer_kind="rate",
    guess_rate=None,
    conditions=(2, MOST_SLOTS),
    slot_names=_slot_names,
    draw=_draw,
    question=_question,
    fault_in=_fault_in,
    decides=("attribute",),
    reference=True,
)
