"""Limits by likelihood."""

from math import inf, log

import numpy as np
import pytest

from blindtest.stats.binomial import likelihood
from blindtest.stats.profile_likelihood import allowed_loss, joint_peak, peak, profile_limits


def test_allowed_loss_is_half_the_chi_square_point():
    # chi-square tables: 3.841459 and 6.634897
    assert allowed_loss(0.95) == pytest.approx(3.841459 / 2, abs=1e-6)
    assert allowed_loss(0.99) == pytest.approx(6.634897 / 2, abs=1e-6)


def test_the_higher_of_two_hills_is_found():
    argument, value = peak(lambda x: np.exp(-((x - 1) ** 2)) + 1.5 * np.exp(-((x - 7) ** 2)), 0.0, 10.0)
    assert argument == pytest.approx(7, abs=1e-6)
    assert value == pytest.approx(1.5, abs=1e-12)


def test_a_peak_at_an_end_is_that_end():
    assert peak(lambda x: -x, 0.0, 3.0) == (0, 0)
    assert peak(lambda x: x, 0.0, 3.0) == (3, 3)


def test_a_slanting_ridge_is_followed():
    (x, y), value, _ = joint_peak(
        lambda x, y: -((x + y - 1) ** 2) * 1e3 - (x - y - 0.62) ** 2, (-20.0, -20.0), (20.0, 20.0)
    )
    assert (x, y) == pytest.approx((0.81, 0.19), abs=1e-5)
    assert value == pytest.approx(0, abs=1e-8)


@pytest.mark.parametrize(("correct", "trials"), [(12, 16), (0, 9), (9, 9), (1, 40)])
def test_limits_of_a_proportion_are_those_of_its_closed_form(correct, trials):
    def log_likelihood(p):
        right = correct * log(p) if correct and p > 0 else -inf if correct else 0.0
        wrong = (trials - correct) * log(1 - p) if correct < trials and p < 1 else -inf if correct < trials else 0.0
        return right + wrong

    p = correct / trials
    found = profile_limits(log_likelihood, p, best=log_likelihood(p), level=0.95, bounds=(0.0, 1.0))
    assert found == pytest.approx(likelihood(correct, trials, 0.95), abs=1e-9)


def test_a_mean_of_normal_numbers_has_the_limits_of_the_z_test():
    found = profile_limits(lambda mean: -0.5 * ((mean - 3) / 2) ** 2, 3.0, best=0.0, level=0.95)
    assert found == pytest.approx((3 - 2 * 1.959964, 3 + 2 * 1.959964), abs=1e-5)


def test_what_the_data_leave_open_is_infinite():
    assert profile_limits(lambda x: -np.exp(-x), 5.0, best=0.0, level=0.95) == (
        pytest.approx(-log(1.920729), abs=1e-5),
        inf,
    )
