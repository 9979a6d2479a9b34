"""Psychometric functions, d', criteria."""

from math import inf, isnan, nan, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import f as f_distribution
from scipy.stats import multivariate_normal, ncf, norm

from blindtest.methods import METHODS
from blindtest.stats import (
    DECISION_RULES,
    criterion,
    d_prime,
    d_prime_from_rates,
    d_prime_std_error,
    log_linear_rate,
    proportion_correct,
    slope,
)

ORACLE_NAMES = {
    "2afc": "2afc",
    "3afc": "3afc",
    "triangle": "triangle",
    "duo-trio": "duotrio",
    "abx": "abx_differencing",
    "abx-independent": "abx_independent",
    "same-different-independent": "same_different_independent_unbiased",
    "tetrad": "tetrad_unspecified",
}
every_method = pytest.mark.parametrize("method", sorted(DECISION_RULES))
methods = st.sampled_from(sorted(DECISION_RULES))


@pytest.mark.parametrize(("method", "name"), ORACLE_NAMES.items())
def test_psychometric_functions_are_those_of_the_oracle(expected, method, name):
    # mpmath 1.4.1, quadrature and root finding with 30 digits; 1e-8
    case = expected("dprime_grid_coarse")[name]
    assert float(DECISION_RULES[method].guess) == pytest.approx(case["guess"], abs=1e-15)
    assert proportion_correct(case["dprime_grid"], method) == pytest.approx(case["pc_of_dprime"], abs=1e-8)
    inverted = [d_prime(pc, method) for pc in case["pc_grid"]]
    assert inverted == pytest.approx(case["dprime_of_pc"], abs=1e-8)
    assert slope(inverted, method) == pytest.approx(case["dpc_ddprime"], abs=1e-8)
    errors = [d_prime_std_error(pc, 100, method) for pc in case["pc_grid"]]
    assert errors == pytest.approx(case["se_dprime_n100"], rel=1e-8)


@pytest.mark.parametrize(
    ("d", "values"),
    [
        (1.0, (0.58248, 0.59966, 0.76025, 0.63370, 0.41805, 0.49381)),
        (2.0, (0.74682, 0.78765, 0.92135, 0.86577, 0.60481, 0.77767)),
    ],
)
def test_proportion_correct_of_methods(d, values):
    # methods 9.2 #15, #16
    ours = [proportion_correct(d, m) for m in ("abx", "abx-independent", "2afc", "3afc", "triangle", "tetrad")]
    assert ours == pytest.approx(values, abs=5e-6)


@pytest.mark.parametrize(
    ("method", "d"),
    [("abx", 2.0200), ("abx-independent", 1.7904), ("2afc", 0.9539), ("3afc", 1.4338), ("triangle", 2.7974)],
)
def test_d_prime_of_three_quarters(method, d):
    # methods 9.2 #17, from the R package psyphy
    assert d_prime(0.75, method) == pytest.approx(d, abs=5e-5)


def test_tetrad_ten_of_fifteen():
    # methods 9.2 #18, from the R package sensR
    assert d_prime(10 / 15, "tetrad") == pytest.approx(1.5878, abs=5e-5)
    assert d_prime_std_error(10 / 15, 15, "tetrad") == pytest.approx(0.4193, abs=5e-5)


def test_two_afc_twelve_of_sixteen():
    # methods 9.2 #24
    assert d_prime(0.75, "2afc") == pytest.approx(0.953873, abs=5e-7)
    assert d_prime_std_error(0.75, 16, "2afc") == pytest.approx(0.481763, abs=5e-7)


def test_same_different_from_counts():
    # methods 9.2 #20: SS 8, DS 5, SD 4, DD 9 (first letter: the answer)
    assert criterion(9 / 13, 5 / 13, "same-different") == pytest.approx(1.22955, abs=5e-6)
    assert d_prime_from_rates(9 / 13, 5 / 13, "same-different") == pytest.approx(1.88500, abs=5e-6)


def test_same_different_from_rates():
    # methods 9.2 #21, from the R package psyphy, whose root finder is good to 3e-5 (oracle's README); so the
    # definition is checked beside it: the difference exceeds the criterion as often as the hit rate says.
    d, cut = d_prime_from_rates(0.8, 0.3, "same-different"), norm.ppf(1 - 0.3 / 2)
    assert d == pytest.approx(2.64683, abs=3e-5)
    assert norm.sf(cut - d / sqrt(2)) + norm.cdf(-cut - d / sqrt(2)) == pytest.approx(0.8, abs=1e-12)
    assert d_prime_from_rates(0.8, 0.3, "same-different-independent") == pytest.approx(2.12026, abs=5e-6)


def test_yes_no():
    # methods 9.2 #22
    assert d_prime_from_rates(0.8, 0.3, "yes-no") == pytest.approx(1.366022, abs=5e-7)
    assert criterion(0.8, 0.3, "yes-no") == pytest.approx(-0.158610, abs=5e-7)


