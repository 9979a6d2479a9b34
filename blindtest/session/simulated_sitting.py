"""A simulated listener goes through a sitting, event by event, as a person would."""

from collections.abc import Callable
from datetime import datetime, timedelta

import numpy as np

from blindtest.design import Plan
from blindtest.methods import CONFIDENCE_LEVELS, Value
from blindtest.session.answer import Answer
from blindtest.session.event import Began, Chosen, Confirmed, Continued, Event, Left, LevelSet, Loaded, Selected
from blindtest.session.simulated import HeardTrial, SimulatedListener, shares_of, told
from blindtest.session.sitting import Sitting, start
from blindtest.session.transition import after

__all__ = ["heard_trial", "simulate_sitting", "simulated_clock"]


def heard_trial(sitting: Sitting) -> HeardTrial:
    """Return the trial in hand as a simulated listener meets it."""
    planned, block = sitting.planned(sitting.trial), sitting.plan.place(sitting.trial)[0]
    return HeardTrial(
        method=planned.method,
        phase=planned.phase,
        clip=planned.clip,
        sounding={slot.name: slot.condition for slot in planned.drawn.slots},
        compared=sitting.plan.compared(block),
        question=sitting.question(sitting.trial),
        labels=planned.labels,
        ladder=planned.drawn.ladder,
    )


def simulated_clock(start: datetime, rng: np.random.Generator, step_s: float = 3.0) -> Callable[[], datetime]:
    """Return a clock that goes on by about `step_s` (exponentially distributed) whenever it is read."""
    now = start

    def read() -> datetime:
        nonlocal now
        now += timedelta(seconds=float(rng.exponential(step_s)))
        return now

    return read


def simulate_sitting(
    plan: Plan,
    listener: SimulatedListener,
    rng: np.random.Generator,
    clock: Callable[[], datetime],
    *,
    study: str = "simulated",
    save: Callable[[Answer], object] = lambda answer: None,
    stop_after: int | None = None,
) -> Sitting:
    """Return the sitting after a simulated listener has gone through it, event by event, as a person would.

    Parameters
    ----------
    plan : what was drawn
    listener : who listens
    rng : the listener's noise
    clock : gives the time of each event
    study : id of the study, for the rows
    save : called with each confirmed answer before the sitting goes on, as a server does, and again with what was
        measured since
    stop_after : the listener leaves after so many answers; the sitting is returned unfinished
    """
    sitting, listener = start(plan, study=study, listener=listener.pseudonym), listener.today(rng)
    while not sitting.over and (stop_after is None or len(sitting.answers) < stop_after):
        for event in _events(sitting, listener, rng, clock):
            answers = sitting.answers
            sitting = after(sitting, event)
            if sitting.answers != answers:
                save(sitting.answers[-1])
    return sitting


def _events(
    sitting: Sitting, listener: SimulatedListener, rng: np.random.Generator, clock: Callable[[], datetime]
) -> list[Event]:
    """Return what the listener does at this step."""
    trial, attempt = sitting.trial, sitting.attempt
    match sitting.step:
        case "ready":
            return [Began(at=clock())]
        case "level":
            return [LevelSet(gain_db=-20.0, at=clock())]
        case "feedback" | "break":
            return [Continued(trial=trial, at=clock())]
    if sitting.step == "onward":
        stayed = float(rng.exponential(listener.stays_s))
        how = "skipped" if stayed < listener.track_s else "over"
        return [Left(trial=trial, attempt=attempt, how=how, at=_later(clock, min(stayed, listener.track_s)))]
    met = heard_trial(sitting)
    values = listener.answer(met, rng)
    if sitting.first_slot(trial) is not None:
        return _track(sitting, met, values, listener, rng, clock)
    listening: list[Event] = []
    if sitting.sounds(trial):
        listening = [
            Loaded(trial=trial, attempt=attempt, at=clock()),
            *(Selected(trial=trial, attempt=attempt, slot=slot, at=clock()) for slot in met.sounding),
        ]
    if met.question.adjusts:
        # Half of the way first: nobody arrives with one move.
        halfway: dict[str, Value] = {"offset": int(values["offset"]) // 2}
        listening.append(Chosen(trial=trial, attempt=attempt, values=halfway, at=clock()))
    return [
        *listening,
        Chosen(trial=trial, attempt=attempt, values=values, confidence=_sure(sitting, rng), at=clock()),
        Confirmed(trial=trial, attempt=attempt, values=values, at=clock()),
    ]


def _sure(sitting: Sitting, rng: np.random.Generator) -> int | None:
    """Return how sure a simulated listener says it is: anything alike, since it knows nothing of its own answers."""
    if not sitting.plan.place(sitting.trial)[0].confidence:
        return None
    return int(rng.integers(CONFIDENCE_LEVELS[0][0], CONFIDENCE_LEVELS[-1][0] + 1))


def _track(
    sitting: Sitting,
    met: HeardTrial,
    values: dict[str, Value],
    listener: SimulatedListener,
    rng: np.random.Generator,
    clock: Callable[[], datetime],
) -> list[Event]:
    """Return what a listener does in a programme that runs on: hears all slots, goes to and fro, picks one."""
    of: dict[str, int] = {"trial": sitting.trial, "attempt": sitting.attempt}
    first = str(sitting.first_slot(sitting.trial))
    slots = [first, *(slot for slot in met.sounding if slot != first)]
    events: list[Event] = [Loaded(**of, at=clock())]
    events += [Selected(**of, slot=slot, at=clock()) for slot in slots]
    left_s = 2 * (met.question.offered_after_s or 0.0)
    shares = shares_of(told(listener, listener.liking, "liking"), met)
    # The one heard last sounds still: it has its share first, then the others in turn.
    for slot, following in zip(slots[::-1], [*slots[-2::-1], None], strict=True):
        at = _later(clock, left_s * shares[slot] * float(rng.gamma(4.0, 0.25)))
        if following is not None:
            events.append(Selected(**of, slot=following, at=at))
    events.append(Chosen(**of, values=values, at=clock()))
    at = max(clock(), events[1].at + timedelta(seconds=met.question.offered_after_s or 0.0))
    return [*events, Confirmed(**of, values=values, at=at)]


def _later(clock: Callable[[], datetime], seconds: float) -> datetime:
    """Return the time once at least so many seconds are over, as a clock tells it that goes on when it is read."""
    begun = at = clock()
    for _ in range(10_000):
        if (at - begun).total_seconds() >= seconds:
            break
        at = clock()
    return at
