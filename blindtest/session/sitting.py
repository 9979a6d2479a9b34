"""A sitting: one listener's run of one plan, as a pure state machine.

`after(sitting, event)` returns the sitting as it stands after an event, or raises `OutOfTurn`; no clock, no file, no
sound. Steps: ready, level, then trials, each possibly followed by feedback (practice) or a break, until finished; or
abandoned. In a trial all sounds are loaded, slots are selected, an answer is chosen (and may be changed or taken back),
then confirmed; from then on nothing changes it.

Where the programme runs on (`Question.offered_after_s`) the slot that sounds first is drawn, an answer can be
confirmed only after so much sound, and a step 'onward' follows in which the slot chosen plays the rest, until it is
left. How long each slot sounds is counted from the times of events; see dwell.py. Its answer is recorded when it is
confirmed, and what was measured of the rest is added when that is over.

Where the last block has a stopping rule, the answers that count are looked up in its sealed table as they come, and
when the table says so the sitting is finished; nothing of how it stands is shown before or after.

In the phase *worn* the listener plays the clip on the real unit: nothing sounds here, nothing has to be loaded or
heard, and a sitting that holds nothing else has no level to set.

It runs any method of the contract: any number of slots, any number of values in an answer, draws that depend on the
outcomes so far. Whoever runs it stores the rows of a new answer *before* the new sitting is shown to anybody: so what
is shown as saved is saved.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from math import isfinite
from typing import Literal

from blindtest.design import Plan, PlannedTrial
from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.methods import CONFIDENCE_LEVELS, Method, Outcome, Question, Value
from blindtest.session.answer import Answer
from blindtest.session.dial import Dial, measured_of, turned
from blindtest.session.dwell import Dwell
from blindtest.session.event import (
    EVENTS,
    FAULT_KINDS,
    Abandoned,
    Began,
    Chosen,
    Commented,
    Confirmed,
    Connected,
    Continued,
    Event,
    Faulted,
    Left,
    LevelSet,
    Loaded,
    Misconnected,
    Paused,
    Resumed,
    Selected,
    Unchosen,
)
from blindtest.session.rests import rest_due
from blindtest.words import worded

__all__ = [
    "FIRST_ATTEMPT",
    "OutOfTurn",
    "Sitting",
    "Step",
    "after",
    "answer_to",
    "arrived",
    "fresh",
    "start",
]

Step = Literal["ready", "level", "trial", "onward", "feedback", "break", "finished", "abandoned"]

FIRST_ATTEMPT = 1
LEAST_GAIN_DB = -80.0
EARLY_S = 1.0
"""By so much a choice may come before its time: page and server count from what each of them sees."""


class OutOfTurn(BlindtestError):
    """An event came that the sitting, as it stands, has no place for. Nothing was recorded, nothing changed."""

    def __init__(self, problem: str, *, remedy: str = worded("reload the page; nothing was recorded twice")) -> None:
        super().__init__(Fault(problem=problem, remedy=remedy))


@dataclass(frozen=True, slots=True, kw_only=True)
class Sitting:
    """A sitting as it stands. Holds the plan, so it stays on the server; `view.view_of` says what may leave."""

    plan: Plan = field(repr=False)
    study: str
    listener: str
    number: int
    """Number in the register."""
    step: Step
    trial: int
    """The trial in hand, 0-based; in 'feedback' the one just answered, in 'break' the one that comes next, when
    finished the number of trials there were."""
    attempt: int = FIRST_ATTEMPT
    loaded_at: datetime | None = None
    selected: str | None = None
    heard: tuple[str, ...] = ()
    """Slots selected in this attempt, each once, in the order of their first selection."""
    switches: int = 0
    dwell: Dwell = field(default_factory=Dwell)
    """Where the programme runs on: what has sounded in this attempt; in 'onward', since the choice."""
    dial: Dial = field(default_factory=Dial)
    """Where the listener sets a sound: how far it was moved in this attempt."""
    chosen: Mapping[str, Value] | None = None
    confidence: float | None = None
    comment: str = ""
    """The remark on the trial in hand."""
    since: datetime | None = field(default=None, compare=False)
    """When the listener began, or went on after the last rest, as far as it is known."""
    faults: tuple[str, ...] = ()
    answers: tuple[Answer, ...] = ()
    gain_db: float | None = None
    reason: str = ""

    @property
    def over(self) -> bool:
        """Whether no event can change it any more."""
        return self.step in ("finished", "abandoned")

    @property
    def unheard(self) -> tuple[str, ...]:
        """Slots of the trial in hand that have to be heard before its answer is confirmed."""
        if not self.sounds(self.trial):
            return ()
        return tuple(name for name in self.slot_names(self.trial) if name not in self.heard)

    @property
    def has_level(self) -> bool:
        """Whether a level is set before the first trial: not where nothing sounds in any."""
        return any(block.phase != "worn" for block in self.plan.protocol.blocks)

    @property
    def deadline(self) -> datetime | None:
        """When it counts as abandoned."""
        text = self.plan.record.get("deadline")
        return datetime.fromisoformat(text) if text else None

    def outcomes(self, block: str) -> tuple[Outcome, ...]:
        """Return the outcomes so far of a block, in order."""
        return tuple(answer.outcome for answer in self.answers if answer.block == block)

    @property
    def ended_by_rule(self) -> bool:
        """Whether the stopping rule of the last block has ended the sitting before its last trial."""
        block = self.plan.protocol.blocks[-1]
        if block.stopping is None:
            return False
        own = (answer for answer in self.answers if answer.block == block.id and answer.phase != "control")
        return block.stopping.ends_early([answer.correct is True for answer in own])

    def planned(self, number: int) -> PlannedTrial:
        """Return a trial, truth included; for an adaptive method only up to the first unanswered one of its block."""
        block, within = self.plan.place(number)
        # Only adaptive methods read what was answered.
        earlier = self.outcomes(block.id)[:within] if self.plan.method(block).adaptive else ()
        if self.plan.method(block).adaptive and len(earlier) < within:
            raise ValueError(f"trial {number} depends on answers that are not there yet")
        return self.plan.trial(number, earlier)

    def sounds(self, number: int) -> bool:
        """Return whether a trial's slots sound here; in the phase 'worn' the real unit does."""
        return self.plan.place(number)[0].phase != "worn"

    def method(self, number: int) -> Method:
        """Return the method of a trial."""
        return self.plan.method(self.plan.place(number)[0])

    def slot_names(self, number: int) -> tuple[str, ...]:
        """Return the names of a trial's slots as the listener sees them."""
        return self.plan.asked(self.plan.place(number)[0]).slots

    def first_slot(self, number: int) -> str | None:
        """Return the slot that sounds first, where the programme runs on; None where the listener takes any."""
        if self.question(number).offered_after_s is None or not self.sounds(number):
            return None
        return self.plan.first_slot(number, self.slot_names(number))

    def question(self, number: int) -> Question:
        """Return what is asked in a trial, made from slot names only."""
        return self.plan.asked(self.plan.place(number)[0]).question


