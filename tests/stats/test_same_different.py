"""Answers "same" and "different"."""

import json
from math import inf, isnan, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize
from scipy.stats import chi2_contingency, fisher_exact, norm

from blindtest.stats import d_prime_from_rates, same_different_test

counts = st.tuples(*(st.integers(0, 12) for _ in range(4))).filter(lambda c: c[0] + c[1] > 0 and c[2] + c[3] > 0)
both = pytest.mark.parametrize("method", ["same-different", "same-different-independent"])


def log_likelihood(tau, d, c):
    ss, ds, sd, dd = c
    different_s = 2 * norm.sf(tau / sqrt(2))
    different_d = norm.sf((tau - d) / sqrt(2)) + norm.cdf((-tau - d) / sqrt(2))
    return (
        ds * np.log(different_s) + ss * np.log1p(-different_s) + dd * np.log(different_d) + sd * np.log1p(-different_d)
    )


def test_counts_of_methods():
    # methods 9.2 #20 (as the R package sensR gives it): SS 8, DS 5, SD 4, DD 9
    result = same_different_test(8, 5, 4, 9)
    assert result.tau == pytest.approx(1.22955, abs=5e-6)
    assert result.d_prime == pytest.approx(1.88500, abs=5e-6)


def test_rates_of_methods():
    # methods 9.2 #21, from the R package psyphy, good to 3e-5: H .8, F .3
    assert same_different_test(7, 3, 2, 8).d_prime == pytest.approx(2.64683, abs=3e-5)
    independent = same_different_test(7, 3, 2, 8, method="same-different-independent")
    assert independent.d_prime == pytest.approx(2.12026, abs=5e-6)


def test_the_limits_lie_where_the_profile_has_fallen_by_half_the_chi_square_point():
    """Found again with scipy.optimize over tau at fixed d'; 1.920729 is half of 3.841459."""
    c = (20, 10, 8, 22)
    result = same_different_test(*c)
    for d in result.d_prime_interval:
        best = -minimize(lambda t, d=d: -log_likelihood(t[0], d, c), [1.2], method="Nelder-Mead", tol=1e-10).fun
        assert best == pytest.approx(result.log_likelihood - 1.920729, abs=1e-5)
    for tau in result.tau_interval:
        best = -minimize(lambda t, tau=tau: -log_likelihood(tau, t[0], c), [2.0], method="Nelder-Mead", tol=1e-10).fun
        assert best == pytest.approx(result.log_likelihood - 1.920729, abs=1e-5)


@given(counts)
@settings(max_examples=40)
def test_p_is_fishers(c):
    # scipy 1.17.1 fisher_exact
    ss, ds, sd, dd = c
    theirs = fisher_exact([[dd, sd], [ds, ss]], alternative="greater").pvalue
    assert same_different_test(*c, method="same-different-independent").p_value == pytest.approx(theirs, rel=1e-9)


@pytest.mark.parametrize("c", [(8, 5, 4, 9), (15, 5, 6, 14), (20, 10, 8, 22)])
def test_the_approximate_p_is_half_that_of_the_g_test(c):
    # scipy 1.17.1: the likelihood ratio of a 2 x 2 table, one degree of freedom; half of it, since d' is 0 or more.
    ss, ds, sd, dd = c
    theirs = chi2_contingency([[dd, sd], [ds, ss]], correction=False, lambda_="log-likelihood").pvalue
    assert same_different_test(*c).likelihood_p_value == pytest.approx(theirs / 2, rel=1e-9)


@given(counts, st.sampled_from(("same-different", "same-different-independent")))
@settings(max_examples=30)
def test_intervals_hold_their_estimates(c, method):
    result = same_different_test(*c, method=method)
    low, high = result.d_prime_interval
    assert 0 <= low <= high
    if not isnan(result.d_prime):
        assert low - 1e-9 <= result.d_prime <= high + 1e-9
    if not isnan(result.tau):
        assert result.tau_interval[0] - 1e-9 <= result.tau <= result.tau_interval[1] + 1e-9
    assert json.loads(json.dumps(result.to_dict(), allow_nan=False))["sentence"] == result.sentence


