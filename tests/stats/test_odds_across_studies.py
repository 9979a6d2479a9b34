"""The mean log odds of several studies, against a search of the likelihood's integral."""

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import binom

from blindtest.stats import binomial_mean

STUDIES = ((140, 200), (118, 200), (160, 220), (95, 180), (133, 210), (120, 160))


def by_integral(studies, guess):
    """Stijnen, Hamza and Ozdemir 2010: a normal log odds; numpy's Gauss-Hermite points, scipy's search."""
    at, weight = np.polynomial.hermite_e.hermegauss(40)
    right, trials = np.array(studies).T[:, :, None]

    def minus(parameters):
        mean, spread = parameters
        chance = 1 / (1 + np.exp(-(mean + abs(spread) * at)))
        return -np.log(binom.pmf(right, trials, chance) @ weight / weight.sum()).sum()

    found = minimize(minus, [0.5, 0.3], method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-10})
    return float(found.x[0]) - np.log(guess / (1 - guess))


@pytest.mark.parametrize("guess", [1 / 2, 1 / 3])
def test_the_mean_is_at_the_maximum_of_the_integral(guess):
    found = binomial_mean([[study] for study in STUDIES], guess=guess)
    assert found.estimate == pytest.approx(by_integral(STUDIES, guess), abs=2e-3)
    low, high = found.interval
    # Normal, at .95: 1.959964 standard errors to each side.
    assert (low, high) == pytest.approx(
        (found.estimate - 1.959964 * found.std_error, found.estimate + 1.959964 * found.std_error), abs=1e-6
    )
    assert found.std_error > 0


def test_listeners_in_a_study_scatter_on_their_own():
    """The same answers, cut among listeners who all did alike, leave the mean; who differ, widen it."""
    alike = [[(right // 4, trials // 4)] * 4 for right, trials in ((140, 200), (120, 200), (160, 220))]
    whole = binomial_mean([[(4 * one[0][0], 4 * one[0][1])] for one in alike], guess=0.5)
    assert binomial_mean(alike, guess=0.5).estimate == pytest.approx(whole.estimate, abs=2e-3)
    apart = [[(right + step, trials) for step in (-10, -4, 4, 10)] for ((right, trials), *_) in alike]
    assert binomial_mean(apart, guess=0.5).std_error > 1.5 * whole.std_error