def start(plan: Plan, *, study: str, listener: str, number: int | None = None) -> Sitting:
    """Return the sitting before its first step.

    Parameters
    ----------
    plan : what was drawn and sealed
    study : id of the study, as it stands in the trial table
    listener : pseudonym
    number : number in the register; else the one in the plan's record
    """
    if number is None:
        number = int(plan.record["sitting"])
    return Sitting(plan=plan, study=study, listener=listener, number=number, step="ready", trial=0)


def after(sitting: Sitting, event: Event) -> Sitting:
    """Return the sitting as it stands after `event`.

    Raises
    ------
    OutOfTurn
        The event has no place here: another trial or attempt (a second tab, a page left open), a step that is over, a
        slot that is not loaded, an answer not complete, the deadline passed. The sitting is as it was.
    """
    if event.at.tzinfo is None:
        raise ValueError(f"times carry their zone, got {event.at!r}")
    if _is_repeat(sitting, event):
        return sitting
    if sitting.over:
        raise OutOfTurn(
            worded("the sitting is finished") if sitting.step == "finished" else worded("the sitting is abandoned"),
            remedy=worded("nothing more is asked; close the page"),
        )
    if sitting.deadline is not None and event.at > sitting.deadline and not isinstance(event, Abandoned):
        raise OutOfTurn(
            worded("the deadline of this sitting passed at {time}", time=sitting.deadline.isoformat()),
            remedy=worded("the answers so far are kept; ask for a new sitting"),
        )
    if sitting.since is None and sitting.step == "trial":
        # Taken up again: how long the listener was at it before nobody knows, and being away was a rest.
        sitting = replace(sitting, since=event.at)
    match event:
        case Began():
            return _began(_at(sitting, event, "ready"), event)
        case LevelSet():
            return _level_set(_at(sitting, event, "level"), event)
        case Loaded():
            # Sent again by a page that was reloaded: the sounds were there since the first time.
            return _loaded(_of_this_trial(sitting, event), event)
        case Selected():
            return _selected(sitting, event)
        case Paused():
            sitting = _of_this_trial(sitting, event, "trial", "onward")
            return replace(sitting, dwell=sitting.dwell.paused(event.at))
        case Resumed():
            sitting = _of_this_trial(sitting, event, "trial", "onward")
            return replace(sitting, dwell=sitting.dwell.resumed(event.at))
        case Left():
            return _left(_of_this_trial(sitting, event, "trial", "onward"), event)
        case Chosen():
            return _chosen(_shown(_of_this_trial(sitting, event), event.at), event)
        case Unchosen():
            sitting = _of_this_trial(sitting, event)
            return replace(sitting, chosen=None, confidence=None, dial=Dial(moves=sitting.dial.moves))
        case Commented():
            return _commented(_of_this_trial(sitting, event, "trial", "onward"), event)
        case Confirmed():
            return _confirmed(_shown(_of_this_trial(sitting, event), event.at), event)
        case Faulted():
            return _faulted(_of_this_trial(sitting, event), event)
        case Continued():
            return _continued(_at(sitting, event, "feedback", "break"), event)
        case Connected() | Misconnected():
            raise OutOfTurn(
                worded("what is connected is not for the listener to say"), remedy=worded("it is the operator's")
            )
        case Abandoned():
            return replace(sitting, step="abandoned", reason=event.reason)


