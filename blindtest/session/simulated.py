"""Simulated listeners whose truth is known. They decide by a rule from what they hear, trial by trial.

No formula of `stats` is used, so that what `stats` says of such listeners can be held against what they are.

ABX: a listener observes each slot once: the place of its condition on the listener's axis (0 for the first condition
that the block compares, d' for the second) plus a normal deviate of variance 1. Then the rule decides (Macmillan &
Creelman 2005, Detection Theory): *differencing*: X is the one it differs less from; *independent*: the likelihood ratio
of all three observations, over both ways in which A and B can lie; *guesser*: a fair coin.
Duo-trio, triangle and tetrad are decided by differences in the same way: the one that differs less from the reference;
the one that is not of the closest two; the two lowest belong together. Whoever follows a rule that a method doesn't
know takes its first. Choices of the one with more of an attribute: the axis is that attribute, and the first condition
lies d' above the second (below it where the rule is *the other way round*); the highest is chosen.
Same-different: a pair whose two differ by more than the listener's criterion is called different.
Adaptive methods: each level lies its place on the grid times d' away from the reference, so d' is that of one step. Who
has found out what to listen for takes the one that has most of it (*highest*); by *differencing* the one that is
farthest from the other two; where it is asked as ABX, ABX's own rules hold.

Paired preference: the difference of two utilities plus a logistic deviate; within a threshold there is no preference,
so that the probabilities are those of Rao & Kupper 1967 (J. Am. Stat. Assoc. 62, 194).

Free listening: a slot is chosen with a probability proportional to exp(utility) (Luce 1959, Individual Choice
Behavior), dwelt on in the same proportion, and what was chosen is skipped at a time exponentially distributed.

Rating: see `Opinion`; where one is known to deserve the top of the scale, the one thought best is given it, and the
first of several thought equally good. Recognition: with a probability the listener knows what sounds, else any of the
names is said. Adjustment: see `Setter`.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np

from blindtest.methods import Question, Value
from blindtest.session.opinion import Opinion
from blindtest.session.setter import Setter

__all__ = ["RULES", "HeardTrial", "Liking", "SimulatedListener", "shares_of", "told"]

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardTrial:
    """A trial as it reaches a simulated listener's ears and eyes."""

    method: str
    phase: str
    clip: str
    sounding: Mapping[str, str]
    """Condition by slot."""
    compared: tuple[str, ...]
    """Conditions that the block compares, in order."""
    question: Question
    labels: Mapping[str, str] = field(default_factory=dict)
    """Where names may be wrong: the condition whose name stands at each slot."""
    ladder: tuple[str, ...] = ()
    """Where a sound is set: the conditions it can be, in ascending order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Liking:
    """How a listener chooses between two."""

    utility: Mapping[str, float]
    """By condition, in logits: a difference of 1 is preferred with probability 0.731 where there are no ties."""
    tie_threshold: float = 0.0
    """Logits: within it there is no preference, where the question allows that answer; >= 0."""
    first_bias: float = 0.0
    """Logits in favour of what stands first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedListener:
    """A listener whose truth is known; what a method doesn't ask for may be left out."""

    pseudonym: str
    d_prime: float = 0.0
    """Distance between the two conditions on the listener's axis, in standard deviations of one observation; >= 0."""
    rule: str = "differencing"
    """Of tests of a difference; see `RULES`."""
    hears_controls: float = 6.0
    """Distance of an audible control from the comparator, on the same axis; >= 0."""
    criterion: float = 1.5
    """Same-different: the difference from which on a pair is called different, in standard deviations of one
    observation; >= 0."""
    d_prime_by_clip: Mapping[str, float] = field(default_factory=dict)
    """Where a clip brings the difference out more or less than `d_prime` says."""
    liking: Liking | None = None
    """For paired preferences, and for free listening."""
    stays_s: float = 120.0
    """Free listening: mean time until the rest of a track is skipped."""
    track_s: float = 240.0
    """Free listening: how long the rest of a track would be."""
    opinion: Opinion | None = None
    """For ratings."""
    setter: Setter | None = None
    """For adjustment."""
    recognises: float = 0.0
    """Probability to know what sounds."""

    def on(self, clip: str) -> float:
        """Return d' on a clip."""
        return self.d_prime_by_clip.get(clip, self.d_prime)

    def answer(self, trial: HeardTrial, rng: np.random.Generator) -> dict[str, Value]:
        """Return the answer to a trial.

        Raises
        ------
        ValueError
            The listener was not told what the method asks for.
        """
        rules = RULES[trial.method]
        rule = rules.get(self.rule) or next(iter(rules.values()))
        return rule(self, trial, rng)

    def today(self, rng: np.random.Generator) -> "SimulatedListener":
        """Return the listener as they are in one sitting."""
        return self if self.opinion is None else replace(self, opinion=self.opinion.today(rng))


