"""E-values and the error rate of stopping by them."""

from fractions import Fraction
from math import comb, inf, log

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from blindtest.stats import combined_e_value, e_process_numbers, e_process_stopped, e_value
from blindtest.stats.stopping.e_process import log_e_value

guesses = st.sampled_from([1 / 2, 1 / 3, 0.25, 0.7])


@pytest.mark.parametrize(
    ("correct", "trials", "guess", "value"),
    [
        # methods page 9.1, 11 and 12; tolerance in the last digit
        (12, 16, 0.5, 4.13245),
        (9, 10, 0.5, 18.50909),
        (16, 20, 0.5, 20.53767),
        (10, 10, 0.5, 186.0909),
        (13, 24, 1 / 3, 3.26056),
        (16, 24, 1 / 3, 89.9654),
    ],
)
def test_e_values_of_the_methods_page(correct, trials, guess, value):
    assert e_value(correct, trials, guess=guess) == pytest.approx(value, rel=3e-6)


def test_e_values_numbers_and_error_rate_are_those_of_exact_fractions(expected):
    # tests/references/stats: finite sums in Python fractions; 1e-10
    reference = expected("e_process_short")
    for case in reference["e_values"]:
        assert e_value(case["k"], case["n"]) == pytest.approx(float(Fraction(case["E_fraction"])), rel=1e-12)
    last = reference["min_correct_to_stop"][-1]["n"]
    assert e_process_numbers(last) == tuple(case["k"] for case in reference["min_correct_to_stop"])
    assert e_process_stopped(50, proportion=0.5) == pytest.approx(reference["null_prob_stopped_by_50"], abs=1e-10)


@pytest.mark.parametrize(
    ("trials", "proportion", "chance"),
    [
        # methods page 2.8, in the digits given; but for (100, .75), there 1.00: 0.9949 in Python fractions
        (50, 0.5, 0.025), (300, 0.5, 0.033),
        (40, 0.7, 0.56), (100, 0.7, 0.93), (40, 0.75, 0.79), (100, 0.75, 0.99),
        (40, 0.8, 0.94), (100, 0.8, 1.00), (40, 0.6, 0.16), (100, 0.6, 0.33),
    ],
)  # fmt: skip
def test_chances_of_the_methods_page(trials, proportion, chance):
    digits = 3 if chance < 0.05 else 2
    assert round(e_process_stopped(trials, proportion=proportion), digits) == chance


@given(st.integers(1, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), guesses)
def test_an_e_value_is_the_integral_it_is_defined_by(count, p0):
    # scipy.integrate.quad on the definition
    k, n = count
    integral, _ = quad(
        lambda t: (t / p0) ** k * ((1 - t) / (1 - p0)) ** (n - k) / (1 - p0), p0, 1, epsabs=0, epsrel=1e-11
    )
    assert e_value(k, n, guess=p0) == pytest.approx(integral, rel=1e-8)


@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), guesses)
def test_one_more_trial_changes_nothing_on_average_under_guessing(count, p0):
    """The martingale property, which makes it valid at any time."""
    k, n = count
    mean = p0 * e_value(k + 1, n + 1, guess=p0) + (1 - p0) * e_value(k, n + 1, guess=p0)
    assert mean == pytest.approx(e_value(k, n, guess=p0), rel=1e-9)


@pytest.mark.parametrize(("trials", "p0"), [(1, Fraction(1, 2)), (9, Fraction(1, 3)), (40, Fraction(1, 2))])
def test_its_mean_under_guessing_is_one(trials, p0):
    mean = sum(
        comb(trials, k) * float(p0) ** k * float(1 - p0) ** (trials - k) * e_value(k, trials, guess=float(p0))
        for k in range(trials + 1)
    )
    assert mean == pytest.approx(1, abs=1e-12)


@given(st.integers(1, 300).flatmap(lambda n: st.tuples(st.integers(1, n), st.just(n))), guesses)
def test_more_right_is_more_evidence(count, p0):
    k, n = count
    assert log_e_value(k, n, guess=p0) > log_e_value(k - 1, n, guess=p0)


