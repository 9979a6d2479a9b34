"""What looking early does to an ordinary test, and an honest word on a series of trials that was stopped at will.

A guesser who works out the exact p value after every trial and stops at the first one below alpha "succeeds" far more
often than alpha says, and with patience always (Armitage, McPherson & Rowe 1969, JRSS A 132, 235). How often by a given
trial is a finite sum over the walk of the count; nothing is simulated. "Below" is meant strictly: p equal to alpha does
not stop the series.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np

from blindtest.nouns import number_of
from blindtest.stats.binomial import at_most_is_rare, checked_counts, checked_probability, decimal, upper_tail
from blindtest.stats.plain import plain
from blindtest.stats.sensitivity import decision_rule
from blindtest.stats.stopping.e_process import e_value
from blindtest.stats.stopping.walk import Bound, as_written, checked_looks, checked_share, stages

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["StoppedAtWill", "peeking_error", "peeking_p_value", "stopped_at_will", "stopped_at_will_by_listener"]

Looks = Iterable[int] | int | None
AS_SMALL = 1 + 1e-9
"""Two p values this near to each other count as equal."""


def peeking_error(
    trials: int,
    *,
    alpha: float = 0.05,
    proportion: float = 0.5,
    looks: Looks = None,
    guess: float | None = None,
) -> float:
    """Return the chance that the one-sided exact p value lies below alpha at some look up to `trials`; exact.

    Parameters
    ----------
    alpha : the series stops at a p value strictly below it
    proportion : true proportion right; a guesser's, if the result is to be an error rate
    looks : numbers of trials at which p is worked out (those above `trials` don't count); a single number: that many
        looks at equal distances, the last after `trials`; default: after every trial
    guess : the guess rate that p is held against; default: `proportion`, so that the result is the error rate

    Raises
    ------
    ValueError
        No trials, numbers out of range, looks that don't rise.
    """
    _, trials = checked_counts(0, trials)
    checked_probability("alpha", alpha)
    proportion = checked_share("the proportion", proportion)
    against = as_written(proportion if guess is None else guess)
    checked_probability("the guess rate", float(against))
    numbers = [look for look in _looks(looks, trials) if look <= trials]
    return sum(stage.up for stage in stages(numbers, proportion, stop_high=_strictly_below(against, alpha)))


def _looks(looks: Looks, trials: int) -> tuple[int, ...]:
    if looks is None:
        return tuple(range(1, trials + 1))
    if isinstance(looks, int | np.integer):
        if not 1 <= looks <= trials:
            raise ValueError(f"the number of looks must lie in 1 ... {trials} (the trials), got {looks}")
        return tuple(-(-trials * look // looks) for look in range(1, looks + 1))
    return checked_looks(looks)


def _strictly_below(guess: Fraction, alpha: float) -> Bound:
    most = 1 - decimal(alpha)
    last, number = 0, 1

    def stop_high(trials: int) -> int:
        # P(X >= k) < alpha just where P(X < k) > 1 - alpha, which is decided exactly; the number never falls.
        nonlocal last, number
        if trials < last:
            number = 1
        while number <= trials and at_most_is_rare(number - 1, trials, guess, most):
            number += 1
        last = trials
        return number

    return stop_high


def peeking_p_value(correct: int, trials: int, *, guess: float = 0.5, looks: Looks = None) -> float:
    """Return the chance that a guesser has, at some look up to `trials`, a p value as small as these counts'.

    It is the p value of a series that was to end after `trials` trials at the latest, and before whenever p pleased.
    Where there was no such end it is too small; only an e-value holds then.
    """
    correct, trials = checked_counts(correct, trials)
    checked_probability("the guess rate", guess)
    fair = as_written(guess)
    as_small = upper_tail(correct, trials, fair) * AS_SMALL
    number = 0

    def stop_high(n: int) -> int:
        nonlocal number
        while number <= n and upper_tail(number, n, fair) > as_small:
            number += 1
        return number

    numbers = [look for look in _looks(looks, trials) if look <= trials]
    return min(1.0, sum(stage.up for stage in stages(numbers, float(fair), stop_high=stop_high)))


@dataclass(frozen=True, slots=True, kw_only=True)
class StoppedAtWill:
    """What can be said of a series of trials whose number was not fixed beforehand."""

    listener: str
    """Whose; empty where only answers were given."""
    correct: int
    trials: int
    guess_rate: float
    alpha: float
    first_look: int
    """The trial after which p is supposed to have been looked at for the first time."""
    p_value: float
    """Exact, one-sided, as if the number of trials had been fixed."""
    error_rate: float
    """Chance of a guesser who looks after every trial to be below alpha at some look up to here; nominally alpha."""
    error_rate_longer: float
    """The same after twice as many trials: somebody not below alpha would have gone on."""
    peeking_p_value: float
    """Chance of a guesser to have, at some look up to here, a p value as small as that at the end."""
    e_value: float
    """Evidence that may be read at any time; 1/alpha corresponds to alpha."""
    first_below: int | None
    """Trial after which p lay below alpha for the first time, from `first_look` on; None: at no look."""
    method: str = "exact walk of the count, a look after every trial"
    source: str = "Armitage, McPherson & Rowe 1969 (JRSS A 132, 235); e-value: Ville 1939"
    assumptions: tuple[str, ...] = (
        "the guesser is right with the guess rate in every trial, independently",
        "the series would have ended at the first look with p below alpha",
    )

    @property
    def stopped_when_below(self) -> bool:
        """Whether the series ends just where p first lay below alpha, as it does when success ends it."""
        return self.first_below == self.trials

    @property
    def sentence(self) -> str:
        """The warning in plain words."""
        who = f"{self.listener}: " if self.listener else ""
        times = self.error_rate / self.alpha
        where = ""
        if self.stopped_when_below:
            where = " This series ends at the very trial that took p below alpha for the first time."
        elif self.first_below is not None:
            where = f" In this series p lay below alpha after trial {self.first_below} already."
        return (
            f"{who}{self.correct} of {self.trials} right, p = {self.p_value:.3g} if "
            f"{number_of(self.trials, 'trial was', 'trials were')} fixed "
            f"beforehand. If they were not, and somebody looked after every trial from trial {self.first_look} and "
            f"stopped when p was below {self.alpha:g}, a guesser gets there with probability {self.error_rate:.3f} by "
            f"trial {self.trials} ({times:.1f} times what {self.alpha:g} says) and {self.error_rate_longer:.3f} by "
            f"trial {2 * self.trials}.{where} A p as small as this one is then reached with probability "
            f"{_small(self.peeking_p_value)}, not {self.p_value:.3g}. Evidence that holds at any stop: e-value "
            f"{self.e_value:.3g} (needed: {1 / self.alpha:g})."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        return plain(self, "stopped_when_below", "sentence")


def _small(value: float) -> str:
    """Return a probability to three decimals, one below .001 to three digits: none that is above 0 is told as 0."""
    return f"{value:.3f}" if value >= 0.001 else f"{value:.3g}"


def stopped_at_will(
    answers: Sequence[bool], *, guess: float = 0.5, alpha: float = 0.05, first_look: int = 1, listener: str = ""
) -> StoppedAtWill:
    """Return what can be said of a series of right and wrong answers, in their order, that was stopped at will.

    Parameters
    ----------
    answers : True or 1 for a right answer
    first_look : trial after which somebody may have looked at the score for the first time

    Raises
    ------
    ValueError
        No answer, one that is neither right nor wrong, numbers out of range.
    """
    series = [_truth(answer) for answer in answers]
    correct, trials = checked_counts(sum(series), len(series))
    if not 1 <= first_look <= trials:
        raise ValueError(f"the first look must lie in 1 ... {trials} (the trials), got {first_look}")
    stop_high = _strictly_below(as_written(guess), checked_probability("alpha", alpha))
    first_below, right = None, 0
    for trial, answer in enumerate(series, start=1):
        right += answer
        if first_below is None and right >= stop_high(trial) and trial >= first_look:
            first_below = trial

    def error(last: int) -> float:
        return peeking_error(last, alpha=alpha, proportion=guess, looks=range(first_look, last + 1))

    return StoppedAtWill(
        listener=listener,
        correct=correct,
        trials=trials,
        guess_rate=float(guess),
        alpha=float(alpha),
        first_look=first_look,
        p_value=upper_tail(correct, trials, as_written(guess)),
        error_rate=error(trials),
        error_rate_longer=error(2 * trials),
        peeking_p_value=peeking_p_value(correct, trials, guess=guess, looks=range(first_look, trials + 1)),
        e_value=e_value(correct, trials, guess=guess),
        first_below=first_below,
    )


def _truth(answer: object) -> int:
    if answer in (True, False):
        return int(bool(answer))
    raise ValueError(f"an answer is right (1, True) or wrong (0, False), got {answer!r}")


def stopped_at_will_by_listener(
    table: "DataFrame", *, method: str | None = None, alpha: float = 0.05, first_look: int = 1
) -> tuple[StoppedAtWill, ...]:
    """Return, for each listener of a trial table in the order of names, what can be said if the trials were not fixed.

    Parameters
    ----------
    table : trial table whose rows stand in the order in which they were answered; see `counted_trials`
    method : the decision rule; default: what the table says

    Raises
    ------
    BlindtestError
        No answered trial, or methods with different guess rates (or none given).
    """
    from blindtest.stats.listeners import counted_trials, listener_results

    results = listener_results(table, method=method)
    counted = counted_trials(table)
    names = counted["listener"].astype("string").fillna("(not named)") if "listener" in counted else "(not named)"
    series = counted["correct"].astype(int).to_frame().assign(listener=names)
    guess = float(decision_rule(results.method).guess)
    return tuple(
        stopped_at_will(
            series.loc[series["listener"] == name, "correct"].tolist(),
            guess=guess,
            alpha=alpha,
            first_look=min(first_look, int((series["listener"] == name).sum())),
            listener=name,
        )
        for name in results.listeners
    )