Rule = Callable[[SimulatedListener, HeardTrial, np.random.Generator], dict[str, Value]]


def _observed(listener: SimulatedListener, trial: HeardTrial, rng: np.random.Generator) -> dict[str, float]:
    """Return one observation of each slot."""
    d_prime = listener.on(trial.clip)

    def place(condition: str) -> float:
        if condition in trial.compared:
            return trial.compared.index(condition) * d_prime
        # An audible control, held against the last of those compared.
        return (len(trial.compared) - 1) * d_prime - listener.hears_controls

    return {slot: place(condition) + rng.standard_normal() for slot, condition in trial.sounding.items()}


def _differencing(listener: SimulatedListener, trial: HeardTrial, rng: np.random.Generator) -> dict[str, Value]:
    heard = _observed(listener, trial, rng)
    return {"choice": "A" if abs(heard["X"] - heard["A"]) < abs(heard["X"] - heard["B"]) else "B"}


def _independent(listener: SimulatedListener, trial: HeardTrial, rng: np.random.Generator) -> dict[str, Value]:
    heard, d_prime = _observed(listener, trial, rng), listener.on(trial.clip)

    def log_likelihood(a: float, b: float, x: float) -> float:
        """Of the three observations, if A, B and X lie at these places (constants left out)."""
        return -0.5 * ((heard["A"] - a) ** 2 + (heard["B"] - b) ** 2 + (heard["X"] - x) ** 2)

    x_is_a = np.logaddexp(log_likelihood(0, d_prime, 0), log_likelihood(d_prime, 0, d_prime))
    x_is_b = np.logaddexp(log_likelihood(0, d_prime, d_prime), log_likelihood(d_prime, 0, 0))
    if x_is_a == x_is_b:
        return {"choice": "A" if rng.random() < 0.5 else "B"}
    return {"choice": "A" if x_is_a > x_is_b else "B"}


def _guesser(listener: SimulatedListener, trial: HeardTrial, rng: np.random.Generator) -> dict[str, Value]:
    # Listens like the others, then pays no heed: with the same noise the rules meet the same trials.
    _observed(listener, trial, rng)
    values = [value for value, _ in trial.question.options]
    return {"choice": values[int(rng.random() * len(values))]}


def _nearer(listener: SimulatedListener, trial: HeardTrial, rng: np.random.Generator) -> dict[str, Value]:
    heard = _observed(listener, trial, rng)
    return {"choice": "1" if abs(heard["1"] - heard["R"]) < abs(heard["2"] - heard["R"]) else "2"}


def _farthest(listener: SimulatedListener, trial: HeardTrial, rng: np.random.Generator) -> dict[str, Value]:
    heard = _observed(listener, trial, rng)
    low, middle, high = sorted(heard, key=lambda slot: heard[slot])
    return {"choice": high if heard[middle] - heard[low] < heard[high] - heard[middle] else low}


def _highest(listener: SimulatedListener, trial: HeardTrial, rng: np.random.Generator) -> dict[str, Value]:
    if "X" in trial.sounding:
        return _differencing(listener, trial, rng)
    heard = _observed(listener, trial, rng)
    return {"choice": max(heard, key=lambda slot: heard[slot])}


def _odd_by_differences(listener: SimulatedListener, trial: HeardTrial, rng: np.random.Generator) -> dict[str, Value]:
    return (_differencing if "X" in trial.sounding else _farthest)(listener, trial, rng)


def _lowest_two(listener: SimulatedListener, trial: HeardTrial, rng: np.random.Generator) -> dict[str, Value]:
    heard = _observed(listener, trial, rng)
    low, second, third, high = sorted(heard, key=lambda slot: heard[slot])
    with_one = {low: second, second: low, third: high, high: third}["1"]
    return {"choice": f"1{with_one}"}


def _beyond_criterion(listener: SimulatedListener, trial: HeardTrial, rng: np.random.Generator) -> dict[str, Value]:
    one, other = _observed(listener, trial, rng).values()
    return {"choice": "different" if abs(one - other) > listener.criterion else "same"}


def _most_of_it(listener: SimulatedListener, trial: HeardTrial, rng: np.random.Generator) -> dict[str, Value]:
    # The axis of `_observed` runs from the first condition to the second.
    heard = _observed(listener, trial, rng)
    return {"choice": min(heard, key=lambda slot: heard[slot])}


