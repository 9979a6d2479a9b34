"""How an answer comes about: chosen, moved, confirmed, left; and what is recorded of it."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from math import isfinite

from blindtest.methods import CONFIDENCE_LEVELS, Question, Value
from blindtest.session.answer import Answer
from blindtest.session.dial import measured_of, turned
from blindtest.session.dwell import Dwell
from blindtest.session.event import Chosen, Commented, Confirmed, Left
from blindtest.session.sitting import OutOfTurn, Sitting, arrived
from blindtest.words import worded

__all__ = ["answer_to", "choose", "comment_on", "confirm", "leave"]

EARLY_S = 1.0
"""By so much a choice may come before its time: page and server count from what each of them sees."""


def choose(sitting: Sitting, event: Chosen) -> Sitting:
    """Return the sitting with an answer chosen, or a part of one; it may still be changed or taken back."""
    question = sitting.question(sitting.trial)
    problem = _fault_in_part(question, event.values)
    if problem is None:
        # Values come one by one while several slots are rated: those chosen before stay.
        values = {**(sitting.chosen or {}), **event.values}
        values = {key: values[key] for key in question.keys if key in values}
        # Where one of the ratings has to be the highest they may lack that while they are still changed.
        if question.one_at is None and len(values) == len(question.keys):
            problem = sitting.method(sitting.trial).fault_in(question, values)
    if problem is None:
        problem = _fault_in_confidence(sitting, event.confidence)
    if problem is not None:
        raise OutOfTurn(problem, remedy=worded("choose again; nothing was recorded"))
    if question.adjusts:
        sitting, values = _moved(sitting, question, values)
    return replace(sitting, chosen=values, confidence=None if event.confidence is None else int(event.confidence))


def _fault_in_confidence(sitting: Sitting, confidence: float | None) -> str | None:
    """Return what is wrong with what was said of an answer's confidence, in words, or None."""
    if confidence is None:
        return None
    if not sitting.plan.place(sitting.trial)[0].confidence:
        return worded("this trial does not ask how sure an answer is")
    levels = [value for value, _ in CONFIDENCE_LEVELS]
    if confidence in levels:
        return None
    return worded("confidence is {least} ... {most}, got {got}", least=levels[0], most=levels[-1], got=repr(confidence))


def comment_on(sitting: Sitting, event: Commented) -> Sitting:
    """Return the sitting with a remark on the trial in hand."""
    if not sitting.plan.place(sitting.trial)[0].comments:
        raise OutOfTurn(worded("this trial takes no remarks"), remedy=worded("go on without; nothing was recorded"))
    return replace(sitting, comment=event.text)


def _moved(sitting: Sitting, question: Question, values: dict[str, Value]) -> tuple[Sitting, dict[str, Value]]:
    """Return the sitting with its dial turned, and the setting as far as the ladder goes."""
    if sitting.loaded_at is None:
        raise OutOfTurn(
            worded("a sound was set before the sounds of the trial were loaded"), remedy=worded("wait until they are")
        )
    dial = turned(sitting.dial, sitting.planned(sitting.trial).drawn, question, int(values["offset"]))
    return replace(sitting, dial=dial), {"offset": dial.offset}


def _fault_in_part(question: Question, values: Mapping[str, Value]) -> str | None:
    """Return what is wrong with some of the values of an answer, in words, or None."""
    if not values or not set(values) <= set(question.keys):
        return worded(
            "an answer has the values {keys}, got {got}",
            keys=", ".join(question.keys),
            got=", ".join(sorted(values)) or worded("none"),
        )
    for value in values.values():
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if not (isinstance(value, str) or (number and isfinite(value))):
            return worded("the values of an answer are texts or finite numbers")
        if question.range is not None and not (number and question.range[0] <= float(value) <= question.range[1]):
            return worded("ratings are {least} ... {most}", least=question.range[0], most=question.range[1])
    return None


def confirm(sitting: Sitting, event: Confirmed) -> Sitting:
    """Return the sitting with the answer chosen recorded for good."""
    question = sitting.question(sitting.trial)
    if sitting.chosen is None:
        raise OutOfTurn(
            worded("an answer was confirmed before one was chosen"), remedy=worded("choose an answer first")
        )
    if event.values is not None and dict(event.values) != dict(sitting.chosen):
        raise OutOfTurn(
            worded("the answer confirmed is not the one chosen"),
            remedy=worded("reload the page and look at the choice"),
        )
    problem = sitting.method(sitting.trial).fault_in(question, sitting.chosen)
    if problem is not None:
        raise OutOfTurn(problem, remedy=worded("complete the answer, then confirm it"))
    if sitting.plan.place(sitting.trial)[0].confidence and sitting.confidence is None:
        raise OutOfTurn(
            worded("how sure the answer is was not said"), remedy=worded("say how sure you are, then confirm")
        )
    unheard = sitting.unheard
    if unheard or sitting.loaded_at is None:
        raise OutOfTurn(
            worded("not heard yet in this trial: {names}", names=", ".join(unheard)),
            remedy=worded("listen to each at least once, then confirm"),
        )
    if question.offered_after_s is not None and sitting.sounds(sitting.trial):
        return _picked(sitting, sitting.chosen, sitting.loaded_at, event.at, question)
    values = sitting.chosen
    if question.adjusts:
        drawn = sitting.planned(sitting.trial).drawn
        values = {**values, **measured_of(sitting.dial, drawn, question, question.measured)}
    answer = answer_to(sitting, values, sitting.loaded_at, event.at, question)
    return _answered(replace(sitting, answers=(*sitting.answers, answer)), event.at)


