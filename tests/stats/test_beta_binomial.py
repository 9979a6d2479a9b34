"""Replicated choices of listeners who differ."""

import json
from math import isnan

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import beta, betabinom, binom

from blindtest.errors import BlindtestError
from blindtest.stats import fit_beta_binomial
from blindtest.stats.beta_binomial import _Counts, _guessing_p

TRIANGLE = [0, 2, 3, 3, 3, 3, 3, 4, 4, 4, 4, 4, 5, 5, 5, 6, 6, 6, 7, 7, 7, 8, 9, 9]


def test_triangle_of_twenty_four_listeners():
    # methods 9.2 #25, from the R package sensR: 24 listeners x 12 triangles
    result = fit_beta_binomial(TRIANGLE, 12, guess=1 / 3)
    assert result.mu == pytest.approx(0.1175015, abs=5e-7)
    assert result.gamma == pytest.approx(0.2146566, abs=5e-7)
    assert result.log_likelihood == pytest.approx(-53.31242, abs=5e-6)
    assert result.convergence.converged


@pytest.mark.parametrize("pair", ["pair1", "pair2"])
def test_without_guessing_it_is_that_of_the_reference(expected, pair):
    # VGAM 1.1.7 betabinomial; 1e-6
    tests = expected("abx_small_tests")
    each, theirs = tests["per_listener_pair"], tests["per_pair"][pair]["betabinomial_vgam"]
    counts = [k for k, name in zip(each["k"], each["pair"], strict=True) if name == pair]
    result = fit_beta_binomial(counts, 10, guess=0.0)
    assert result.mu == pytest.approx(theirs["mu"], abs=1e-6)
    assert result.gamma == pytest.approx(theirs["rho"], abs=1e-6)
    assert result.log_likelihood == pytest.approx(theirs["logLik"], abs=1e-6)
    assert isnan(result.guessing_p_value)
    assert isnan(result.pooled_p_value)


@pytest.mark.parametrize(("mu", "gamma", "guess"), [(0.3, 0.2, 1 / 3), (0.7, 0.05, 0.5), (0.2, 0.6, 0.5)])
def test_probabilities_are_the_integral_they_stand_for(mu, gamma, guess):
    """A binomial of guess + (1 - guess) share, integrated over the beta distribution of shares (scipy quad, 1e-10)."""
    a, b = mu * (1 - gamma) / gamma, (1 - mu) * (1 - gamma) / gamma
    for x in range(7):
        ours = _Counts(np.array([x]), np.array([6]), guess).log_likelihood(mu, gamma)

        def chance(share, x=x):
            return binom.pmf(x, 6, guess + (1 - guess) * share) * beta.pdf(share, a, b)

        assert np.exp(ours) == pytest.approx(quad(chance, 0, 1, limit=400)[0], rel=1e-6)


def test_without_guessing_probabilities_are_scipys():
    # scipy 1.17.1 betabinom
    a, b = 0.3 * 4, 0.7 * 4  # gamma = 1/5
    for x in range(9):
        ours = float(_Counts(np.array([x]), np.array([8]), 0.0).log_likelihood(0.3, 0.2))
        assert ours == pytest.approx(betabinom.logpmf(x, 8, a, b), abs=1e-10)


def test_probabilities_add_up_at_every_gamma():
    for gamma in (0.0, 1e-9, 0.3, 0.999):
        total = sum(np.exp(_Counts(np.array([x]), np.array([9]), 0.5).log_likelihood(0.4, gamma)) for x in range(10))
        assert total == pytest.approx(1, abs=1e-10)


def test_the_estimate_is_no_worse_than_any_other_point():
    result = fit_beta_binomial(TRIANGLE, 12, guess=1 / 3)
    model = _Counts(np.array(TRIANGLE), np.full(24, 12), 1 / 3)
    grid = model.log_likelihood(np.linspace(0, 1, 101)[:, None], np.linspace(0, 0.99, 100)[None, :])
    assert result.log_likelihood >= grid.max() - 1e-12
    low, high = result.mu_interval
    assert low < result.mu < high
    best_at_low = model.log_likelihood(low, np.linspace(0, 0.999, 4000)).max()
    assert best_at_low == pytest.approx(
        result.log_likelihood - 1.920729, abs=1e-4
    )  # half the chi-square point, 3.841459


