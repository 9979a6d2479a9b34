"""A stopping rule as a table: after which numbers of trials, and at how many right, a test of right answers ends.

Every rule here comes down to two whole numbers for each number of trials, so that a plan can be sealed as the table
and followed by look-up, and so that everything that can happen is a finite list of endings: (trials, right). An ending
after n trials with k right has probability C p^k (1 - p)^(n - k), C counting the ways there that end nowhere before
(Armitage, McPherson & Rowe 1969, JRSS A 132, 235); C is counted in whole numbers.

Endings are put in order by stages: ending high earlier says more than later, then those that come to the end by their
number right, then ending low later, and ending low early says most for guessing (Armitage 1957; Fairbanks & Madsen
1982, Biometrika 69, 69; Jennison & Turnbull 1983, Technometrics 25, 49).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cached_property
from math import log
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray
from scipy.special import xlog1py, xlogy

from blindtest.stats.binomial import Interval, checked_counts, checked_probability, rising_root
from blindtest.stats.sensitivity import decision_rule
from blindtest.stats.stopping.e_process import e_process_numbers
from blindtest.stats.stopping.group_plan import group_sequential
from blindtest.stats.stopping.probability_ratio import sprt
from blindtest.stats.stopping.spending import Spending
from blindtest.stats.stopping.walk import as_written, checked_looks

__all__ = ["STOPPING_RULES", "Ended", "Ending", "Rule", "StopTable", "equal_looks", "heard_proportion", "stop_table"]

Rule = Literal["group-sequential", "sprt", "e-process"]
STOPPING_RULES: tuple[str, ...] = get_args(Rule)
Ended = Literal["high", "low", "last"]
Numbers = tuple[int | None, ...]
Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ending:
    """One way for the counts to end."""

    trials: int
    correct: int
    how: Ended
    """'high' and 'low': a number of the table was reached; 'last': it came to the last look without."""


@dataclass(frozen=True, kw_only=True)
class StopTable:
    """Looks, and the numbers right that end the test at each."""

    looks: tuple[int, ...]
    """Numbers of trials, rising; after the last the test ends whatever was answered."""
    high: Numbers
    """This many right or more end it at each look; None: no number does."""
    low: Numbers
    """This many right or fewer end it."""
    places: dict[tuple[int, int], int] = field(default_factory=dict, init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        checked_looks(self.looks)
        if not len(self.looks) == len(self.high) == len(self.low):
            raise ValueError(f"{len(self.looks)} looks, {len(self.high)} upper and {len(self.low)} lower numbers")
        for look, high, low in zip(self.looks, self.high, self.low, strict=True):
            if high is not None and low is not None and low >= high:
                raise ValueError(f"after {look} trials {low} or fewer and {high} or more right would both end it")
        self.places.update({(one.trials, one.correct): place for place, one in enumerate(self.endings)})

    @property
    def trials(self) -> int:
        """The most trials there can be."""
        return self.looks[-1]

    @cached_property
    def _counted(self) -> tuple[tuple[Ending, int], ...]:
        """Every ending with the number of ways to it, from the one that says most for guessing up."""
        return tuple(sorted(self._walked({0: 1}, 0), key=lambda one: _rank(one[0])))

    def _walked(self, ways: dict[int, int], before: int) -> list[tuple[Ending, int]]:
        """Return every ending with the number of ways to it; `ways`: to each number right after `before` trials."""
        found: list[tuple[Ending, int]] = []
        for place, look in enumerate(self.looks):
            for _ in range(look - before):
                further: dict[int, int] = {}
                for correct, count in ways.items():
                    further[correct] = further.get(correct, 0) + count
                    further[correct + 1] = further.get(correct + 1, 0) + count
                ways = further
            before = look
            going = {}
            for correct, count in ways.items():
                how = self._how(place, correct)
                if how is None:
                    going[correct] = count
                else:
                    found.append((Ending(trials=look, correct=correct, how=how), count))
            ways = going
        return found

    def _how(self, place: int, correct: int) -> Ended | None:
        high, low = self.high[place], self.low[place]
        if high is not None and correct >= high:
            return "high"
        if low is not None and correct <= low:
            return "low"
        return "last" if place == len(self.looks) - 1 else None

    @cached_property
    def endings(self) -> tuple[Ending, ...]:
        """Every ending that can occur, from the one that says most for guessing to the one that says most against."""
        return tuple(one for one, _ in self._counted)

    @cached_property
    def _log_ways(self) -> Floats:
        return np.array([log(count) for _, count in self._counted])

    @cached_property
    def _right(self) -> tuple[Floats, Floats]:
        correct = np.array([one.correct for one in self.endings], dtype=np.float64)
        return correct, np.array([one.trials for one in self.endings], dtype=np.float64) - correct

    def chances(self, proportion: float) -> Floats:
        """Return the probability of each of `endings` at this true proportion right."""
        correct, wrong = self._right
        return np.asarray(np.exp(self._log_ways + xlogy(correct, proportion) + xlog1py(wrong, -proportion)))

    def expected_trials(self, proportion: float) -> float:
        """Return how many trials it takes on average."""
        return float(self.chances(proportion) @ np.array([one.trials for one in self.endings], dtype=np.float64))

    def place(self, correct: int, trials: int) -> int:
        """Return which of `endings` these counts are.

        Raises
        ------
        ValueError
            The test does not end with them, or has ended before.
        """
        correct, trials = checked_counts(correct, trials)
        if (trials, correct) not in self.places:
            raise ValueError(f"{correct} of {trials} right is no ending of this rule")
        return self.places[trials, correct]

    def stop(self, answers: Sequence[bool]) -> Ending | None:
        """Return where a series of right and wrong answers ends, or None where it goes on."""
        right = 0
        places = {look: place for place, look in enumerate(self.looks)}
        for trial, answer in enumerate(answers[: self.trials], start=1):
            right += bool(answer)
            how = self._how(places[trial], right) if trial in places else None
            if how is not None:
                return Ending(trials=trial, correct=right, how=how)
        return None

    def at_least(self, place: int, proportion: float) -> float:
        """Return the chance of an ending that says as much against guessing, or more."""
        return min(1.0, float(self.chances(proportion)[place:].sum()))

    def at_most(self, place: int, proportion: float) -> float:
        """Return the chance of an ending that says as little against guessing, or less."""
        return min(1.0, float(self.chances(proportion)[: place + 1].sum()))

    def lower_limit(self, place: int, level: float) -> float:
        """Return the one-sided lower limit of the proportion right: what the ending's p value goes with."""
        return 0.0 if place == 0 else rising_root(lambda p: self.at_least(place, p) - (1 - level), 0.0, 1.0)

    def upper_limit(self, place: int, level: float) -> float:
        """Return the one-sided upper limit of the proportion right."""
        last = len(self.endings) - 1
        return 1.0 if place == last else rising_root(lambda p: (1 - level) - self.at_most(place, p), 0.0, 1.0)

    def interval(self, place: int, level: float) -> Interval:
        """Return two-sided limits of the proportion right, half of the rest on each side."""
        return self.lower_limit(place, (1 + level) / 2), self.upper_limit(place, (1 + level) / 2)

    def estimate(self, place: int) -> float:
        """Return the proportion right at which an ending as high and one as low are equally probable."""
        return rising_root(lambda p: self.at_least(place, p) - self.at_most(place, p), 0.0, 1.0)

    @cached_property
    def unbiased(self) -> Floats:
        """Of each of `endings` the proportion right whose mean over all endings is the true one, whatever that is.

        Ways to the ending that begin with a right answer, over all ways to it (Girshick, Mosteller & Savage 1946, Ann.
        Math. Stat. 17, 13).
        """
        begun = {(one.trials, one.correct): count for one, count in self._walked({1: 1}, 1)}
        return np.array([begun.get((one.trials, one.correct), 0) / count for one, count in self._counted])

    def unbiased_variance(self, proportion: float) -> float:
        """Return the variance of `unbiased` at this true proportion right."""
        return float(self.chances(proportion) @ (self.unbiased - proportion) ** 2)


