"""Simulated listeners of known sensitivity. They decide by a rule from noisy observations, trial by trial.

A listener observes each slot once: the place of its condition on the listener's axis (0 for the first condition of the
plan, d' for the second) plus a normal deviate of variance 1. Then the rule decides. No formula of `stats` is used, so
that what `stats` says of such listeners can be held against what they are.

Rules (Macmillan & Creelman 2005, Detection Theory): *differencing*: X is the one it differs less from;
*independent*: the likelihood ratio of all three observations, over both ways in which A and B can lie;
*guesser*: a fair coin.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from blindtest.design import Plan
from blindtest.methods import Value
from blindtest.session.answer import Answer
from blindtest.session.event import (
    Began,
    Chosen,
    Confirmed,
    Continued,
    Event,
    LevelSet,
    Loaded,
    Selected,
)
from blindtest.session.sitting import Sitting, after, start

__all__ = ["RULES", "SimulatedListener", "simulate_sitting", "simulated_clock"]

Rule = Callable[[Mapping[str, float], float, np.random.Generator], dict[str, Value]]
"""(observation by slot, d', rng) -> values of the answer."""


def _differencing(heard: Mapping[str, float], d_prime: float, rng: np.random.Generator) -> dict[str, Value]:
    return {"choice": "A" if abs(heard["X"] - heard["A"]) < abs(heard["X"] - heard["B"]) else "B"}


def _independent(heard: Mapping[str, float], d_prime: float, rng: np.random.Generator) -> dict[str, Value]:
    def log_likelihood(a: float, b: float, x: float) -> float:
        """Of the three observations, if A, B and X lie at these places (constants left out)."""
        return -0.5 * ((heard["A"] - a) ** 2 + (heard["B"] - b) ** 2 + (heard["X"] - x) ** 2)

    x_is_a = np.logaddexp(log_likelihood(0, d_prime, 0), log_likelihood(d_prime, 0, d_prime))
    x_is_b = np.logaddexp(log_likelihood(0, d_prime, d_prime), log_likelihood(d_prime, 0, 0))
    if x_is_a == x_is_b:
        return _guesser(heard, d_prime, rng)
    return {"choice": "A" if x_is_a > x_is_b else "B"}


def _guesser(heard: Mapping[str, float], d_prime: float, rng: np.random.Generator) -> dict[str, Value]:
    return {"choice": "A" if rng.random() < 0.5 else "B"}


RULES: dict[str, dict[str, Rule]] = {
    "abx": {"differencing": _differencing, "independent": _independent, "guesser": _guesser}
}
"""Rules of decision, by method and name."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedListener:
    """A listener whose truth is known."""

    pseudonym: str
    d_prime: float
    """Distance between the two conditions on the listener's axis, in standard deviations of one observation; >= 0."""
    rule: str = "differencing"
    d_prime_by_clip: Mapping[str, float] | None = None
    """Where a clip brings the difference out more or less than `d_prime` says."""

    def on(self, clip: str) -> float:
        """Return d' on a clip."""
        return (self.d_prime_by_clip or {}).get(clip, self.d_prime)

    def answer(self, method: str, clip: str, places: Mapping[str, float], rng: np.random.Generator) -> dict[str, Value]:
        """Return the answer to a trial whose slots lie at `places`, in units of d'."""
        d_prime = self.on(clip)
        heard = {slot: place * d_prime + rng.standard_normal() for slot, place in places.items()}
        return RULES[method][self.rule](heard, d_prime, rng)


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
    save : called with each confirmed answer before the sitting goes on, as a server does
    stop_after : the listener leaves after so many answers; the sitting is returned unfinished
    """
    sitting = start(plan, study=study, listener=listener.pseudonym)
    while not sitting.over and (stop_after is None or len(sitting.answers) < stop_after):
        for event in _events(sitting, listener, rng, clock):
            answered = len(sitting.answers)
            sitting = after(sitting, event)
            if len(sitting.answers) > answered:
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
    planned = sitting.planned(trial)
    places = {slot.name: float(sitting.plan.conditions.index(slot.condition)) for slot in planned.drawn.slots}
    values = listener.answer(planned.method, planned.clip, places, rng)
    return [
        Loaded(trial=trial, attempt=attempt, at=clock()),
        *(Selected(trial=trial, attempt=attempt, slot=slot, at=clock()) for slot in places),
        Chosen(trial=trial, attempt=attempt, values=values, at=clock()),
        Confirmed(trial=trial, attempt=attempt, values=values, at=clock()),
    ]