def _answered(sitting: Sitting, at: datetime) -> Sitting:
    """Return the sitting once all of an answer is there."""
    if sitting.plan.place(sitting.trial)[0].feedback:
        return replace(sitting, step="feedback")
    return arrived(sitting, sitting.trial + 1, at=at)


def _picked(
    sitting: Sitting, values: Mapping[str, Value], shown_at: datetime, at: datetime, question: Question
) -> Sitting:
    """Return the sitting at 'onward', its answer recorded: the slot chosen plays the rest."""
    dwell = sitting.dwell.until(at)
    after_s = question.offered_after_s or 0.0
    if dwell.sounded_s < after_s - EARLY_S:
        raise OutOfTurn(
            worded(
                "the sounds have played for {sounded} s; the choice is offered after {after} s",
                sounded=round(dwell.sounded_s),
                after=after_s,
            ),
            remedy=worded("listen on, then choose"),
        )
    answer = answer_to(sitting, {**values, **_measured(sitting, dwell, question)}, shown_at, at, question)
    rest = Dwell(slot=str(values["choice"]), since=None if dwell.since is None else at)
    return replace(sitting, answers=(*sitting.answers, answer), step="onward", selected=rest.slot, dwell=rest)


def _measured(sitting: Sitting, dwell: Dwell, question: Question) -> dict[str, Value]:
    """Return what the sitting itself puts beside an answer."""
    seconds = {name: round(dwell.seconds.get(name, 0.0), 3) for name in sitting.slot_names(sitting.trial)}
    held: dict[str, Value] = dict(seconds) if dwell.counting else dict.fromkeys(seconds, "")
    held["start"] = sitting.heard[0] if sitting.heard else ""
    return {name: held[name] for name in question.measured}


def leave(sitting: Sitting, event: Left) -> Sitting:
    """Return the sitting once a programme that runs on is over for its listener."""
    question = sitting.question(sitting.trial)
    if sitting.step == "trial":
        if question.offered_after_s is None or event.how != "over" or sitting.loaded_at is None:
            raise OutOfTurn(worded("a programme was left before its choice"), remedy=worded("choose first"))
        # It ran out before anything was picked: that nothing was is on record too.
        dwell = sitting.dwell.until(event.at)
        values = {
            **dict.fromkeys(question.keys, ""),
            **_measured(sitting, dwell, question),
            "played": "",
            "ended": "over",
        }
        answer = answer_to(sitting, values, sitting.loaded_at, event.at, question)
        return _answered(replace(sitting, answers=(*sitting.answers, answer)), event.at)
    *before, answer = sitting.answers
    played: Value = "" if event.how == "interrupted" else round(sitting.dwell.until(event.at).sounded_s, 3)
    whole = replace(answer, values={**answer.values, "played": played, "ended": event.how})
    return _answered(replace(sitting, answers=(*before, whole)), event.at)


def answer_to(
    sitting: Sitting, values: Mapping[str, Value], shown_at: datetime, answered_at: datetime, question: Question
) -> Answer:
    """Return what is recorded when the answer `values` to the trial in hand is confirmed."""
    planned = sitting.planned(sitting.trial)
    shown_at, answered_at = _to_ms(shown_at), _to_ms(answered_at)
    return Answer(
        study=sitting.study,
        listener=sitting.listener,
        sitting=sitting.number,
        trial=sitting.trial,
        attempt=sitting.attempt,
        block=planned.block,
        block_trial=planned.block_trial,
        phase=planned.phase,
        method=planned.method,
        kind=question.kind,
        clip=planned.clip,
        conditions=sitting.plan.compared(sitting.plan.place(sitting.trial)[0]),
        drawn=planned.drawn,
        values=dict(values),
        correct=sitting.method(sitting.trial).is_right(planned.drawn, values),
        confidence=sitting.confidence,
        shown_at=shown_at,
        answered_at=answered_at,
        # A clock that was set back in between must not give a negative time.
        time_taken_s=round(max(0.0, (answered_at - shown_at).total_seconds()), 3),
        switches=sitting.switches,
        faults=sitting.faults,
        labels=planned.labels,
    )


def _to_ms(time: datetime) -> datetime:
    """Return a time in UTC as exactly as it is stored, so that an answer read back equals the one given."""
    time = time.astimezone(UTC)
    return time.replace(microsecond=time.microsecond // 1000 * 1000)
