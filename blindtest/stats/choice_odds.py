"""Choices on the scale on which studies are pooled: log odds beyond guessing, with the error that listeners add.

On this scale effects of different size have errors of their own that hardly depend on them, limits stay between 0 and
1 when they are turned back, and guessing is 0 for every method. d' has neither: near guessing its slope is 0, and all
right is infinite.

Half a right and half a wrong answer are added to each study (Haldane 1956; Gart & Zweifel 1967, Biometrika 54, 181), so
that none or all right have an estimate too and small studies hardly a bias. Where several listeners answered, their
differences widen the error by the design effect of Rao & Scott (1992, "A simple method for the analysis of clustered
binary data", Biometrics 48, 577), never below 1.

A study's own error depends on its own estimate: studies that happen to lie nearer to 1/2 would weigh more, and the mean
be drawn there (10 studies of 28 trials about 88 % right: an interval of nominal .95 holds the truth in .75 of cases).
For pooling the error of each is therefore taken at the proportion of all together (`errors_for_pooling`: .945 there);
so Chang, Waternaux & Lipsitz 2001 ("Meta-analysis of binary data: which within study variance estimate to use?",
Statistics in Medicine 20, 1947; from memory) found it, too.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log, sqrt

import numpy as np
from numpy.typing import ArrayLike

from blindtest.stats.design_effect import design_effect
from blindtest.stats.plain import plain

__all__ = ["ChoiceOdds", "choice_odds", "errors_for_pooling", "odds_to_proportion"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChoiceOdds:
    """How much more often than by guessing one study chose right."""

    estimate: float
    """Natural logarithm of the odds of a right answer, less that of a guess: 0 is guessing."""
    std_error: float
    right: int
    trials: int
    listeners: int
    design_effect: float
    """Factor by which differences between listeners widen the variance; 1 for a single one."""
    guess: float
    method: str = "empirical log odds, Rao and Scott's design effect of listeners"

    @property
    def at_an_end(self) -> bool:
        """Whether none or all were right, so that the estimate rests on what was added."""
        return self.right in (0, self.trials)

    def to_dict(self) -> dict[str, object]:
        """Return what JSON can hold."""
        return plain(self, "at_an_end")


def choice_odds(right: ArrayLike, trials: ArrayLike, *, guess: float) -> ChoiceOdds:
    """Return the log odds of right answers in one study, less those of guessing.

    Parameters
    ----------
    right, trials : (listeners,) array_like of whole numbers, 0 <= right <= trials
        Each listener's counts; a single number each where nothing is known of single listeners.
    guess : 0 < guess < 1, how often a guess is right

    Raises
    ------
    ValueError
        Counts that are none, or no trial at all.
    """
    x = np.atleast_1d(np.asarray(right, dtype=np.float64))
    n = np.atleast_1d(np.asarray(trials, dtype=np.float64))
    if x.ndim != 1 or x.shape != n.shape or not np.all((x >= 0) & (x <= n)) or np.any(x % 1) or np.any(n % 1):
        raise ValueError(f"right answers and trials are counts, 0 <= right <= trials, got {x} of {n}")
    if not 0 < guess < 1:
        raise ValueError(f"a guess rate lies between 0 and 1, got {guess}")
    x, n = x[n > 0], n[n > 0]
    if not len(n):
        raise ValueError("no trial was answered")
    all_right, all_trials = float(x.sum()), float(n.sum())
    effect = design_effect(x, n)
    wrong = all_trials - all_right
    return ChoiceOdds(
        estimate=log((all_right + 0.5) / (wrong + 0.5)) - log(guess / (1 - guess)),
        std_error=sqrt(effect * (1 / (all_right + 0.5) + 1 / (wrong + 0.5))),
        right=int(all_right),
        trials=int(all_trials),
        listeners=len(n),
        design_effect=effect,
        guess=guess,
    )


def errors_for_pooling(studies: Sequence[ChoiceOdds]) -> tuple[float, ...]:
    """Return the standard error of each study's log odds if its rate were that of all of them together."""
    right = sum(one.right for one in studies) + 0.5
    trials = sum(one.trials for one in studies) + 1
    spread = right / trials * (1 - right / trials)
    return tuple(sqrt(one.design_effect / (one.trials * spread)) for one in studies)


def odds_to_proportion(estimate: float, *, guess: float) -> float:
    """Return the proportion of right answers at these log odds beyond guessing; 0 and 1 at the infinite ends."""
    odds = estimate + log(guess / (1 - guess))
    return 1 / (1 + exp(-odds)) if odds >= 0 else exp(odds) / (1 + exp(odds)) if odds > -700 else 0.0
