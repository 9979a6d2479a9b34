"""A few looks, planned beforehand: how many right end the test at each, so that alpha holds over all of them.

The bounds are found on the exact distribution of the count, look by look: the smallest number right with which no more
than the spending function allows is spent so far (Lan & DeMets 1983, Biometrika 70, 659; Jennison & Turnbull 2000,
*Group Sequential Methods*, chapters 7 and 12). Counts are whole numbers, so the real error lies below alpha; what one
look leaves unspent the next ones may spend. The plan says the real error.

Bounds for futility are not binding: alpha is computed as if they were not there, so going on past one costs nothing.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from blindtest.stats.binomial import checked_counts, checked_probability
from blindtest.stats.plain import plain
from blindtest.stats.stopping.spending import Spending, spent
from blindtest.stats.stopping.walk import Bound, Stage, checked_looks, checked_share, stages

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from pandas import DataFrame

__all__ = ["GroupDecision", "GroupOperating", "GroupSequentialPlan", "group_sequential"]

GroupDecision = Literal["more right than by guessing", "fewer right than by guessing", "futile", "not shown", "go on"]

ROUNDING = 1e-12
"""Sums of probabilities may differ by this from what they stand for."""
ASSUMPTIONS = (
    "looks, spending function and alpha were fixed before the first trial",
    "at each look the test ends if a bound is reached; bounds for futility may be passed",
    "the chance to be right is the same in every trial, one trial's outcome says nothing about another's",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupOperating:
    """What the plan does where this is the true proportion right."""

    proportion: float
    looks: tuple[int, ...]
    above: tuple[float, ...]
    """Chance to end at each look with more right than by guessing."""
    below: tuple[float, ...]
    """... with fewer (two-sided plans)."""
    futile: tuple[float, ...]
    """... as futile."""
    expected_trials: float
    method: str = "exact: the walk of the count followed from look to look"
    source: str = "Armitage, McPherson & Rowe 1969 (JRSS A 132, 235)"

    @property
    def power(self) -> float:
        """Chance to end with more right than by guessing; at the guess rate an error rate."""
        return sum(self.above)

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        return (
            f"At a true share of {self.proportion:g} right the test ends with more right than by guessing with "
            f"probability {self.power:.4f}, after {self.expected_trials:.1f} trials on average (at most "
            f"{self.looks[-1]})."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        return plain(self, "power", "sentence")


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupSequentialPlan:
    """Looks, and how many right end the test at each."""

    looks: tuple[int, ...]
    """Numbers of trials."""
    trials: int
    """Trials by which all of alpha may be spent; mostly the last look."""
    guess: float
    alpha: float
    two_sided: bool
    spending: Spending
    stop_high: tuple[int | None, ...]
    """This many right or more end the test at each look: more than by guessing; None: no number does."""
    stop_low: tuple[int | None, ...]
    """This many right or fewer: fewer than by guessing (two-sided plans)."""
    futility: tuple[int | None, ...]
    """This many right or fewer: futile; not binding."""
    futility_proportion: float | None
    """True proportion at which stopping as futile is a mistake."""
    beta: float | None
    """That mistake's chance, at most."""
    allowed: tuple[float, ...]
    """What may be spent by each look, both sides together."""
    spent: tuple[float, ...]
    """What is spent by each look, exactly."""
    method: str = "group sequential test, exact bounds on the count"
    source: str = "Lan & DeMets 1983 (Biometrika 70, 659); Jennison & Turnbull 2000, Group Sequential Methods"
    assumptions: tuple[str, ...] = ASSUMPTIONS

    @property
    def real_alpha(self) -> float:
        """The exact error rate over all looks; at most alpha."""
        return self.spent[-1]

    def walk(self, proportion: float, *, futility: bool) -> "Iterator[Stage]":
        """Walk over the looks; `futility` says whether its bounds end the test too."""
        high = dict(zip(self.looks, self.stop_high, strict=True))
        numbers = self.futility if futility and not self.two_sided else self.stop_low
        low = dict(zip(self.looks, numbers, strict=True))
        return stages(self.looks, proportion, stop_high=_high(high), stop_low=_low(low))

    def operating(self, proportion: float, *, futility: bool = True) -> GroupOperating:
        """Return what the plan does at this true proportion right, exactly.

        Parameters
        ----------
        futility : whether bounds for futility are kept to
        """
        proportion = checked_share("the proportion", proportion)
        above, below, expected, going = [], [], 0.0, 1.0
        before = 0
        for stage in self.walk(proportion, futility=futility):
            expected += going * (stage.trials - before)
            before = stage.trials
            above.append(stage.up)
            below.append(stage.down)
            going = float(stage.going_on.sum())
        nothing = (0.0,) * len(self.looks)
        return GroupOperating(
            proportion=proportion,
            looks=self.looks,
            above=tuple(above),
            below=tuple(below) if self.two_sided else nothing,
            futile=nothing if self.two_sided else tuple(below),
            expected_trials=expected,
        )

    def look(self, trials: int) -> int:
        """Return the position of the look after this many trials, or raise ValueError if there is none."""
        if trials not in self.looks:
            raise ValueError(f"the plan has no look after {trials} trials (it looks after {list(self.looks)})")
        return self.looks.index(trials)

    def decide(self, correct: int, trials: int) -> GroupDecision:
        """Return what these counts say at the look after `trials` trials, provided that no bound was reached before."""
        correct, trials = checked_counts(correct, trials)
        place = self.look(trials)
        high, low, futile = self.stop_high[place], self.stop_low[place], self.futility[place]
        if high is not None and correct >= high:
            return "more right than by guessing"
        if low is not None and correct <= low:
            return "fewer right than by guessing"
        if place == len(self.looks) - 1:
            return "not shown"
        return "futile" if futile is not None and correct <= futile else "go on"

    def bounds(self) -> "DataFrame":
        """Return a row per look: trials, stop_high, stop_low, futility, allowed, spent."""
        import pandas as pd

        return pd.DataFrame(
            {
                "trials": list(self.looks),
                "stop_high": pd.array(self.stop_high, dtype="Int64"),
                "stop_low": pd.array(self.stop_low, dtype="Int64"),
                "futility": pd.array(self.futility, dtype="Int64"),
                "allowed": list(self.allowed),
                "spent": list(self.spent),
            }
        )

    @property
    def sentence(self) -> str:
        """The plan in plain words."""
        ends = ", ".join(
            f"after {look} trials {'no number' if high is None else f'{high} or more'}"
            for look, high in zip(self.looks, self.stop_high, strict=True)
        )
        lower = " (or as few on the other side)" if self.two_sided else ""
        return (
            f"The test ends with more right than by guessing ({self.guess:.3g}) at: {ends}{lower}. Real error rate "
            f"over all looks {self.real_alpha:.4f} (stated: {self.alpha:g}, {self.spending} spending)."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        return plain(self, "real_alpha", "sentence")


def _high(numbers: dict[int, int | None]) -> Bound:
    def stop_high(trials: int) -> int:
        number = numbers.get(trials)
        return trials + 1 if number is None else number

    return stop_high


def _low(numbers: dict[int, int | None]) -> Bound:
    def stop_low(trials: int) -> int:
        number = numbers.get(trials)
        return -1 if number is None else number

    return stop_low


def group_sequential(
    looks: "Iterable[int]",
    *,
    guess: float = 0.5,
    alpha: float = 0.05,
    spending: Spending = "obrien-fleming",
    two_sided: bool = False,
    trials: int | None = None,
    futility_proportion: float | None = None,
    beta: float = 0.2,
) -> GroupSequentialPlan:
    """Return a plan that looks after these numbers of trials and errs, over all looks, with probability alpha at most.

    Parameters
    ----------
    looks : numbers of trials, rising
    guess : probability to be right by guessing (1/2 also for a preference)
    two_sided : alpha/2 is spent on each side; else all of it on more right than by guessing
    trials : trials by which all of alpha is spent, if more are planned than the last look; default: the last look
    futility_proportion : proportion right above the guess rate that should not be given up on; default: no bounds for
        futility. The chance of doing so is `beta` at most, spent by the same function

    Raises
    ------
    ValueError
        Looks that don't rise, numbers out of range, futility with a two-sided test.
    """
    numbers = checked_looks(looks)
    guess = checked_probability("the guess rate", guess)
    alpha = checked_probability("alpha", alpha)
    end = numbers[-1] if trials is None else int(trials)
    if end < numbers[-1]:
        raise ValueError(f"the planned trials must not end before the last look ({numbers[-1]}), got {end}")
    allowed = tuple(spent(look / end, alpha=alpha, spending=spending) for look in numbers)
    high, low, used = _rejecting(numbers, guess, allowed, two_sided=two_sided)
    futility: tuple[int | None, ...] = (None,) * len(numbers)
    if futility_proportion is not None:
        if two_sided:
            raise ValueError("a two-sided test has no bounds for futility here: leave out one of the two")
        if not guess < futility_proportion < 1:
            raise ValueError(f"the proportion not to give up on must lie in {guess:.3g} ... 1: {futility_proportion}")
        wasted = [spent(look / end, alpha=checked_probability("beta", beta), spending=spending) for look in numbers]
        futility = _futile(numbers, futility_proportion, high, wasted)
    return GroupSequentialPlan(
        looks=numbers,
        trials=end,
        guess=guess,
        alpha=alpha,
        two_sided=two_sided,
        spending=spending,
        stop_high=high,
        stop_low=low,
        futility=futility,
        futility_proportion=futility_proportion,
        beta=beta if futility_proportion is not None else None,
        allowed=allowed,
        spent=used,
    )


Numbers = tuple[int | None, ...]


def _rejecting(
    looks: tuple[int, ...], guess: float, allowed: tuple[float, ...], *, two_sided: bool
) -> tuple[Numbers, Numbers, tuple[float, ...]]:
    high: dict[int, int | None] = {}
    low: dict[int, int | None] = {}
    used, up, down = [], 0.0, 0.0
    sides = 2 if two_sided else 1
    for place, look in enumerate(looks):
        *_, stage = stages(looks[: place + 1], guess, stop_high=_high(high), stop_low=_low(low))
        high[look] = _smallest(stage, allowed[place] / sides - up)
        low[look] = _largest(stage, allowed[place] / sides - down) if two_sided else None
        up += 0.0 if high[look] is None else stage.at_least(high[look])  # type: ignore[arg-type]
        down += 0.0 if low[look] is None else stage.at_most(low[look])  # type: ignore[arg-type]
        used.append(up + down)
    return tuple(high.values()), tuple(low.values()), tuple(used)


def _smallest(stage: Stage, budget: float) -> int | None:
    """Return the smallest number right that `budget` pays for; None: none with any chance to occur."""
    tails = stage.arriving[::-1].cumsum()[::-1]
    paid = [place for place, tail in enumerate(tails.tolist()) if tail <= budget + ROUNDING and tail > 0]
    return stage.lowest + paid[0] if paid else None


def _largest(stage: Stage, budget: float) -> int | None:
    tails = stage.arriving.cumsum()
    paid = [place for place, tail in enumerate(tails.tolist()) if tail <= budget + ROUNDING and tail > 0]
    return stage.lowest + paid[-1] if paid else None


def _futile(looks: tuple[int, ...], proportion: float, high: Numbers, wasted: list[float]) -> Numbers:
    upper = dict(zip(looks, high, strict=True))
    low: dict[int, int | None] = {}
    given_up = 0.0
    for place, look in enumerate(looks[:-1]):
        *_, stage = stages(looks[: place + 1], proportion, stop_high=_high(upper), stop_low=_low(low))
        number = _largest(stage, wasted[place] - given_up)
        if number is not None and upper[look] is not None:
            number = min(number, upper[look] - 1)  # type: ignore[operator]
        low[look] = number
        given_up += 0.0 if number is None else stage.at_most(number)
    # After the last look everything that is not shown has ended anyway.
    return (*low.values(), None)
