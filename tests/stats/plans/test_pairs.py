"""Power of pairs: same-different, and 2-AC."""

from itertools import product
from math import nan

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, binomtest, fisher_exact, multinomial, norm

from blindtest.stats import same_different_power, same_different_test, two_ac_power, unbiased_criterion


@pytest.mark.parametrize(("same", "different", "d", "tau"), [(6, 6, 2.0, None), (5, 8, 1.5, 1.2), (9, 4, 3.0, 2.0)])
def test_every_table_of_counts_by_scipys_fisher_test(same, different, d, tau):
    found = same_different_power(same, different, d_prime=d, tau=tau)
    criterion = found.tau
    hit = 1 - (norm.cdf((criterion - d) / 2**0.5) - norm.cdf((-criterion - d) / 2**0.5))
    alarm = 2 * norm.sf(criterion / 2**0.5)
    total = sum(
        binom.pmf(h, different, hit) * binom.pmf(f, same, alarm)
        for h, f in product(range(different + 1), range(same + 1))
        if fisher_exact([[h, different - h], [f, same - f]], alternative="greater").pvalue <= 0.05 * (1 + 1e-9)
    )
    assert found.power == pytest.approx(total, abs=1e-9)


def test_the_region_is_that_of_the_test_that_will_judge():
    found = same_different_power(5, 5, d_prime=0.0, tau=1.0)
    alarm = 2 * norm.sf(1 / 2**0.5)
    shown = sum(
        binom.pmf(h, 5, alarm) * binom.pmf(f, 5, alarm)
        for h, f in product(range(6), range(6))
        if same_different_test(5 - f, f, 5 - h, h).p_value <= 0.05
    )
    assert found.power == pytest.approx(shown, abs=1e-9)
    assert found.power <= 0.05


@settings(max_examples=25, deadline=None)
@given(st.floats(0, 6))
def test_the_unbiased_criterion_errs_alike_on_both_kinds(d):
    tau = unbiased_criterion(d)
    same_wrong = 2 * norm.sf(tau / 2**0.5)
    different_wrong = norm.cdf((tau - d) / 2**0.5) - norm.cdf((-tau - d) / 2**0.5)
    assert same_wrong == pytest.approx(different_wrong, abs=1e-9)


def test_independent_observations_take_the_unbiased_rates():
    # Macmillan & Creelman 2005: p(c) = (1 + (2 Phi(d/2) - 1)^2)/2 for the unbiased likelihood rule.
    found = same_different_power(20, 20, d_prime=2.0, method="same-different-independent")
    assert found.hits == pytest.approx((1 + (2 * norm.cdf(1.0) - 1) ** 2) / 2)
    assert found.tau is nan or found.tau != found.tau


@pytest.mark.parametrize("two_sided", [True, False])
def test_two_ac_over_every_triple_of_counts(two_sided):
    trials, d, tau = 14, 1.1, 0.6
    low, high = norm.cdf((-tau - d) / 2**0.5), norm.cdf((tau - d) / 2**0.5)
    shares = (low, high - low, 1 - high)
    total = 0.0
    for first, none in product(range(trials + 1), range(trials + 1)):
        second = trials - first - none
        if second < 0 or first + second == 0:
            continue
        p = binomtest(second, first + second, alternative="two-sided" if two_sided else "greater").pvalue
        total += (p <= 0.05) * multinomial.pmf((first, none, second), trials, shares)
    assert two_ac_power(trials, d_prime=d, tau=tau, two_sided=two_sided).power == pytest.approx(total, abs=1e-9)


def test_without_a_threshold_it_is_a_paired_preference():
    # claims: 20 pairs, two-sided 15 of 20, power .80 at a true preference of .8: d' = sqrt 2 z(.8).
    found = two_ac_power(20, d_prime=2**0.5 * norm.ppf(0.8), tau=0.0)
    assert found.power == pytest.approx(0.8042, abs=5e-5)


def test_what_is_detectable_has_that_power():
    found = two_ac_power(40, d_prime=1.0, tau=0.5)
    assert two_ac_power(40, d_prime=found.detectable, tau=0.5).power == pytest.approx(0.8, abs=2e-3)
    pairs = same_different_power(30, 30, d_prime=1.0)
    assert same_different_power(30, 30, d_prime=pairs.detectable).power == pytest.approx(0.8, abs=2e-4)


def test_numbers_out_of_range_are_refused():
    with pytest.raises(ValueError, match="no same-different model 'abx'"):
        same_different_power(5, 5, d_prime=1, method="abx")
    with pytest.raises(ValueError, match="d' must be 0 or more, got -1"):
        two_ac_power(5, d_prime=-1, tau=0.5)