@both
def test_the_estimate_is_that_of_both_rates(method):
    assert same_different_test(15, 5, 6, 14, method=method).d_prime == pytest.approx(
        d_prime_from_rates(0.7, 0.25, method), abs=1e-9
    )


@both
def test_a_wider_level_gives_a_wider_interval(method):
    narrow = same_different_test(30, 10, 12, 28, method=method, level=0.8).d_prime_interval
    wide = same_different_test(30, 10, 12, 28, method=method, level=0.99).d_prime_interval
    assert wide[0] < narrow[0] < narrow[1] < wide[1]


@both
def test_listeners_who_say_one_thing_only(method):
    always_same, always_different = (
        same_different_test(10, 0, 10, 0, method=method),
        same_different_test(0, 10, 0, 10, method=method),
    )
    for result in (always_same, always_different):
        assert isnan(result.d_prime)
        assert result.d_prime_interval == (0, inf)
        assert result.p_value == 1


@both
def test_all_right_and_all_wrong(method):
    right, wrong = (
        same_different_test(10, 0, 0, 10, method=method),
        same_different_test(0, 10, 10, 0, method=method),
    )
    assert right.d_prime == right.d_prime_interval[1] == inf
    assert right.d_prime_interval[0] > 2
    assert right.p_value == pytest.approx(1 / 184756, rel=1e-9)  # C(20, 10)
    assert wrong.d_prime == 0
    assert wrong.p_value == wrong.likelihood_p_value == 1


def test_the_lower_limit_of_who_was_always_right_is_where_the_profile_has_fallen():
    """The estimate is infinite, the likelihood 1: found again with scipy.optimize over tau at fixed d'."""
    c = (10, 0, 0, 10)
    result = same_different_test(*c)
    assert result.log_likelihood == 0
    fitted = minimize(lambda t: -log_likelihood(t[0], result.d_prime_interval[0], c), [2.0], method="Nelder-Mead")
    assert -fitted.fun == pytest.approx(-1.920729, abs=1e-5)


def test_simulated_listeners_are_recovered():
    """20000 pairs each, decided by the rule itself: the estimate lies within four standard errors of the truth."""
    rng = np.random.default_rng(5)
    same = abs(rng.normal(0, 1, 20_000) - rng.normal(0, 1, 20_000)) > 1.3
    different = abs(rng.normal(1.8, 1, 20_000) - rng.normal(0, 1, 20_000)) > 1.3
    result = same_different_test(int((~same).sum()), int(same.sum()), int((~different).sum()), int(different.sum()))
    assert result.d_prime == pytest.approx(1.8, abs=0.12)
    assert result.tau == pytest.approx(1.3, abs=0.06)
    assert result.d_prime_interval[1] - result.d_prime_interval[0] < 0.2


@pytest.mark.parametrize(
    ("arguments", "keywords", "text"),
    [
        ((0, 0, 4, 9), {}, "at least one trial"),
        ((8, -1, 4, 9), {}, "number correct must lie in"),
        ((8, 5, 4, 9), {"method": "abx"}, "no same-different model 'abx'"),
        ((8, 5, 4, 9), {"level": 95}, "level must lie between 0 and 1"),
    ],
)
def test_what_means_nothing_is_refused(arguments, keywords, text):
    with pytest.raises(ValueError, match=text):
        same_different_test(*arguments, **keywords)


def test_the_sentence_names_the_model():
    assert "differencing" in same_different_test(8, 5, 4, 9).sentence
    assert "independent" in same_different_test(8, 5, 4, 9, method="same-different-independent").sentence


def test_counts_come_back_as_they_were_given_and_are_said():
    result = same_different_test(8, 5, 4, 9)
    counts = result.same_same, result.different_same, result.same_different, result.different_different
    assert counts == (8, 5, 4, 9)
    assert '"Different" for 9 of 13 different pairs and for 5 of 13 same pairs' in result.sentence
    assert "for 9 of 12 different pairs and for 5 of 9 same pairs" in same_different_test(4, 5, 3, 9).sentence
