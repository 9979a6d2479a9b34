"""Counts of right answers on their way, looked at now and then: exact probabilities to stop, look by look.

The number right is a walk that rises by one with probability p in every trial. At each look it stops if it has reached
an upper number, or has not got beyond a lower one. The distribution of those still on their way is carried from look to
look (Armitage, McPherson & Rowe 1969, JRSS A 132, 235), so every probability is a finite sum: nothing is simulated, and
nothing is approximated by a normal distribution.
"""

import itertools
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, xlog1py, xlogy

from blindtest.stats.binomial import decimal

__all__ = ["Bound", "Stage", "as_written", "checked_looks", "checked_share", "never_high", "never_low", "stages"]

Floats = NDArray[np.float64]
Bound = Callable[[int], int]
"""Number of trials -> number right at which the walk stops there."""

LARGEST_DENOMINATOR = 100


def as_written(value: float | Fraction) -> Fraction:
    """Return the number that was meant: 1/3 for the float next to it, 1/20 for .05."""
    if isinstance(value, Fraction):
        return value
    simple = Fraction(float(value)).limit_denominator(LARGEST_DENOMINATOR)
    return simple if float(simple) == float(value) else decimal(value)


def checked_share(name: str, value: float | Fraction) -> float:
    """Return `value`, or raise ValueError unless it lies in 0 ... 1, both included."""
    if not 0 <= value <= 1:
        raise ValueError(f"{name} must lie in 0 ... 1, got {value}")
    return float(value)


def checked_looks(looks: Iterable[int]) -> tuple[int, ...]:
    """Return numbers of trials at which somebody looks, or raise ValueError unless they rise from 1 or more."""
    numbers = tuple(int(look) for look in looks)
    if not numbers:
        raise ValueError("there must be at least one look")
    if numbers[0] < 1 or any(later <= earlier for earlier, later in itertools.pairwise(numbers)):
        raise ValueError(f"looks must be numbers of trials that rise from 1 or more, got {list(numbers)}")
    return numbers


def never_low(_trials: int) -> int:
    """Stop at no lower number."""
    return -1


def never_high(trials: int) -> int:
    """Stop at no upper number."""
    return trials + 1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stage:
    """Those who come to one look without having stopped at an earlier one."""

    trials: int
    lowest: int
    """Number right that the first entry of `arriving` belongs to."""
    arriving: Floats
    """Probability to come here with `lowest`, `lowest` + 1 ... right."""
    stop_low: int
    """This many right or fewer stop here; below 0: nobody."""
    stop_high: int
    """This many right or more stop here; above `trials`: nobody."""

    def at_least(self, correct: int) -> float:
        """Return the probability to come here with this many right or more."""
        return float(self.arriving[max(0, correct - self.lowest) :].sum())

    def at_most(self, correct: int) -> float:
        """Return the probability to come here with this many right or fewer."""
        return float(self.arriving[: max(0, correct - self.lowest + 1)].sum())

    @property
    def up(self) -> float:
        """Probability to stop here at the upper number."""
        return self.at_least(self.stop_high)

    @property
    def down(self) -> float:
        """Probability to stop here at the lower number."""
        return self.at_most(self.stop_low)

    @property
    def going_on(self) -> Floats:
        """The part of `arriving` that doesn't stop here; its first entry belongs to `first_going_on`."""
        return self.arriving[self.first_going_on - self.lowest : max(0, self.stop_high - self.lowest)]

    @property
    def first_going_on(self) -> int:
        """The smallest number right that goes on."""
        return max(self.lowest, self.stop_low + 1)


def stages(
    looks: Iterable[int], proportion: float, *, stop_high: Bound = never_high, stop_low: Bound = never_low
) -> Iterator[Stage]:
    """Walk from look to look (rising numbers of trials) with this probability to be right in each trial."""
    trials, lowest, alive = 0, 0, np.ones(1)
    steps: dict[int, Floats] = {}
    for look in looks:
        more = look - trials
        if more not in steps:
            steps[more] = _binomial(more, proportion)
        stage = Stage(
            trials=look,
            lowest=lowest,
            arriving=np.convolve(alive, steps[more]) if alive.size else alive,
            stop_low=stop_low(look),
            stop_high=stop_high(look),
        )
        yield stage
        trials, lowest, alive = look, stage.first_going_on, stage.going_on


def _binomial(trials: int, proportion: float) -> Floats:
    if trials == 1:
        return np.array([1 - proportion, proportion])
    k = np.arange(trials + 1)
    ways = gammaln(trials + 1) - gammaln(k + 1) - gammaln(trials - k + 1)
    return np.asarray(np.exp(ways + xlogy(k, proportion) + xlog1py(trials - k, -proportion)))