def _is_repeat(sitting: Sitting, event: Event) -> bool:
    """Whether a confirmation is sent again because its acknowledgement got lost."""
    if not isinstance(event, Confirmed) or event.values is None or not 0 <= event.trial < len(sitting.answers):
        return False
    answer = sitting.answers[event.trial]
    given = {key: answer.values[key] for key in sitting.question(event.trial).keys}
    return answer.attempt == event.attempt and given == dict(event.values)


def _name(event: Event) -> str:
    return next(name for name, kind in EVENTS.items() if isinstance(event, kind)).replace("_", " ")


def _at(sitting: Sitting, event: Event, *steps: Step) -> Sitting:
    if sitting.step not in steps:
        raise OutOfTurn(
            worded("'{event}' came while the sitting is at the step '{step}'", event=_name(event), step=sitting.step)
        )
    return sitting


def _of_this_trial(
    sitting: Sitting,
    event: Loaded | Selected | Paused | Resumed | Chosen | Unchosen | Commented | Confirmed | Left | Faulted,
    *steps: Step,
) -> Sitting:
    if (event.trial, event.attempt) != (sitting.trial, sitting.attempt):
        # A second tab sends stale events. Taking one would shift every later answer by a trial, and nothing
        # downstream could tell.
        raise OutOfTurn(
            worded(
                "'{event}' of trial {trial}, attempt {attempt} came while the sitting is at trial {now}, attempt "
                "{tried}",
                event=_name(event),
                trial=event.trial + 1,
                attempt=event.attempt,
                now=sitting.trial + 1,
                tried=sitting.attempt,
            )
        )
    return _at(sitting, event, *(steps or ("trial",)))


def _shown(sitting: Sitting, at: datetime) -> Sitting:
    """Return the sitting with the time from which its trial can be answered, where no sound has to be waited for.

    It is known since the trial came up, unless the process was killed meanwhile.
    """
    if sitting.loaded_at is not None or sitting.sounds(sitting.trial):
        return sitting
    return replace(sitting, loaded_at=at)


def _began(sitting: Sitting, event: Began) -> Sitting:
    if sitting.has_level:
        return replace(sitting, step="level")
    return arrived(sitting, sitting.trial, at=event.at)


def _level_set(sitting: Sitting, event: LevelSet) -> Sitting:
    if not (isfinite(event.gain_db) and LEAST_GAIN_DB <= event.gain_db <= 0):
        raise BlindtestError(
            Fault(
                problem="the level can't be set so",
                key="gain_db",
                got=event.gain_db,
                allowed=f"{LEAST_GAIN_DB:g} ... 0 dB",
                remedy="turn the device itself up if 0 dB is too soft",
            )
        )
    return arrived(replace(sitting, gain_db=float(event.gain_db)), sitting.trial, at=event.at)


def _loaded(sitting: Sitting, event: Loaded) -> Sitting:
    first = sitting.loaded_at or event.at
    if sitting.question(sitting.trial).offered_after_s is None:
        return replace(sitting, loaded_at=first, selected=None)
    # A page that was opened anew begins at the beginning: where the programme stood nobody knows.
    begun = fresh(sitting, sitting.trial, sitting.attempt)
    return replace(begun, loaded_at=first, faults=sitting.faults, comment=sitting.comment)


