"""Evidence that may be looked at after every trial: the e-value of a count, and how often it ends a test.

E is what a fair bet against guessing would have made of one coin: over any way to stop, its mean is at most 1 where the
listener guesses, so that it reaches 1/alpha with probability alpha at most (Ville 1939; Shafer 2021, JRSS A 184, 407;
Grünwald, de Heide & Koolen 2024, JRSS B 86, 1091; Ramdas et al. 2023, Statist. Sci. 38, 576). The bet spreads evenly
over all proportions above the guess rate p0: the likelihood ratio averaged over (p0, 1),

    E = integral from p0 to 1 of (t/p0)^k ((1-t)/(1-p0))^(n-k) dt / (1 - p0).

With S(k) = P(X <= k), X binomial of n + 1 trials at p0, that is S(k) / ((1 - p0) (n + 1) P(k of n at p0)): finite sums.
E-values of independent listeners or panels multiply. An e-value is declared in the plan, or not used.
"""

from collections.abc import Iterable
from fractions import Fraction
from math import comb, exp, inf, isnan, log, log1p, prod

import numpy as np
from scipy.special import gammaln

from blindtest.stats.binomial import checked_counts, checked_probability, decimal, lower_tail
from blindtest.stats.stopping.walk import as_written, checked_share, stages

__all__ = ["combined_e_value", "e_process_numbers", "e_process_stopped", "e_value", "log_e_value"]

NEAR = 1e-9
"""Relative distance of E from 1/alpha below which they are compared in integers."""


def e_value(correct: int, trials: int, *, guess: float = 0.5) -> float:
    """Return the e-value of `correct` of `trials` right answers against guessing; infinite beyond 1.8e308.

    Parameters
    ----------
    guess : probability that a guess is right, 1/2 for ABX, 1/3 for a triangle

    Raises
    ------
    ValueError
        No trials, impossible counts, a guess rate outside 0 ... 1.
    """
    logarithm = log_e_value(correct, trials, guess=guess)
    return exp(logarithm) if logarithm < 709.78 else inf


def log_e_value(correct: int, trials: int, *, guess: float = 0.5) -> float:
    """Return the natural logarithm of `e_value`, which has no upper end."""
    correct, trials = checked_counts(correct, trials)
    p0 = checked_probability("the guess rate", guess)
    ways = float(gammaln(trials + 1) - gammaln(correct + 1) - gammaln(trials - correct + 1))
    log_point = ways + correct * log(p0) + (trials - correct) * log1p(-p0)
    if correct + 1 >= (trials + 1) * p0:
        return log(lower_tail(correct, trials + 1, p0)) - log1p(-p0) - log(trials + 1) - log_point
    # Far below guessing both probabilities may vanish while their ratio does not: P(X <= k) is a falling series there.
    falling = np.arange(correct, 0, -1)
    series = 1 + float(np.cumprod(falling / (trials + 2 - falling) * ((1 - p0) / p0)).sum())
    # P(k of n + 1) / P(k of n) = (n + 1) (1 - p0) / (n + 1 - k)
    return log(series) - log(trials + 1 - correct)


def combined_e_value(e_values: Iterable[float]) -> float:
    """Return the e-value of independent listeners or panels together: the product.

    Raises
    ------
    ValueError
        No e-value, or one that is negative or NaN.
    """
    values = [float(value) for value in e_values]
    if not values:
        raise ValueError("there must be at least one e-value")
    if bad := [value for value in values if isnan(value) or value < 0]:
        raise ValueError(f"an e-value is 0 or more, got {bad[0]}")
    return prod(sorted(values)) if 0.0 not in values else 0.0


def _reaches(correct: int, trials: int, guess: Fraction, alpha: Fraction) -> bool:
    distance = log_e_value(correct, trials, guess=float(guess)) + log(float(alpha))
    if abs(distance) > NEAR:
        return distance > 0
    right, wrong = guess.numerator, guess.denominator - guess.numerator
    # Of n + 1 trials, at most k right; and exactly k of n right: both over denominator^(n + 1) or ^n.
    below = sum(comb(trials + 1, k) * right**k * wrong ** (trials + 1 - k) for k in range(correct + 1))
    exactly = comb(trials, correct) * right**correct * wrong ** (trials - correct)
    return Fraction(below, wrong * (trials + 1) * exactly) * alpha >= 1


def e_process_numbers(trials: int, *, alpha: float = 0.05, guess: float = 0.5) -> tuple[int | None, ...]:
    """Return, for 1 ... `trials` trials, the smallest number right at which E is 1/alpha or more; None: none is."""
    _, trials = checked_counts(0, trials)
    checked_probability("alpha", alpha)
    checked_probability("the guess rate", guess)
    fair, rare = as_written(guess), decimal(alpha)
    numbers: list[int | None] = []
    number = 1
    for n in range(1, trials + 1):
        # A wrong answer lowers E and a right one raises it, so the number never falls and rises by one at most.
        while number <= n and not _reaches(number, n, fair, rare):
            number += 1
        numbers.append(number if number <= n else None)
    return tuple(numbers)


def e_process_stopped(trials: int, *, proportion: float, alpha: float = 0.05, guess: float = 0.5) -> float:
    """Return the chance that E has reached 1/alpha at some trial up to `trials`; exact.

    Parameters
    ----------
    proportion : true proportion right; where it is `guess` the result is an error rate, else the power

    Raises
    ------
    ValueError
        No trials, numbers outside 0 ... 1.
    """
    proportion = checked_share("the proportion", proportion)
    numbers = e_process_numbers(trials, alpha=alpha, guess=guess)

    def stop_high(n: int) -> int:
        number = numbers[n - 1]
        return n + 1 if number is None else number

    return sum(stage.up for stage in stages(range(1, trials + 1), proportion, stop_high=stop_high))
