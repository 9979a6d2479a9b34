"""Exact tails, critical numbers and intervals."""

from fractions import Fraction
from math import comb, nextafter

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest
from statsmodels.stats.proportion import proportion_confint

from blindtest.stats.binomial import (
    INTERVALS,
    at_least_is_rare,
    at_most_is_rare,
    clopper_pearson,
    decimal,
    likelihood,
    lower_limit,
    lower_tail,
    point,
    upper_limit,
    upper_tail,
    wilson,
)

counts = st.integers(1, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
levels = st.floats(0.5, 0.999)


def tail_by_counting(correct: int, trials: int, guess: Fraction) -> Fraction:
    """P(X >= correct) by adding up every outcome as a fraction: independent of any special function."""
    return sum(
        (comb(trials, k) * guess**k * (1 - guess) ** (trials - k) for k in range(correct, trials + 1)), Fraction(0)
    )


@pytest.mark.parametrize("guess", [Fraction(1, 2), Fraction(1, 3), Fraction(1, 4), Fraction(13, 20)])
@pytest.mark.parametrize("trials", [1, 2, 7, 16, 40, 173])
def test_both_tails_and_the_point_are_those_counted_in_fractions(trials, guess):
    # 1e-11: fifty times the error seen over this grid; scipy's incomplete beta function is stated to about 1e-13.
    for correct in range(trials + 1):
        up, beyond = tail_by_counting(correct, trials, guess), tail_by_counting(correct + 1, trials, guess)
        assert upper_tail(correct, trials, guess) == pytest.approx(float(up), rel=1e-11)
        assert lower_tail(correct, trials, guess) == pytest.approx(float(1 - beyond), rel=1e-11)
        assert point(correct, trials, guess) == pytest.approx(float(up - beyond), rel=1e-10)


@given(counts, st.integers(1, 99))
def test_tails_are_those_of_scipy(count, percent):
    correct, trials = count
    p = percent / 100
    assert upper_tail(correct, trials, p) == pytest.approx(
        binomtest(correct, trials, p, alternative="greater").pvalue, rel=1e-9, abs=1e-300
    )
    assert lower_tail(correct, trials, p) == pytest.approx(
        binomtest(correct, trials, p, alternative="less").pvalue, rel=1e-9, abs=1e-300
    )


def test_a_tail_equal_to_alpha_counts_as_rare_and_a_hair_more_does_not():
    """P(5 of 5 by guessing) is 1/32 exactly: a comparison that rounds could go either way."""
    half = Fraction(1, 2)
    assert at_least_is_rare(5, 5, half, 1 / 32)
    assert not at_least_is_rare(5, 5, half, nextafter(1 / 32, 0))
    assert at_most_is_rare(0, 5, half, 1 / 32)
    assert not at_most_is_rare(0, 5, half, nextafter(1 / 32, 0))


def test_alpha_is_the_decimal_it_is_written_as():
    """P(1 of 1 | guess 1/20) is .05; the float .05 is a little more than 1/20, .15 a little less than 3/20."""
    assert decimal(0.05) == Fraction(1, 20)
    assert at_least_is_rare(1, 1, Fraction(3, 20), 0.15)
    assert Fraction(0.15) < Fraction(3, 20)


def test_intervals_are_those_of_the_oracle(expected):
    # tests/references/stats: statsmodels 0.15.0, proportion_confint; 1e-10
    for case in expected("binomial_intervals_short"):
        k, n = case["k"], case["n"]
        for percent in (90, 95, 99):
            level = percent / 100
            assert clopper_pearson(k, n, level) == pytest.approx(case[f"clopper_pearson_{percent}"], abs=1e-10)
            assert wilson(k, n, level) == pytest.approx(case[f"wilson_{percent}"], abs=1e-10)
        assert lower_limit(k, n, 0.95) == pytest.approx(case["clopper_pearson_one_sided_lower_95"], abs=1e-10)
        assert upper_limit(k, n, 0.95) == pytest.approx(case["clopper_pearson_one_sided_upper_95"], abs=1e-10)


@pytest.mark.parametrize(
    ("correct", "trials", "interval"),
    [(12, 16, (0.476229, 0.927338)), (10, 10, (0.691503, 1)), (0, 10, (0, 0.308497))],
)
def test_clopper_pearson_of_methods(correct, trials, interval):
    # methods 9.1 #4
    assert clopper_pearson(correct, trials, 0.95) == pytest.approx(interval, abs=5e-7)


def test_clopper_pearson_is_that_of_r():
    # R 4.2.2: print(binom.test(12, 16)$conf.int, digits = 10), as printed in the project's style page
    assert clopper_pearson(12, 16, 0.95) == pytest.approx((0.4762291801, 0.9273379617), abs=1e-10)


def test_wilson_of_methods():
    # methods 9.1 #5
    assert wilson(12, 16, 0.95) == pytest.approx((0.505017, 0.898179), abs=5e-7)


@given(counts, levels)
def test_clopper_pearson_and_wilson_are_those_of_statsmodels(count, level):
    correct, trials = count
    for ours, theirs in ((clopper_pearson, "beta"), (wilson, "wilson")):
        low, high = proportion_confint(correct, trials, alpha=1 - level, method=theirs)
        assert ours(correct, trials, level) == pytest.approx((low, high), abs=1e-9)


def test_likelihood_interval_drops_the_log_likelihood_by_half_the_chi_square_quantile():
    # methods 2.3: 12 of 16 gives a lower limit of .511 this way, .476 by Clopper-Pearson.
    # 3.841458820694124: the .95 quantile of chi-square with one degree of freedom (any table: 3.841).
    from math import log

    low, high = likelihood(12, 16, 0.95)
    assert low == pytest.approx(0.511, abs=5e-4)
    for p in (low, high):
        drop = 12 * log(0.75 / p) + 4 * log(0.25 / (1 - p))
        assert drop == pytest.approx(3.841458820694124 / 2, abs=1e-9)


def test_likelihood_interval_at_the_edges_in_closed_form():
    """With none right the log-likelihood is n log(1 - p), so the limit is 1 - exp(-3.8415/2n)."""
    from math import exp

    assert likelihood(0, 10, 0.95) == pytest.approx((0, 1 - exp(-3.841458820694124 / 20)), abs=1e-12)
    assert likelihood(10, 10, 0.95) == pytest.approx((exp(-3.841458820694124 / 20), 1), abs=1e-12)


@given(counts, levels, st.sampled_from(sorted(INTERVALS)))
def test_intervals_hold_the_estimate_mirror_and_widen_with_the_level(count, level, name):
    correct, trials = count
    interval = INTERVALS[name]
    low, high = interval(correct, trials, level)
    assert 0 <= low <= correct / trials <= high <= 1
    mirrored_low, mirrored_high = interval(trials - correct, trials, level)
    assert (1 - mirrored_high, 1 - mirrored_low) == pytest.approx((low, high), abs=1e-9)
    wider_low, wider_high = interval(correct, trials, level + (1 - level) / 2)
    assert wider_low <= low + 1e-12
    assert wider_high >= high - 1e-12


@given(counts, levels, st.sampled_from(sorted(INTERVALS)))
def test_one_more_right_moves_both_limits_up(count, level, name):
    correct, trials = count
    low, high = INTERVALS[name](correct, trials, level)
    next_low, next_high = INTERVALS[name](min(correct + 1, trials), trials, level)
    assert next_low >= low - 1e-12
    assert next_high >= high - 1e-12


@given(counts, levels, st.booleans())
def test_one_sided_limits_are_where_the_tail_they_go_with_is_one_minus_level(count, level, mid_p):
    correct, trials = count
    low, high = lower_limit(correct, trials, level, mid_p=mid_p), upper_limit(correct, trials, level, mid_p=mid_p)
    if correct > 0:
        tail = upper_tail(correct, trials, low) - (point(correct, trials, low) / 2 if mid_p else 0)
        assert tail == pytest.approx(1 - level, abs=1e-9)
    if correct < trials:
        tail = lower_tail(correct, trials, high) - (point(correct, trials, high) / 2 if mid_p else 0)
        assert tail == pytest.approx(1 - level, abs=1e-9)
    assert 0 <= low <= high <= 1