def _rank(one: Ending) -> tuple[int, int, int]:
    """Return what endings are sorted by, the one most in favour of guessing first."""
    side = {"low": 0, "last": 1, "high": 2}[one.how]
    return side, one.trials if side == 0 else -one.trials, one.correct


def equal_looks(looks: int, trials: int) -> tuple[int, ...]:
    """Return so many looks at equal distances, the last after `trials`."""
    if not 1 <= looks <= trials:
        raise ValueError(f"the number of looks must lie in 1 ... {trials} (the trials), got {looks}")
    return tuple(-(-trials * look // looks) for look in range(1, looks + 1))


def heard_proportion(share: float, method: str) -> float:
    """Return the proportion right where this share of trials is heard and the others are guessed."""
    guess = Fraction(decision_rule(method).guess)
    return float(guess + (1 - guess) * as_written(share))


def stop_table(
    rule: Rule,
    trials: int,
    *,
    method: str,
    margin: float,
    alpha: float = 0.05,
    beta: float | None = None,
    looks: Iterable[int] | int | None = None,
    spending: Spending = "obrien-fleming",
) -> StopTable:
    """Return the table of a rule for answers that are right or wrong.

    Parameters
    ----------
    rule : 'group-sequential', a few looks (see `group_sequential`); 'sprt', guessing against the margin (see `sprt`);
        'e-process', a bet against guessing and one against the margin, each of which ends the test when it has
        multiplied by 1/alpha (see `e_value`)
    trials : the most there can be
    margin : share of trials heard beyond guessing that would matter; the other hypothesis of 'sprt'
    alpha : chance, at most, to end high where everything is guessed (of 'sprt' the wanted one)
    beta : chance to end low where the margin's share is heard: of 'sprt' (default: alpha), and for a group sequential
        test, which without one does not end low before its last look. The e-process knows no beta
    looks : of a group sequential test: numbers of trials, the last of them `trials`, or how many at equal distances

    Raises
    ------
    ValueError
        Numbers out of range, or that the rule has no use for; looks that don't end with `trials`.
    """
    _, trials = checked_counts(0, trials)
    checked_probability("the margin", margin)
    guess, heard = float(decision_rule(method).guess), heard_proportion(margin, method)
    if rule != "group-sequential" and looks is not None:
        raise ValueError(f"{rule} looks after every trial: it reads no looks")
    if rule == "group-sequential":
        numbers = equal_looks(looks, trials) if isinstance(looks, int) else checked_looks(looks or ())
        if numbers[-1] != trials:
            raise ValueError(f"the last look is after the last trial ({trials}), got {numbers[-1]}")
        plan = group_sequential(
            numbers,
            guess=guess,
            alpha=alpha,
            spending=spending,
            futility_proportion=None if beta is None else heard,
            beta=0.2 if beta is None else beta,
        )
        return StopTable(looks=numbers, high=plan.stop_high, low=plan.futility)
    every = tuple(range(1, trials + 1))
    if rule == "sprt":
        ratio = sprt(p0=guess, p1=heard, alpha=alpha, beta=alpha if beta is None else beta)
        return StopTable(
            looks=every,
            high=tuple(_possible(ratio.accepting(n), n) for n in every),
            low=tuple(_possible(ratio.rejecting(n), n) for n in every),
        )
    if rule != "e-process":
        raise ValueError(f"no stopping rule {rule!r} (there are: {', '.join(STOPPING_RULES)})")
    if beta is not None:
        raise ValueError("the e-process reads no beta: both of its bets end the test at 1/alpha")
    wrong = e_process_numbers(trials, alpha=alpha, guess=float(1 - Fraction(as_written(heard))))
    high = e_process_numbers(trials, alpha=alpha, guess=guess)
    low = tuple(None if number is None else n - number for n, number in zip(every, wrong, strict=True))
    # With very many trials both bets may have won: more is heard than by guessing, and less than the margin.
    first = next((n for n, a, b in zip(every, high, low, strict=True) if None not in (a, b) and b >= a), None)  # type: ignore[operator]
    if first is not None:
        low = tuple(None if b is None else b if a is None or b < a else a - 1 for a, b in zip(high, low, strict=True))
    return StopTable(looks=every, high=high, low=low)


def _possible(number: int, trials: int) -> int | None:
    return number if 0 <= number <= trials else None
