"""First, second, or no difference."""

import json
from math import inf, isnan, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize
from scipy.stats import binomtest, norm

from blindtest.stats import discrimination_test, two_ac_test

counts = st.tuples(*(st.integers(0, 15) for _ in range(3))).filter(lambda c: sum(c) > 0)


@pytest.mark.parametrize(
    ("answers", "tau", "d"),
    # methods 9.2 #23; the second is the 2-AFC without "no difference" that the R package sensR gives too
    [((2, 2, 6), 0.41597, 0.77426), ((5, 0, 15), 0.0, 0.9539)],
)
def test_estimates_of_methods(answers, tau, d):
    result = two_ac_test(*answers)
    assert result.tau == pytest.approx(tau, abs=5e-6)
    assert result.d_prime == pytest.approx(d, abs=5e-5)


def log_likelihood(tau, d, c):
    first, upto = norm.cdf((-tau - d) / sqrt(2)), norm.cdf((tau - d) / sqrt(2))
    return c[0] * np.log(first) + c[1] * np.log(upto - first) + c[2] * np.log(1 - upto)


def test_the_limits_lie_where_the_profile_has_fallen_by_half_the_chi_square_point():
    c = (8, 10, 22)
    result = two_ac_test(*c)
    for d in result.d_prime_interval:
        best = -minimize(lambda t, d=d: -log_likelihood(t[0], d, c), [0.5], method="Nelder-Mead", tol=1e-10).fun
        assert best == pytest.approx(result.log_likelihood - 1.920729, abs=1e-5)
    for tau in result.tau_interval:
        best = -minimize(lambda t, tau=tau: -log_likelihood(tau, t[0], c), [0.5], method="Nelder-Mead", tol=1e-10).fun
        assert best == pytest.approx(result.log_likelihood - 1.920729, abs=1e-5)


@given(counts)
@settings(max_examples=30)
def test_exchanging_the_two_changes_the_sign_and_nothing_else(c):
    one, other = two_ac_test(*c), two_ac_test(*c[::-1])
    assert one.p_value == pytest.approx(other.p_value, abs=1e-12)
    assert one.likelihood_p_value == pytest.approx(other.likelihood_p_value, abs=1e-9)
    low, high = one.d_prime_interval
    assert (-high, -low) == pytest.approx(other.d_prime_interval, abs=1e-6)
    if not isnan(one.d_prime):
        assert one.d_prime == pytest.approx(-other.d_prime, abs=1e-9)
        assert low - 1e-9 <= one.d_prime <= high + 1e-9
    assert json.loads(json.dumps(one.to_dict(), allow_nan=False))["sentence"] == one.sentence


@given(counts)
@settings(max_examples=30)
def test_p_is_the_sign_test_of_those_who_named_one(c):
    # scipy 1.17.1 binomtest
    first, _, second = c
    if first + second:
        theirs = binomtest(second, first + second, 0.5, alternative="greater").pvalue
        assert two_ac_test(*c, alternative="second").p_value == pytest.approx(theirs, rel=1e-9)
        assert two_ac_test(*c[::-1], alternative="first").p_value == pytest.approx(theirs, rel=1e-9)


def test_without_ties_it_is_2afc():
    """The profile interval of a proportion, mapped to d', is the same interval."""
    two_ac, two_afc = two_ac_test(5, 0, 15), discrimination_test(15, 20, method="2afc", interval="likelihood")
    assert two_ac.d_prime == pytest.approx(two_afc.d_prime, abs=1e-9)
    assert two_ac.d_prime_interval == pytest.approx(two_afc.d_prime_interval, abs=1e-6)


def test_the_ends():
    nobody_named = two_ac_test(0, 10, 0)
    assert nobody_named.tau == inf
    assert isnan(nobody_named.d_prime)
    assert nobody_named.d_prime_interval == (-inf, inf)
    assert nobody_named.p_value == nobody_named.likelihood_p_value == 1
    all_second = two_ac_test(0, 0, 10)
    assert all_second.d_prime == all_second.d_prime_interval[1] == inf
    assert isnan(all_second.tau)
    assert all_second.p_value == pytest.approx(2 / 1024)
    never_first = two_ac_test(0, 4, 6)
    assert never_first.d_prime == never_first.tau == inf
    assert 0 < never_first.d_prime_interval[0] < 1


def test_simulated_listeners_are_recovered():
    """20000 answers decided by the rule itself."""
    rng = np.random.default_rng(6)
    heard = rng.normal(0.7, sqrt(2), 20_000)
    first, second = int((heard < -0.4).sum()), int((heard > 0.4).sum())
    result = two_ac_test(first, 20_000 - first - second, second)
    assert result.d_prime == pytest.approx(0.7, abs=0.04)
    assert result.tau == pytest.approx(0.4, abs=0.02)


def test_the_test_of_counts_knows_no_2ac():
    with pytest.raises(ValueError, match="take its three counts to two_ac_test"):
        discrimination_test(6, 10, method="2-ac")


@pytest.mark.parametrize(
    ("arguments", "keywords", "text"),
    [
        ((0, 0, 0), {}, "at least one trial"),
        ((-1, 2, 6), {}, "number correct must lie in"),
        ((2, 2, 6), {"alternative": "greater"}, "no alternative 'greater'"),
    ],
)
def test_what_means_nothing_is_refused(arguments, keywords, text):
    with pytest.raises(ValueError, match=text):
        two_ac_test(*arguments, **keywords)


def test_the_sentence_says_counts_and_side():
    sentence = two_ac_test(2, 2, 6, alternative="second").sentence
    for part in ("First 2, second 6, no difference 2 of 10", "one-sided: second", "0.77"):
        assert part in sentence
