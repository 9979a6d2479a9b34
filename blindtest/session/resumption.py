"""Resumption: the sitting that stored rows and events lead to, after the process or the browser was killed."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from blindtest.design import Plan
from blindtest.errors import BlindtestError, Fault
from blindtest.session.answer import rows_of
from blindtest.session.answering import answer_to
from blindtest.session.dial import Dial, measured_of
from blindtest.session.event import FAULT_KINDS, Abandoned, Commented, Continued, Event, Faulted, LevelSet
from blindtest.session.sitting import FIRST_ATTEMPT, Sitting, arrived, fresh, start

__all__ = ["restored"]


def restored(
    plan: Plan,
    rows: Sequence[Mapping[str, Any]],
    *,
    study: str,
    listener: str,
    number: int | None = None,
    events: Sequence[Event] = (),
) -> Sitting:
    """Return the sitting that stored rows and events lead to: at the first trial without an answer.

    Parameters
    ----------
    rows : what was stored, in any order; each answer is drawn again from the plan and compared
    events : those stored meanwhile (level, faults, abandoning). Without a stored level the sitting is at 'ready', and
        the listener sets the level anew; else it is at the trial, as another attempt if a fault made it one.

    Raises
    ------
    BlindtestError
        The rows are not answers to this plan.
    """
    sitting = start(plan, study=study, listener=listener, number=number)
    by_trial: dict[int, list[Mapping[str, Any]]] = {}
    for row in rows:
        by_trial.setdefault(int(row["trial"]), []).append(row)
    for expected, trial in enumerate(sorted(by_trial)):
        if trial != expected or trial >= plan.length:
            raise _foreign(sitting, f"an answer to trial {trial + 1}, but none to trial {expected + 1}")
        if sitting.ended_by_rule:
            raise _foreign(sitting, f"an answer to trial {trial + 1}, after its rule had ended it at trial {expected}")
        sitting = _with_stored(sitting, trial, by_trial[trial])
    return _resumed(sitting, events)


def _foreign(sitting: Sitting, problem: str) -> BlindtestError:
    return BlindtestError(
        Fault(
            problem=f"the rows stored for sitting {sitting.number} do not belong to its plan: {problem}",
            remedy="run blindtest verify to see what was changed",
        )
    )


def _with_stored(sitting: Sitting, trial: int, rows: Sequence[Mapping[str, Any]]) -> Sitting:
    first = rows[0]
    at_trial = replace(
        fresh(sitting, trial, int(first["attempt"])),
        switches=int(first["switches"]),
        confidence=first["confidence"],
        faults=tuple(kind for kind in str(first["faults"]).split("|") if kind),
    )
    question = at_trial.question(trial)
    stored = {str(row["slot"]): row["response"] for row in rows}
    at_once = (*question.keys, *question.measured)
    # Killed while the rest of a programme played: how that went on nobody knows, and its answer stands without it.
    whole = (*at_once, *question.measured_later)
    if set(stored) not in (set(at_once), set(whole)) or len(stored) != len(rows):
        raise _foreign(sitting, f"trial {trial + 1} has the values {', '.join(sorted(stored))}")
    answer = answer_to(
        at_trial,
        {key: stored[key] for key in whole if key in stored},
        datetime.fromisoformat(first["shown_at"]),
        datetime.fromisoformat(first["answered_at"]),
        question,
    )
    answer = replace(answer, time_taken_s=first["time_taken_s"])
    if question.adjusts:
        names = ("set", "start", "end")
        try:
            again = measured_of(Dial(offset=int(stored["offset"])), answer.drawn, question, names)
        except ValueError as error:
            raise _foreign(sitting, f"trial {trial + 1}: {error}") from None
        for name, value in again.items():
            if stored[name] != value:
                raise _foreign(sitting, f"trial {trial + 1}: {name} is {stored[name]!r}, not {value!r}")
    drawn_again = {row["slot"]: row for row in rows_of(answer)}
    for row in rows:
        drawn = ("sitting", "block", "method", "clip", "order", "condition", "correct")
        for column in (*drawn, "label") if answer.labels else drawn:
            if row[column] != drawn_again[row["slot"]][column]:
                raise _foreign(
                    sitting,
                    f"trial {trial + 1}: {column} is {row[column]!r}, not {drawn_again[row['slot']][column]!r}",
                )
    return replace(at_trial, answers=(*sitting.answers, answer))


def _resumed(sitting: Sitting, events: Sequence[Event]) -> Sitting:
    gains = [event.gain_db for event in events if isinstance(event, LevelSet)]
    here = len(sitting.answers)
    faults = [event for event in events if isinstance(event, Faulted) and event.trial == here]
    remarks = [event.text for event in events if isinstance(event, Commented) and event.trial == here]
    attempt = FIRST_ATTEMPT + sum(FAULT_KINDS[event.kind] for event in faults)
    resumed = replace(
        fresh(sitting, here, attempt),
        gain_db=gains[-1] if gains else None,
        faults=tuple(event.kind for event in faults),
        comment=remarks[-1] if remarks else "",
    )
    left = [event.reason for event in events if isinstance(event, Abandoned)]
    if left:
        return replace(resumed, step="abandoned", reason=left[0])
    if here == sitting.plan.length or resumed.ended_by_rule:
        return arrived(resumed, here)
    if resumed.gain_db is None:
        return replace(resumed, step="ready")
    rested = any(isinstance(event, Continued) and event.trial == here for event in events)
    return arrived(resumed, here, rested=rested)