def _selected(sitting: Sitting, event: Selected) -> Sitting:
    _of_this_trial(sitting, event, "trial", "feedback")
    if event.slot not in sitting.slot_names(sitting.trial):
        names = ", ".join(sitting.slot_names(sitting.trial))
        raise OutOfTurn(
            worded("there is no slot {slot} in this trial (slots: {names})", slot=repr(event.slot), names=names)
        )
    if sitting.step == "feedback" or not sitting.sounds(sitting.trial):
        # Listening again once the truth is known, or pointing at a slot that has no sound: nothing of it is counted.
        return replace(sitting, selected=event.slot)
    if sitting.loaded_at is None:
        raise OutOfTurn(
            worded("a slot was selected before the sounds of the trial were loaded"),
            remedy=worded("wait until they are"),
        )
    first = sitting.first_slot(sitting.trial)
    if first is not None and not sitting.heard and event.slot != first:
        raise OutOfTurn(
            worded("this programme begins with {first}", first=first), remedy=worded("play it, then switch")
        )
    heard = sitting.heard if event.slot in sitting.heard else (*sitting.heard, event.slot)
    dwell = sitting.dwell
    if first is not None:
        dwell = dwell.turned(event.slot, event.at, all_heard=len(heard) == len(sitting.slot_names(sitting.trial)))
    return replace(
        sitting,
        selected=event.slot,
        heard=heard,
        switches=sitting.switches + (1 if sitting.heard else 0),
        dwell=dwell,
    )


def _chosen(sitting: Sitting, event: Chosen) -> Sitting:
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


def _commented(sitting: Sitting, event: Commented) -> Sitting:
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


def _confirmed(sitting: Sitting, event: Confirmed) -> Sitting:
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


def _left(sitting: Sitting, event: Left) -> Sitting:
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


def _faulted(sitting: Sitting, event: Faulted) -> Sitting:
    if event.kind not in FAULT_KINDS:
        raise BlindtestError(
            Fault(
                problem="unknown kind of fault",
                key="kind",
                got=event.kind,
                allowed=", ".join(FAULT_KINDS),
                remedy=did_you_mean(event.kind, FAULT_KINDS),
            )
        )
    faulted = replace(sitting, faults=(*sitting.faults, event.kind))
    if not FAULT_KINDS[event.kind]:
        return faulted
    again = fresh(faulted, sitting.trial, sitting.attempt + 1)
    return replace(again, faults=faulted.faults, comment=faulted.comment)


def _continued(sitting: Sitting, event: Continued) -> Sitting:
    if event.trial != sitting.trial:
        raise OutOfTurn(
            worded(
                "'continued' of trial {trial} came while the sitting is at {now}",
                trial=event.trial + 1,
                now=sitting.trial + 1,
            )
        )
    if sitting.step == "feedback":
        return arrived(sitting, sitting.trial + 1, at=event.at)
    return arrived(sitting, sitting.trial, rested=True, at=event.at)


def fresh(sitting: Sitting, trial: int, attempt: int = FIRST_ATTEMPT) -> Sitting:
    """Return the sitting with nothing loaded, heard or chosen yet in `trial`."""
    return replace(
        sitting, trial=trial, attempt=attempt, loaded_at=None, selected=None, heard=(), switches=0, dwell=Dwell(),
        dial=Dial(), chosen=None, confidence=None, comment="", faults=(),
    )  # fmt: skip


def arrived(sitting: Sitting, trial: int, *, rested: bool = False, at: datetime | None = None) -> Sitting:
    """Return the sitting at the door of `trial`: its break first, if one is due, or the end.

    at : when, as far as it is known; from then on a trial without sound can be answered
    """
    attempt = sitting.attempt if trial == sitting.trial else FIRST_ATTEMPT
    kept = sitting.faults if trial == sitting.trial else ()
    since = at if rested or sitting.since is None else sitting.since
    remark = sitting.comment if trial == sitting.trial else ""
    arrived = replace(fresh(sitting, trial, attempt), faults=kept, comment=remark, since=since)
    if trial == sitting.plan.length or sitting.ended_by_rule:
        return replace(arrived, step="finished")
    tired = rest_due(sitting.plan.place(trial)[0], since=since, at=at)
    if (tired or sitting.planned(trial).break_before) and not rested:
        return replace(arrived, step="break")
    return replace(arrived, step="trial", loaded_at=None if sitting.sounds(trial) else at)
