"""A Bayesian companion to the simple tests: closed forms, no sampler.

Prior of a proportion correct: a beta distribution cut off below the guess rate (nobody is right less often than by
guessing), uniform unless said otherwise. The posterior then is a beta distribution cut off at the same place, and the
Bayes factor against guessing a ratio of incomplete beta functions:

    BF = B(a + x, b + n - x) Q(guess; a + x, b + n - x) / [B(a, b) Q(guess; a, b) guess^x (1 - guess)^(n - x)]

with Q the upper tail of the beta distribution. A preference has the whole of 0 ... 1, and 1/2 as its null.

A Bayes factor belongs to its prior: another prior gives another factor, so the result states it. Factors of 3 to 10 are
usually called moderate, above 10 strong (Jeffreys 1961, appendix B, in other words).

Sources: Jeffreys 1961, Theory of Probability; Kass & Raftery 1995 (JASA 90, 773).
"""

from dataclasses import dataclass
from math import exp, inf, log
from typing import Any

from scipy.special import betaincc, betainccinv, betaln

from blindtest.stats.binomial import Interval, checked_counts, checked_probability
from blindtest.stats.discrimination import distinguishers, proportion_at
from blindtest.stats.number_words import percent
from blindtest.stats.plain import plain
from blindtest.stats.sensitivity import d_prime, decision_rule

__all__ = ["BayesianChoice", "bayesian_discrimination", "bayesian_preference"]