def _least_of_it(listener: SimulatedListener, trial: HeardTrial, rng: np.random.Generator) -> dict[str, Value]:
    heard = _observed(listener, trial, rng)
    return {"choice": max(heard, key=lambda slot: heard[slot])}


def _logistic(listener: SimulatedListener, trial: HeardTrial, rng: np.random.Generator) -> dict[str, Value]:
    liking = told(listener, listener.liking, "liking")
    (one, first), (two, second) = trial.sounding.items()
    difference = liking.utility[first] - liking.utility[second] + liking.first_bias + rng.logistic()
    tie = next((value for value, _ in trial.question.options if value not in trial.sounding), None)
    if tie is not None and abs(difference) < liking.tie_threshold:
        return {"choice": tie}
    return {"choice": one if difference > 0 else two}


def shares_of(liking: Liking, trial: HeardTrial) -> dict[str, float]:
    """Return with what probability each slot is chosen, which is its share of the dwell too."""
    weights = {slot: float(np.exp(liking.utility[condition])) for slot, condition in trial.sounding.items()}
    return {slot: weight / sum(weights.values()) for slot, weight in weights.items()}


def _in_proportion(listener: SimulatedListener, trial: HeardTrial, rng: np.random.Generator) -> dict[str, Value]:
    shares = shares_of(told(listener, listener.liking, "liking"), trial)
    place = int(np.searchsorted(np.cumsum(list(shares.values())), rng.random()))
    return {"choice": list(shares)[min(place, len(shares) - 1)]}


def _rated(listener: SimulatedListener, trial: HeardTrial, rng: np.random.Generator) -> dict[str, Value]:
    opinion = told(listener, listener.opinion, "opinion")
    scale = trial.question.range or (0.0, 100.0)
    ratings = {
        slot: opinion.rating(condition, trial.clip, trial.phase, rng, scale=scale, label=trial.labels.get(slot, ""))
        for slot, condition in trial.sounding.items()
        if slot in trial.question.keys
    }
    top = trial.question.one_at
    if top is not None and top not in ratings.values():
        # One of them has to get it, and is known to deserve it: the one thought best.
        ratings[max(ratings, key=lambda slot: ratings[slot])] = top
    return dict(ratings)


def _set(listener: SimulatedListener, trial: HeardTrial, rng: np.random.Generator) -> dict[str, Value]:
    setter = told(listener, listener.setter, "setter")
    return {"offset": setter.offset(trial.ladder, trial.sounding[trial.question.adjusts], rng)}


def _known_or_guessed(listener: SimulatedListener, trial: HeardTrial, rng: np.random.Generator) -> dict[str, Value]:
    (condition,) = trial.sounding.values()
    values = [value for value, _ in trial.question.options]
    known = rng.random() < listener.recognises
    guess = values[int(rng.integers(len(values)))]
    return {"choice": values[trial.compared.index(condition)] if known else guess}


def told(listener: SimulatedListener, known: T | None, what: str) -> T:
    """Return what a listener was given; ValueError where it was left out."""
    if known is None:
        raise ValueError(f"the simulated listener {listener.pseudonym} has no {what}")
    return known


_ADAPTIVE: dict[str, Rule] = {"differencing": _odd_by_differences, "highest": _highest, "guesser": _guesser}
RULES: dict[str, dict[str, Rule]] = {
    "abx": {"differencing": _differencing, "independent": _independent, "guesser": _guesser},
    "duo-trio": {"differencing": _nearer, "guesser": _guesser},
    "triangle": {"differencing": _farthest, "guesser": _guesser},
    "tetrad": {"differencing": _lowest_two, "guesser": _guesser},
    "same-different": {"differencing": _beyond_criterion, "guesser": _guesser},
    "staircase": _ADAPTIVE,
    "staircase-weighted": _ADAPTIVE,
    "threshold-bayes": _ADAPTIVE,
    "2afc": {"highest": _most_of_it, "the other way round": _least_of_it, "guesser": _guesser},
    "3afc": {"highest": _most_of_it, "the other way round": _least_of_it, "guesser": _guesser},
    "preference": {"logistic": _logistic},
    "stage-pair": {"logistic": _logistic},
    "rating": {"opinion": _rated},
    "rating-single": {"opinion": _rated},
    "multi-stimulus": {"opinion": _rated},
    "small-impairment": {"opinion": _rated},
    "familiarisation": {"heard": lambda listener, trial, rng: {"choice": "heard"}},
    "recognition": {"known or guessed": _known_or_guessed},
    "free-listening": {"in proportion": _in_proportion},
    "adjustment": {"towards a point": _set},
}
"""Rules of decision, by method and name."""