@pytest.mark.parametrize("d", [0.0, 0.3, 1.0, 2.7, 6.0])
def test_closed_forms_are_the_integrals_that_are_usually_printed(d):
    """methods 2.3, integrated numerically (scipy.integrate.quad, 1e-10): our closed forms use Owen's T instead."""
    phi, Phi = norm.pdf, norm.cdf
    three = quad(lambda x: phi(x - d) * Phi(x) ** 2, -12, 12 + d, epsabs=1e-12)[0]
    triangle = quad(
        lambda x: 2 * phi(x) * (Phi(-x * sqrt(3) + d * sqrt(2 / 3)) + Phi(-x * sqrt(3) - d * sqrt(2 / 3))),
        0, 12, epsabs=1e-12,
    )[0]  # fmt: skip
    tetrad = 1 - 2 * quad(lambda z: phi(z) * (2 * Phi(z) * Phi(z - d) - Phi(z - d) ** 2), -12, 12 + d, epsabs=1e-12)[0]
    assert proportion_correct(d, "3afc") == pytest.approx(three, abs=1e-9)
    assert proportion_correct(d, "triangle") == pytest.approx(triangle, abs=1e-9)
    assert proportion_correct(d, "tetrad") == pytest.approx(tetrad, abs=1e-9)


@pytest.mark.parametrize("d", [0.5, 1.0, 3.0])
def test_triangle_is_a_tail_of_the_noncentral_f_distribution(d):
    # methods 2.3: P(F' > 3), noncentral F(1, 1; 2d^2/3)
    assert proportion_correct(d, "triangle") == pytest.approx(ncf.sf(3, 1, 1, 2 * d * d / 3), abs=1e-8)
    assert proportion_correct(0.0, "triangle") == pytest.approx(f_distribution.sf(3, 1, 1), abs=1e-12)


def test_three_afc_is_an_area_of_a_bivariate_normal():
    joint = multivariate_normal(cov=[[1, 0.5], [0.5, 1]])
    assert proportion_correct(1.7, "3afc") == pytest.approx(joint.cdf([1.7 / sqrt(2)] * 2), abs=1e-5)


def _decided_by_listening(method: str, d: float, rng: np.random.Generator, n: int) -> float:
    """Proportion correct of simulated listeners who decide by the method's rule: no formula of ours in it."""
    low, high = rng.normal(0, 1, (n, 3)), rng.normal(d, 1, (n, 3))
    if method in ("abx", "duo-trio"):  # X like low's: nearer to the low one?
        return float(np.mean(abs(low[:, 1] - low[:, 0]) < abs(low[:, 1] - high[:, 0])))
    if method == "abx-independent":  # A, B give the order; X against the fixed middle
        order_right = low[:, 0] < high[:, 0]
        x_low = low[:, 1] < d / 2
        return float(np.mean(order_right == x_low))
    if method == "2afc":
        return float(np.mean(high[:, 0] > low[:, 0]))
    if method == "3afc":
        return float(np.mean(high[:, 0] > low[:, :2].max(axis=1)))
    if method == "triangle":
        pair = abs(low[:, 0] - low[:, 1])
        others = np.minimum(abs(low[:, 0] - high[:, 0]), abs(low[:, 1] - high[:, 0]))
        return float(np.mean(pair < others))
    if method == "tetrad":
        a, b, c, e = low[:, 0], low[:, 1], high[:, 0], high[:, 1]
        right, *wrong = (abs(p - q) + abs(r - s) for p, q, r, s in ((a, b, c, e), (a, c, b, e), (a, e, b, c)))
        return float(np.mean((right < wrong[0]) & (right < wrong[1])))
    if method == "same-different-independent":
        same = (low[:, 0] < d / 2) == (low[:, 1] < d / 2)
        different = (low[:, 2] < d / 2) != (high[:, 0] < d / 2)
        return float((np.mean(same) + np.mean(different)) / 2)
    tau = _balanced_tau(low, high)
    same = abs(low[:, 0] - low[:, 1]) < tau
    different = abs(low[:, 2] - high[:, 0]) >= tau
    return float((np.mean(same) + np.mean(different)) / 2)


def _balanced_tau(low, high):
    """The criterion at which same and different pairs come out right equally often, found among the simulated pairs."""
    same, different = np.sort(abs(low[:, 0] - low[:, 1])), np.sort(abs(low[:, 2] - high[:, 0]))
    candidates = np.linspace(0.2, 5, 481)
    right_same = np.searchsorted(same, candidates) / len(same)
    right_different = 1 - np.searchsorted(different, candidates) / len(different)
    return candidates[np.argmin(abs(right_same - right_different))]


@every_method
@pytest.mark.parametrize("d", [0.8, 2.0])
def test_simulated_listeners_are_right_as_often_as_their_rule_says(method, d):
    # 200000 trials: standard error .0011, five of them allowed; the balanced criterion adds its own step of .01.
    rng = np.random.default_rng(20261125)
    assert _decided_by_listening(method, d, rng, 200_000) == pytest.approx(proportion_correct(d, method), abs=0.0056)


@every_method
def test_slope_is_the_derivative(method):
    d, step = np.linspace(0.3, 5, 12), 1e-5
    numeric = (proportion_correct(d + step, method) - proportion_correct(d - step, method)) / (2 * step)
    assert slope(d, method) == pytest.approx(numeric, rel=1e-6, abs=1e-9)


