"""From one state of a sitting to the next: a pure state machine.

`after(sitting, event)` returns the sitting as it stands after an event, or raises `OutOfTurn`; no clock, no file, no
sound. In a trial all sounds are loaded, slots are selected, an answer is chosen (and may be changed or taken back),
then confirmed; from then on nothing changes it.

Where the programme runs on (`Question.offered_after_s`) the slot that sounds first is drawn, an answer can be
confirmed only after so much sound, and a step 'onward' follows in which the slot chosen plays the rest, until it is
left. How long each slot sounds is counted from the times of events; see dwell.py. Its answer is recorded when it is
confirmed, and what was measured of the rest is added when that is over.

Where the last block has a stopping rule, the answers that count are looked up in its sealed table as they come, and
when the table says so the sitting is finished; nothing of how it stands is shown before or after.

It runs any method of the contract: any number of slots, any number of values in an answer, draws that depend on the
outcomes so far. Whoever runs it stores the rows of a new answer *before* the new sitting is shown to anybody: so what
is shown as saved is saved.
"""

from dataclasses import replace
from datetime import datetime
from math import isfinite

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.session.answering import choose, comment_on, confirm, leave
from blindtest.session.dial import Dial
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
from blindtest.session.sitting import OutOfTurn, Sitting, Step, arrived, fresh
from blindtest.words import worded

__all__ = ["after"]

LEAST_GAIN_DB = -80.0


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
            return leave(_of_this_trial(sitting, event, "trial", "onward"), event)
        case Chosen():
            return choose(_shown(_of_this_trial(sitting, event), event.at), event)
        case Unchosen():
            sitting = _of_this_trial(sitting, event)
            return replace(sitting, chosen=None, confidence=None, dial=Dial(moves=sitting.dial.moves))
        case Commented():
            return comment_on(_of_this_trial(sitting, event, "trial", "onward"), event)
        case Confirmed():
            return confirm(_shown(_of_this_trial(sitting, event), event.at), event)
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