@given(st.lists(st.integers(0, 8), min_size=2, max_size=8), st.sampled_from((0.0, 1 / 3, 0.5)), st.randoms())
@settings(max_examples=12)
def test_order_says_nothing(counts, guess, random):
    shuffled = list(counts)
    random.shuffle(shuffled)
    one, other = fit_beta_binomial(counts, 8, guess=guess), fit_beta_binomial(shuffled, [8] * len(counts), guess=guess)
    assert one.mu == pytest.approx(other.mu, abs=1e-9)
    assert one.log_likelihood == pytest.approx(other.log_likelihood, abs=1e-9)
    assert 0 <= one.mu_interval[0] <= one.mu <= one.mu_interval[1] <= 1
    assert 0 <= one.gamma_interval[0] <= one.gamma <= one.gamma_interval[1] <= 1
    assert 0 <= one.p_value <= 1
    assert json.loads(json.dumps(one.to_dict(), allow_nan=False))["sentence"] == one.sentence


@pytest.mark.parametrize("counts", [[10] * 5, [0] * 5, [5, 5, 5, 5]])
def test_listeners_who_are_alike_show_no_overdispersion(counts):
    result = fit_beta_binomial(counts, 10, guess=0.5)
    assert result.gamma == 0
    assert result.p_value == 1
    assert result.log_likelihood == result.binomial_log_likelihood


def test_all_or_nothing_is_the_widest_spread():
    result = fit_beta_binomial([0, 10, 0, 10], 10, guess=0.0)
    assert result.gamma > 0.99
    assert result.mu == pytest.approx(0.5, abs=1e-6)
    assert result.gamma_interval[1] == 1


def test_two_kinds_of_listeners_are_told_from_one():
    assert fit_beta_binomial([6, 6, 6, 6, 6, 6], 12, guess=0.5).p_value == 1
    assert fit_beta_binomial([5, 6, 7, 12, 12, 12], 12, guess=0.5).p_value < 0.01


def test_p_against_guessing_has_the_weight_of_its_wedge():
    """With one trial each there is no variance to see: half chi-square_0, half chi-square_1, the one-sided z test."""
    p = _guessing_p(2.705543, np.ones(30, dtype=int), 0.5)
    assert p == pytest.approx(0.05, abs=1e-6)
    # many trials each: the wedge nears a quarter turn, and with it weights 1/4, 1/2, 1/4
    many = _guessing_p(4.0, np.full(10, 10**8), 0.5)
    assert many == pytest.approx(0.5 * 0.0455003 + 0.25 * np.exp(-2), abs=1e-4)


@pytest.mark.parametrize(
    ("correct", "trials", "text"),
    [
        ([3], 10, "two or more listeners"),
        ([1, 0, 1], 1, "two or more trials"),
        ([3, 11], 10, "listener 2: not a count of right answers, got '11 of 10'"),
        ([3, 2.5], 10, "listener 2"),
        ([3, 4], [10, 10, 10], "one number of trials for each"),
    ],
)
def test_tables_that_say_nothing_are_refused(correct, trials, text):
    with pytest.raises(BlindtestError, match=text):
        fit_beta_binomial(correct, trials, guess=0.5)


def test_a_guess_rate_that_is_none_is_refused():
    with pytest.raises(ValueError, match="guess rate"):
        fit_beta_binomial([3, 4], 10, guess=1.0)


def test_the_sentence_says_mean_spread_and_both_tests():
    sentence = fit_beta_binomial(TRIANGLE, 12, guess=1 / 3).sentence
    for part in ("24 listeners, 117 of 288 right", "11.8 %", "0.215", "Against a panel of guessers", "exact"):
        assert part in sentence