@given(st.floats(0, 8), st.floats(0, 8), methods)
def test_more_d_prime_is_more_right(one, other, method):
    low, high = sorted((one, other))
    assert proportion_correct(low, method) <= proportion_correct(high, method) + 1e-15
    assert float(DECISION_RULES[method].guess) - 1e-15 <= proportion_correct(low, method) <= 1


@given(st.floats(0.001, 0.999999), methods)
def test_there_and_back(share, method):
    """Near chance some functions are flat, so the proportion is compared, not d'."""
    guess = float(DECISION_RULES[method].guess)
    proportion = guess + (1 - guess) * share
    assert proportion_correct(d_prime(proportion, method), method) == pytest.approx(proportion, abs=1e-12)


@given(st.floats(0, 1), methods)
def test_d_prime_is_never_below_zero_or_undefined(proportion, method):
    d = d_prime(proportion, method)
    assert d >= 0
    if proportion <= float(DECISION_RULES[method].guess):
        assert d == 0


@every_method
def test_edges(method):
    assert d_prime(1, method) == inf
    assert d_prime(0, method) == d_prime(float(DECISION_RULES[method].guess), method) == 0
    assert proportion_correct(0.0, method) == pytest.approx(float(DECISION_RULES[method].guess), abs=1e-15)
    assert proportion_correct(40.0, method) == pytest.approx(1, abs=1e-15)
    assert isnan(d_prime_std_error(1, 10, method))
    assert isnan(d_prime_std_error(0.1, 10, method))
    assert d_prime(1 - 2**-53, method) > 7


@pytest.mark.parametrize("proportion", [-0.01, 1.01, nan])
def test_a_proportion_that_is_none_is_refused(proportion):
    with pytest.raises(ValueError, match=r"must lie in 0 \.\.\. 1"):
        d_prime(proportion, "abx")


def test_negative_d_prime_is_refused():
    with pytest.raises(ValueError, match="d' must be 0 or more, got -1"):
        proportion_correct([0.5, -1], "abx")


@pytest.mark.parametrize("method", ["abx", "abx-independent", "2afc", "duo-trio", "same-different-independent"])
def test_rates_without_bias_give_the_d_prime_of_their_proportion(method):
    assert d_prime_from_rates(0.8, 0.2, method) == pytest.approx(d_prime(0.8, method), abs=1e-9)


def test_same_different_proportion_is_that_of_equal_hit_rates():
    assert d_prime(0.8, "same-different") == pytest.approx(d_prime_from_rates(0.8, 0.2, "same-different"), abs=1e-9)


def test_bias_hides_sensitivity_from_the_proportion_and_not_from_the_rates():
    """H .95, F .6: 67.5 % right, as a listener without bias at a lower d' would be (methods 2.3, ABX with bias)."""
    unbiased = norm.cdf((norm.ppf(0.95) - norm.ppf(0.6)) / 2)
    assert d_prime_from_rates(0.95, 0.6, "abx") == pytest.approx(d_prime(unbiased, "abx"), abs=1e-9)
    assert d_prime_from_rates(0.95, 0.6, "abx") > d_prime(0.675, "abx")


@given(st.floats(0.01, 0.99), st.floats(0.01, 0.99), st.sampled_from(("abx", "2afc", "same-different")))
def test_rates_that_don_t_rise_are_no_sensitivity(one, other, method):
    low, high = sorted((one, other))
    assert d_prime_from_rates(low, high, method) == 0
    assert d_prime_from_rates(high, low, method) >= 0


def test_rates_at_the_ends():
    assert d_prime_from_rates(1, 0.3, "abx") == d_prime_from_rates(0.8, 0, "same-different") == inf
    assert d_prime_from_rates(0.3, 0.8, "yes-no") == pytest.approx(-1.366022, abs=5e-7)
    assert log_linear_rate(10, 10) == 10.5 / 11
    for rate in (0, 1):
        for method in ("abx", "yes-no", "same-different"):
            with pytest.raises(ValueError, match="one answer only"):
                d_prime_from_rates(rate, rate, method)
    assert d_prime_from_rates(0.5, 0.5, "yes-no") == 0
    assert d_prime_from_rates(1, 0, "yes-no") == -d_prime_from_rates(0, 1, "yes-no") == inf
    with pytest.raises(ValueError, match="no d' from hits and false alarms for 'triangle'"):
        d_prime_from_rates(0.8, 0.3, "triangle")
    with pytest.raises(ValueError, match="no criterion for 'abx'"):
        criterion(0.8, 0.3, "abx")
    with pytest.raises(ValueError, match="at least one trial"):
        d_prime_std_error(0.8, 0, "abx")
    with pytest.raises(ValueError, match="a rate must lie in"):
        d_prime_from_rates(1.2, 0.3, "abx")


def test_guess_rates_are_those_of_the_methods_themselves():
    for name, method in METHODS.items():
        if method.guess_rate is not None:
            assert float(DECISION_RULES[name].guess) == pytest.approx(method.guess_rate, abs=1e-12)