@dataclass(frozen=True, slots=True, kw_only=True)
class BayesianChoice:
    """What a count says about a proportion, given a stated prior."""

    correct: int
    trials: int
    method: str
    null: float
    """The proportion of the null hypothesis: the guess rate, or 1/2."""
    prior: str
    """In words."""
    prior_parameters: tuple[float, float]
    """Of the beta distribution, before it is cut off."""
    floor: float
    """Where prior and posterior are cut off from below."""
    mean: float
    """Of the posterior of the proportion."""
    median: float
    interval: Interval
    """Of the posterior, equal tails: holds the proportion with probability `level`, if the prior is right."""
    level: float
    bayes_factor: float
    """How much likelier the count is under the prior than under the null; below 1 it speaks for the null."""
    log_bayes_factor: float
    """Its natural logarithm, which never overflows."""
    above_null: float
    """Posterior probability that the proportion lies above the null."""
    margin: float | None
    """Share of trials heard (or probability beyond 1/2) that matters."""
    above_margin: float | None
    """Posterior probability that it is at least the margin."""
    distinguishers_interval: Interval | None
    """Mapped from `interval`; None for a preference."""
    d_prime_interval: Interval | None
    """Mapped from `interval`; None for a preference."""
    test: str = "beta posterior and Bayes factor, closed form"
    source: str = "Jeffreys 1961; Kass & Raftery 1995"
    assumptions: tuple[str, ...] = (
        "the prior says what was known before the first trial",
        "the chance to be right is the same in every trial, one trial's outcome says nothing about another's",
    )

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        low, high = self.interval
        sides = (
            f"{_times(self.log_bayes_factor)} times likelier with a difference than without"
            if self.log_bayes_factor >= 0
            else f"{_times(-self.log_bayes_factor)} times likelier without a difference than with one"
        )
        margin = ""
        if self.margin is not None and self.above_margin is not None:
            # A preference counts from one half on, a share heard from guessing up to all.
            matters = self.null + self.margin * (1 if self.method == "preference" else 1 - self.null)
            margin = f" With probability {self.above_margin:.3g} it is {percent(matters)} or more (the margin)."
        return (
            f"{self.correct} of {self.trials} are {sides}, by a prior {self.prior}. By it the proportion lies within "
            f"{100 * low:.1f} % to {100 * high:.1f} % with probability {100 * self.level:g} %, mean "
            f"{100 * self.mean:.1f} %.{margin}"
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        return plain(self, "sentence")


def bayesian_discrimination(
    correct: int,
    trials: int,
    *,
    method: str = "abx",
    prior: tuple[float, float] = (1.0, 1.0),
    margin: float | None = None,
    level: float = 0.95,
) -> BayesianChoice:
    """Return posterior and Bayes factor of `correct` of `trials` right answers against guessing.

    Parameters
    ----------
    method : a name in `DECISION_RULES`; gives the guess rate and the meaning of d'
    prior : both parameters of the beta distribution of the proportion correct, cut off below the guess rate
    margin : share of trials heard that matters; its posterior probability is returned

    Raises
    ------
    ValueError
        Impossible counts, a prior parameter not above 0, a margin outside 0 ... 1, an unknown method, an impossible
        level.
    """
    guess = float(decision_rule(method).guess)
    correct, trials = checked_counts(correct, trials)
    matters = None if margin is None else proportion_at(checked_probability("the margin", margin), method)
    found = _posterior(correct, trials, prior, guess, guess, matters, level)
    low, high = found.pop("interval")
    return BayesianChoice(
        **found,
        interval=(low, high),
        method=method,
        margin=margin,
        prior=f"{_words(prior)} on {guess:.3g} (guessing) to 1",
        distinguishers_interval=(distinguishers(low, method), distinguishers(high, method)),
        d_prime_interval=(d_prime(low, method), d_prime(high, method)),
    )


def bayesian_preference(
    preferred: int,
    trials: int,
    *,
    prior: tuple[float, float] = (1.0, 1.0),
    margin: float | None = None,
    level: float = 0.95,
) -> BayesianChoice:
    """Return posterior and Bayes factor of a preference in `preferred` of `trials` trials against an even split.

    Trials without a preference are left out beforehand.

    Parameters
    ----------
    prior : both parameters of the beta distribution of the probability to be preferred
    margin : probability beyond 1/2 that matters
    """
    correct, trials = checked_counts(preferred, trials)
    if margin is not None and not 0 < margin < 0.5:
        raise ValueError(f"the margin beyond 1/2 must lie between 0 and 0.5, got {margin}")
    found = _posterior(correct, trials, prior, 0.5, 0.0, None if margin is None else 0.5 + margin, level)
    return BayesianChoice(
        **found,
        method="preference",
        margin=margin,
        prior=f"{_words(prior)} on 0 to 1",
        distinguishers_interval=None,
        d_prime_interval=None,
    )


def _posterior(
    correct: int,
    trials: int,
    prior: tuple[float, float],
    null: float,
    floor: float,
    matters: float | None,
    level: float,
) -> dict[str, Any]:
    if len(prior) != 2 or not all(0 < value < inf for value in prior):
        raise ValueError(f"both parameters of the prior must be finite and above 0, got {prior}")
    checked_probability("level", level)
    a, b = float(prior[0]), float(prior[1])
    after = a + correct, b + trials - correct
    kept = float(betaincc(*after, floor)) if floor > 0 else 1.0
    kept_before = float(betaincc(a, b, floor)) if floor > 0 else 1.0
    if kept <= 0:
        raise ValueError(f"{correct} of {trials} lie too far below {floor:.3g} for this prior: its posterior vanishes")
    under_null = correct * log(null) + (trials - correct) * log(1 - null)
    factor = float(betaln(*after) - betaln(a, b)) + log(kept) - log(kept_before) - under_null

    def quantile(share: float) -> float:
        return max(floor, float(betainccinv(*after, (1 - share) * kept)))

    tail = (1 - level) / 2
    return {
        "correct": correct,
        "trials": trials,
        "null": null,
        "prior_parameters": (a, b),
        "floor": floor,
        "mean": after[0] / sum(after) * float(betaincc(after[0] + 1, after[1], floor) if floor > 0 else 1.0) / kept,
        "median": quantile(0.5),
        "interval": (quantile(tail), quantile(1 - tail)),
        "level": float(level),
        "bayes_factor": exp(factor) if factor < 700 else inf,
        "log_bayes_factor": factor,
        "above_null": float(betaincc(*after, null)) / kept,
        "above_margin": None if matters is None else float(betaincc(*after, matters)) / kept,
    }


def _words(prior: tuple[float, float]) -> str:
    return "uniform" if tuple(prior) == (1, 1) else f"beta({prior[0]:g}, {prior[1]:g})"


def _times(logarithm: float) -> str:
    return f"{exp(logarithm):.3g}" if logarithm < 50 else f"10^{logarithm / log(10):.0f}"