def test_far_counts_neither_vanish_nor_break():
    # No right answer of n: the integral is 2/(n + 1) times 2^-1 at 1/2, that is 1/(n + 1).
    assert e_value(0, 5000) == pytest.approx(1 / 5001, rel=1e-12)
    assert e_value(5000, 5000) == inf
    # All right: E = (2^(n+1) - 1)/(n + 1)
    assert log_e_value(5000, 5000) == pytest.approx(5001 * log(2) - log(5001), rel=1e-12)


@pytest.mark.parametrize("guess", [0.5, 1 / 3])
@pytest.mark.parametrize("alpha", [0.05, 0.01, 0.2])
def test_a_guesser_reaches_one_over_alpha_with_probability_alpha_at_most(guess, alpha):
    """Ville 1939, by exact sums."""
    chances = [e_process_stopped(n, proportion=guess, alpha=alpha, guess=guess) for n in (1, 20, 150, 600)]
    assert chances == sorted(chances)
    assert chances[-1] <= alpha


def test_an_e_value_equal_to_one_over_alpha_stops():
    """E(1 of 1) is (1 + p0)/(2 p0): 5/2 at a guess rate of 1/4, and 2/5 is alpha; 3/2 at 1/2."""
    assert e_process_numbers(1, alpha=0.4, guess=0.25)[0] == 1
    assert e_process_stopped(1, proportion=0.25, alpha=0.4, guess=0.25) == 0.25
    assert e_process_numbers(1, alpha=0.3999, guess=0.25)[0] is None
    assert e_process_numbers(1, alpha=0.66)[0] is None
    assert e_process_numbers(1, alpha=0.67)[0] == 1
    # E(2 of 2) = 7/3, E(3 of 3) = 15/4, E(4 of 4) = 31/5: 5/31 has no short decimal, 4/15 neither; 3 of 3 at .2666...
    assert e_process_numbers(3, alpha=0.2667)[2] == 3
    assert e_process_numbers(3, alpha=0.2666)[2] is None
    # E(15 right of 15) = (2^16 - 1)/16 = 4095.9375 = 65535/16
    assert e_process_numbers(15, alpha=16 / 65535)[14] == 15


def test_e_values_of_independent_panels_multiply():
    assert combined_e_value([4, 0.5, 10]) == 20
    assert combined_e_value([0.0, inf]) == 0
    with pytest.raises(ValueError, match="at least one e-value"):
        combined_e_value([])
    with pytest.raises(ValueError, match=r"0 or more, got -1\.0"):
        combined_e_value([2, -1])
    with pytest.raises(ValueError, match="got nan"):
        combined_e_value([float("nan")])


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: e_value(5, 4), r"the number correct must lie in 0 \.\.\. 4"),
        (lambda: e_value(0, 0), "at least one trial, got 0"),
        (lambda: e_value(1, 2, guess=1.0), "the guess rate must lie between 0 and 1, got 1.0"),
        (lambda: e_process_stopped(10, proportion=1.5), r"the proportion must lie in 0 \.\.\. 1"),
        (lambda: e_process_stopped(10, proportion=0.5, alpha=0), "alpha must lie between 0 and 1, got 0"),
    ],
)
def test_impossible_numbers_are_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()


def test_one_trial_may_be_enough():
    """By hand: one of one right at a guess rate of .01 has E = (1 - .01**2) / (.99 * 2 * .01) = 50.5, above 20."""
    assert e_value(1, 1, guess=0.01) == pytest.approx(50.5, rel=1e-12)
    assert e_process_numbers(1, guess=0.01) == (1,)
    assert e_process_stopped(1, proportion=0.3, guess=0.01) == pytest.approx(0.3, abs=1e-15)
    with pytest.raises(ValueError, match="the guess rate must lie between 0 and 1"):
        e_process_numbers(1, guess=1.0)
