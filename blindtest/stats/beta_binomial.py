"""Replicated choices of several listeners who differ: the beta-binomial distribution, corrected for guessing.

A listener's share of trials heard is drawn from a beta distribution with mean mu and overdispersion gamma, 0 ... 1:
with gamma = 0 all listeners hear the same share (the binomial), near 1 each hears everything or nothing. Its parameters
are a = mu (1 - gamma)/gamma and b = (1 - mu)(1 - gamma)/gamma, the variance between listeners is gamma mu (1 - mu).
With guess rate g a listener of n trials is right x times with probability

    C(n, x) sum_i C(x, i) (1 - g)^(n - x + i) g^(x - i) B(a + i, b + n - x)/B(a, b)

The ratio of beta functions is written as rising products, which need no care at gamma = 0.

Two null hypotheses lie at an end of the parameters, where twice the log ratio of likelihoods is no chi-square:
*listeners don't differ* (gamma = 0) is half a point at 0 and half chi-square_1 (Self & Liang 1987, JASA 82, 605).
*Everybody guesses* (mu = 0) takes gamma along, which then means nothing: near that point the mean m of the chance to be
right beyond guessing and its variance v among listeners satisfy 0 <= v <= (1 - g) m, their scores are uncorrelated
(Krawtchouk polynomials of degree 1 and 2), so the limit is w0 chi-square_0 + chi-square_1/2 + w2 chi-square_2, w2 the
angle of that wedge in units of standard errors, divided by a full turn (Shapiro 1985, Biometrika 72, 133).

Sources: Brockhoff 2003 (Food Quality and Preference 14, 405); Brockhoff & Schlich 1998 (same journal, 9, 367).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import atan, inf, isnan, nan, pi, sqrt
from operator import index
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc, gammaln

from blindtest.errors import BlindtestError, Fault
from blindtest.nouns import number_of
from blindtest.stats.binomial import Interval, checked_probability, upper_tail
from blindtest.stats.pair_model import Convergence
from blindtest.stats.plain import plain
from blindtest.stats.profile_likelihood import joint_peak, peak, profile_limits

__all__ = ["BetaBinomialResult", "fit_beta_binomial"]

Floats = NDArray[np.float64]
SMALL_GRADIENT = 1e-5
"""Largest slope of the log-likelihood per listener at which a fit has converged."""
NO_GAIN = 1e-9
"""A log-likelihood that lies no further above that of gamma = 0 is the same, but for rounding."""
TINY = 1e-9
"""How near to 0 or 1 a parameter counts as there."""
WIDEST = 1 - 1e-6
"""Largest gamma looked at: above it listeners hear everything or nothing, and nothing changes any more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BetaBinomialResult:
    """Listeners with replicated trials: how much the panel hears, and how much listeners differ."""

    listeners: int
    correct: int
    trials: int
    """All listeners together."""
    guess: float
    mu: float
    """Mean share of trials heard beyond guessing."""
    mu_interval: Interval
    """Profile likelihood."""
    gamma: float
    """Overdispersion: 0 if all listeners hear the same share, 1 if each hears everything or nothing."""
    gamma_interval: Interval
    """Profile likelihood; holds 0 a little more often than stated, since 0 is an end."""
    proportion: float
    """Mean proportion correct, guess + (1 - guess) mu."""
    proportion_interval: Interval
    log_likelihood: float
    binomial_log_likelihood: float
    """With gamma = 0."""
    statistic: float
    """Twice the log ratio of both."""
    p_value: float
    """Of gamma = 0: do listeners differ in what they hear? Half chi-square_0, half chi-square_1."""
    guessing_statistic: float
    """Twice the log ratio against everybody guessing."""
    guessing_p_value: float
    """Of mu = 0, everybody guesses; NaN with a guess rate of 0."""
    pooled_p_value: float
    """Of the same hypothesis by the exact binomial of all answers in one pot; NaN with a guess rate of 0."""
    level: float
    convergence: Convergence
    method: str = "beta-binomial corrected for guessing, maximum likelihood; likelihood ratios at the boundary"
    source: str = "Brockhoff 2003; Brockhoff & Schlich 1998; Self & Liang 1987 for the boundary"
    assumptions: tuple[str, ...] = (
        "listeners are a sample of those the result is about, their shares heard follow a beta distribution",
        "within a listener trials are independent and equally hard",
        "nobody hears less than nothing: a listener who is reliably wrong does not fit",
    )

    @property
    def between_listeners(self) -> float:
        """Standard deviation between listeners of the share heard."""
        return sqrt(self.gamma * self.mu * (1 - self.mu)) if self.gamma == self.gamma else nan

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        low, high = self.mu_interval
        against = (
            ""
            if isnan(self.guessing_p_value)
            else f" Against a panel of guessers p = {self.guessing_p_value:.3g} (all answers in one pot, exact: "
            f"{self.pooled_p_value:.3g})."
        )
        return (
            f"{number_of(self.listeners, 'listener')}, {self.correct} of {self.trials} right. On average "
            f"{100 * self.mu:.1f} % of "
            f"trials are heard beyond guessing ({100 * self.level:g} % interval {100 * low:.1f} to {100 * high:.1f}). "
            f"Overdispersion between listeners {self.gamma:.3f} ({self.gamma_interval[0]:.3f} to "
            f"{self.gamma_interval[1]:.3f}; tested against none: p = {self.p_value:.3g}).{against}"
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        return plain(self, "between_listeners", "sentence")


class _Counts:
    """Distinct (correct, trials) of listeners, with what does not depend on the parameters."""

    def __init__(self, correct: NDArray[np.int64], trials: NDArray[np.int64], guess: float) -> None:
        cells, counts = np.unique(np.column_stack((correct, trials)), axis=0, return_counts=True)
        self.cells = [(int(x), int(n)) for x, n in cells]
        self.counts = counts.astype(np.float64)
        self.weights = [_log_weights(x, n, guess) for x, n in self.cells]
        self.longest = int(trials.max())

    def log_likelihood(self, mu: ArrayLike, gamma: ArrayLike) -> Floats:
        """Return the log-likelihood at each pair of an array of mu and one of gamma (broadcast).

        Complex numbers go through, so that their imaginary part brings a slope without differences (Squire & Trapp
        1998, SIAM Review 40, 110).
        """
        m, g = np.broadcast_arrays(np.asarray(mu), np.asarray(gamma))
        steps = np.arange(self.longest)[:, None] * g.ravel()
        rest = (1 - g).ravel()
        with np.errstate(divide="ignore", invalid="ignore"):
            heard = _rising(m.ravel() * rest + steps)
            unheard = _rising((1 - m).ravel() * rest + steps)
            both = _rising(rest + steps)
        total = np.zeros(m.size, dtype=heard.dtype)
        for (x, n), count, weights in zip(self.cells, self.counts, self.weights, strict=True):
            terms = weights[:, None] + heard[: x + 1] + unheard[n - x] - both[n - x : n + 1]
            total += count * _log_of_sum(terms)
        return total.reshape(m.shape)


def _log_of_sum(terms: Floats) -> Floats:
    # Ten times as fast here as scipy's, which checks for what can't occur.
    largest = terms.real.max(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        summed = largest + np.log(np.sum(np.exp(terms - largest), axis=0))
    return np.where(np.isneginf(largest), -inf, summed)


def _rising(factors: Floats) -> Floats:
    """Return logs of the products of the first 0, 1, 2 ... rows of factors."""
    return np.concatenate((np.zeros((1, factors.shape[1])), np.cumsum(np.log(factors), axis=0)))


def _log_weights(x: int, n: int, guess: float) -> Floats:
    """Return log C(n, x) C(x, i) (1 - g)^(n - x + i) g^(x - i) for i = 0 ... x: i heard among the x right."""
    i = np.arange(x + 1)
    ways = _log_choose(n, np.array([x])) + _log_choose(x, i)
    with np.errstate(divide="ignore", invalid="ignore"):
        by_guessing = np.where(x - i > 0, (x - i) * np.log(guess), 0.0) if guess > 0 else np.where(x - i > 0, -inf, 0.0)
    return np.asarray(ways + (n - x + i) * np.log1p(-guess) + by_guessing)


def _log_choose(n: int, k: NDArray[np.int64]) -> Floats:
    return np.asarray(gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1))


def fit_beta_binomial(
    correct: Sequence[int] | ArrayLike, trials: Sequence[int] | ArrayLike | int, *, guess: float, level: float = 0.95
) -> BetaBinomialResult:
    """Fit mean and overdispersion of the share heard to counts of right answers, one per listener.

    Simulated with 8 and 24 listeners (200 panels a cell, standard error .015): at 95 % the intervals of mu and gamma
    cover .92 to .99, `p_value` rejects at most .035 of true nulls at .05 and `guessing_p_value` at most .075, with 24
    listeners .05 (tests/references/stats/panels_error_rates.csv).

    Parameters
    ----------
    correct : (listeners,) number right of each
    trials : (listeners,) or one number for all
    guess : probability that a guess is right; 0 gives the ordinary beta-binomial distribution
    level : of the intervals

    Raises
    ------
    BlindtestError
        Fewer than two listeners, impossible counts, or nobody with more than one trial.
    """
    counts, numbers = _checked(correct, trials)
    if not 0 <= guess < 1:
        raise ValueError(f"the guess rate must lie in 0 ... 1 (below 1), got {guess}")
    checked_probability("level", level)
    model = _Counts(counts, numbers, float(guess))
    mu, gamma, best, convergence = _maximum(model)
    binomial_mu, binomial = peak(lambda m: model.log_likelihood(m, 0.0), 0.0, 1.0)
    if binomial >= best - NO_GAIN:
        mu, gamma, best = binomial_mu, 0.0, binomial

    def profile_mu(value: float) -> float:
        return peak(lambda g: model.log_likelihood(value, g), 0.0, WIDEST)[1]

    def profile_gamma(value: float) -> float:
        return peak(lambda m: model.log_likelihood(m, value), 0.0, 1.0)[1]

    mu_interval = profile_limits(profile_mu, mu, best=best, level=level, bounds=(0.0, 1.0))
    low, high = profile_limits(profile_gamma, gamma, best=best, level=level, bounds=(0.0, WIDEST))
    statistic = max(0.0, 2 * (best - binomial))
    guessing = max(0.0, 2 * (best - float(model.log_likelihood(0.0, 0.0)))) if guess > 0 else nan
    right, total = int(counts.sum()), int(numbers.sum())
    return BetaBinomialResult(
        listeners=len(counts),
        correct=right,
        trials=total,
        guess=float(guess),
        mu=mu,
        mu_interval=mu_interval,
        gamma=gamma,
        gamma_interval=(low, 1.0 if high >= WIDEST else high),
        proportion=guess + (1 - guess) * mu,
        proportion_interval=(guess + (1 - guess) * mu_interval[0], guess + (1 - guess) * mu_interval[1]),
        log_likelihood=best,
        binomial_log_likelihood=binomial,
        statistic=statistic,
        p_value=float(chdtrc(1, statistic)) / 2 if statistic > 0 else 1.0,
        guessing_statistic=guessing,
        guessing_p_value=_guessing_p(guessing, numbers, float(guess)),
        pooled_p_value=upper_tail(right, total, guess) if guess > 0 else nan,
        level=float(level),
        convergence=convergence,
    )


def _maximum(model: _Counts) -> tuple[float, float, float, Convergence]:
    """Return mu, gamma, the log-likelihood there and how it was found."""
    (mu, gamma), best, steps = joint_peak(model.log_likelihood, (0.0, 0.0), (1.0, WIDEST))
    slopes = [_slope(model, mu, gamma, 0, 1.0), _slope(model, mu, gamma, 1, WIDEST)]
    per_listener = max(slopes) / float(model.counts.sum())
    return (
        mu,
        gamma,
        best,
        Convergence(
            converged=per_listener <= SMALL_GRADIENT,
            steps=steps,
            gradient=per_listener,
            criterion=f"largest slope of the log-likelihood per listener, inwards at an end, <= {SMALL_GRADIENT:g}",
            start="a grid over mu and gamma, refined around its best point",
        ),
    )


def _slope(model: _Counts, mu: float, gamma: float, which: int, top: float) -> float:
    """Return the size of the slope in one parameter; at an end only a slope inwards counts."""
    at = (mu, gamma)[which]
    inner = [min(max(value, TINY), 1 - TINY) for value in (mu, gamma)]
    point = np.array(inner, dtype=np.complex128)
    point[which] += 1e-30j
    slope = float(model.log_likelihood(point[0], point[1]).imag) * 1e30
    if at <= TINY:
        return max(slope, 0.0)
    if at >= top - TINY:
        return max(-slope, 0.0)
    return abs(slope)


def _guessing_p(statistic: float, trials: NDArray[np.int64], guess: float) -> float:
    if isnan(statistic):
        return nan
    if statistic <= 0:
        return 1.0
    spread = guess * (1 - guess)
    mean_information = float(np.sum(trials)) / spread
    variance_information = float(np.sum(trials * (trials - 1.0))) / (2 * spread**2)
    wedge = atan((1 - guess) * sqrt(variance_information / mean_information))
    return float(chdtrc(1, statistic)) / 2 + wedge / (2 * pi) * float(chdtrc(2, statistic))


def _checked(correct: ArrayLike, trials: ArrayLike) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    right = np.atleast_1d(np.asarray(correct))
    numbers = np.broadcast_to(np.asarray(trials), right.shape) if np.ndim(trials) == 0 else np.asarray(trials)
    if right.ndim != 1 or right.shape != numbers.shape:
        raise BlindtestError(
            Fault(
                problem="there must be one number of trials for each number correct, or one for all",
                got=f"{right.shape} and {numbers.shape}",
            )
        )
    faults = []
    for row, (x, n) in enumerate(zip(right.tolist(), numbers.tolist(), strict=True), start=1):
        if not (_is_whole(x) and _is_whole(n) and n >= 1 and 0 <= x <= n):
            faults.append(
                Fault(problem=f"listener {row}: not a count of right answers", got=f"{x} of {n}", allowed="0 of 1 ...")
            )
    if faults:
        raise BlindtestError(*faults)
    whole, totals = right.astype(np.int64), numbers.astype(np.int64)
    if len(whole) < 2 or totals.max() < 2:
        raise BlindtestError(
            Fault(
                problem="how much listeners differ can't be told from these counts",
                got=f"{len(whole)} listeners with at most {totals.max(initial=0)} trials",
                allowed="two or more listeners, some with two or more trials",
                remedy="use discrimination_test for a single listener, or for one trial each",
            )
        )
    return whole, totals


def _is_whole(value: object) -> bool:
    try:
        return index(value) == value  # type: ignore[arg-type]
    except TypeError:
        return isinstance(value, float) and value.is_integer()
