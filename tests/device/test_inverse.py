"""The limited inverse against published and closed-form values."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from blindtest.device import regularised_inverse_db


def test_what_the_limit_leaves_standing():
    """The project's check value 51, by hand: beta .01, |H| 1: 1/1.01 = -.0864 dB; |H| .1: .01/.02 = -6.0206 dB."""
    limit = 20 * np.log10(1 / (2 * np.sqrt(0.01)))
    inverse = regularised_inverse_db([0.0, -20.0], limit)
    assert inverse.beta == pytest.approx(0.01, rel=1e-12)
    assert inverse.error_db == pytest.approx([-0.0864, -6.0206], abs=5e-5)
    assert inverse.inverse_db == pytest.approx([20 * np.log10(1 / 1.01), 20 * np.log10(0.1 / 0.02)], abs=1e-12)


@given(st.lists(st.floats(-200, 100), min_size=1), st.floats(0, 40))
def test_it_never_boosts_beyond_the_limit_and_never_overshoots(levels, limit):
    """Calculus: h/(h^2 + beta) is largest at h = sqrt(beta), where it is 1/(2 sqrt(beta))."""
    inverse = regularised_inverse_db(levels, limit)
    assert np.all(inverse.inverse_db <= limit + 1e-9)
    assert np.all(inverse.error_db <= 1e-9)
    assert inverse.inverse_db + np.array(levels) == pytest.approx(inverse.error_db, abs=1e-9)


def test_the_largest_boost_is_reached():
    limit = 12.0
    inverse = regularised_inverse_db([10 * np.log10(0.25 * 10 ** (-limit / 10))], limit)
    assert inverse.inverse_db[0] == pytest.approx(limit, abs=1e-12)
    assert inverse.error_db[0] == pytest.approx(-20 * np.log10(2), abs=1e-12)
