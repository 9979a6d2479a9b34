"""The Bayesian companion."""

import json
from math import comb

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import beta, binom

from blindtest.stats import DECISION_RULES, bayesian_discrimination, bayesian_preference, proportion_at


def test_girls_among_births_with_placenta_previa():
    # Gelman et al., Bayesian Data Analysis, 2.4: 437 girls of 980, uniform prior: mean .446, 95 % .415 to .477
    result = bayesian_preference(437, 980)
    assert result.mean == pytest.approx(0.446, abs=5e-4)
    assert result.interval == pytest.approx((0.415, 0.477), abs=5e-4)


def test_a_hundred_and_fifteen_of_two_hundred():
    # a textbook example of Bayes factors: .005956 under 1/2 against 1/201 under a uniform prior, 1.2 for 1/2
    result = bayesian_preference(115, 200)
    assert comb(200, 115) / 2**200 == pytest.approx(0.005956, abs=5e-7)
    assert result.bayes_factor == pytest.approx((1 / 201) / (comb(200, 115) / 2**200), rel=1e-9)
    assert "1.2 times likelier without a difference" in result.sentence


def test_lindleys_paradox():
    # the usual example: 49581 boys of 98451, two-sided p .0235, and yet 1/2 has posterior probability .95
    assert 1 / (1 + bayesian_preference(49581, 98451).bayes_factor) == pytest.approx(0.95, abs=0.001)


@pytest.mark.parametrize(
    ("correct", "trials", "method", "factor"),
    # methods 9.1 #11, #12: the mixture over a uniform prior above the guess rate
    [
        (12, 16, "abx", 4.13245),
        (9, 10, "abx", 18.50909),
        (16, 20, "abx", 20.53767),
        (10, 10, "abx", 186.0909),
        (13, 24, "triangle", 3.26056),
        (16, 24, "triangle", 89.9654),
    ],
)
def test_factors_of_methods(correct, trials, method, factor):
    assert bayesian_discrimination(correct, trials, method=method).bayes_factor == pytest.approx(factor, rel=2e-6)


@given(
    st.integers(1, 40).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))),
    st.sampled_from(("abx", "triangle")),
    st.sampled_from(((1.0, 1.0), (2.0, 3.0), (0.5, 0.5))),
)
@settings(max_examples=8)
def test_it_is_what_integration_gives(count, method, prior):
    # scipy 1.17.1 quad
    correct, trials = count
    guess = float(DECISION_RULES[method].guess)
    result = bayesian_discrimination(correct, trials, method=method, prior=prior, margin=0.3)

    def density(p):
        return beta.pdf(p, *prior) / beta.sf(guess, *prior) * binom.pmf(correct, trials, p)

    mode = min(max(correct / trials, guess + 1e-6), 1 - 1e-6)

    def over(function, low):
        return sum(
            quad(lambda p: function(p) * density(p), a, b, limit=200, epsabs=1e-13)[0]
            for a, b in ((low, max(low, mode)), (max(low, mode), 1.0))
        )

    evidence = over(lambda p: 1.0, guess)
    assert result.bayes_factor == pytest.approx(evidence / binom.pmf(correct, trials, guess), rel=1e-5)
    assert result.mean == pytest.approx(over(lambda p: p, guess) / evidence, abs=1e-5)
    above = over(lambda p: 1.0, proportion_at(0.3, method)) / evidence
    assert result.above_margin == pytest.approx(above, abs=1e-5)
    assert over(lambda p: 1.0, result.interval[0]) / evidence == pytest.approx(0.975, abs=1e-4)
    assert over(lambda p: 1.0, result.interval[1]) / evidence == pytest.approx(0.025, abs=1e-4)


@pytest.mark.parametrize("method", ["abx", "triangle"])
def test_the_interval_holds_the_truth_as_often_as_stated_if_the_prior_is_right(method):
    """Coverage at each true proportion, exact by adding up counts, averaged over the prior: .95 by construction."""
    guess, trials = float(DECISION_RULES[method].guess), 20
    truths = guess + (1 - guess) * (np.arange(2000) + 0.5) / 2000
    intervals = np.array([bayesian_discrimination(k, trials, method=method).interval for k in range(trials + 1)])
    held = (intervals[:, :1] <= truths) & (truths <= intervals[:, 1:])
    coverage = np.sum(binom.pmf(np.arange(trials + 1)[:, None], trials, truths) * held, axis=0)
    assert coverage.mean() == pytest.approx(0.95, abs=1e-3)


def test_a_guesser_seldom_sees_a_large_factor():
    """Under the null a factor of 1/alpha or more has probability at most alpha (Markov's inequality); exact."""
    for trials in (10, 28, 60):
        factors = np.array([bayesian_discrimination(k, trials).bayes_factor for k in range(trials + 1)])
        chances = binom.pmf(np.arange(trials + 1), trials, 0.5)
        assert np.sum(chances * factors) == pytest.approx(1, rel=1e-9)
        assert np.sum(chances[factors >= 20]) <= 0.05


@given(st.integers(1, 60).flatmap(lambda n: st.tuples(st.integers(0, n - 1), st.just(n))))
@settings(max_examples=40)
def test_one_more_right_raises_all(count):
    correct, trials = count
    fewer, more = (bayesian_discrimination(k, trials) for k in (correct, correct + 1))
    assert more.mean > fewer.mean
    assert more.median > fewer.median
    assert more.interval >= fewer.interval
    low, high = more.interval
    assert 0.5 <= low <= more.median <= high <= 1
    assert json.loads(json.dumps(more.to_dict(), allow_nan=False))["sentence"] == more.sentence


def test_exchanging_the_two_of_a_preference():
    one, other = bayesian_preference(14, 20, margin=0.1), bayesian_preference(6, 20, margin=0.1)
    assert one.bayes_factor == pytest.approx(other.bayes_factor, rel=1e-12)
    assert one.mean == pytest.approx(1 - other.mean, abs=1e-12)
    assert one.above_null == pytest.approx(1 - other.above_null, abs=1e-12)


def test_many_trials_do_not_overflow():
    result = bayesian_discrimination(5000, 5000)
    assert result.log_bayes_factor == pytest.approx(5000 * np.log(2) + np.log(2 / 5001), rel=1e-9)
    assert "10^" in result.sentence


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: bayesian_discrimination(12, 16, prior=(0, 1)), "must be finite and above 0"),
        (lambda: bayesian_discrimination(12, 16, margin=1.2), "the margin must lie between"),
        (lambda: bayesian_discrimination(17, 16), "number correct"),
        (lambda: bayesian_preference(12, 16, margin=0.5), "margin beyond 1/2"),
        (lambda: bayesian_discrimination(0, 5000), "lie too far below"),
    ],
)
def test_what_means_nothing_is_refused(call, text):
    with pytest.raises(ValueError, match=text):
        call()
