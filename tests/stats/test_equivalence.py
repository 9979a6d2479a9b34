"""Two one-sided t tests."""

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.weightstats import DescrStatsW

from blindtest.stats import equivalence_test


def sample(mean: float, sd: float, n: int) -> np.ndarray:
    x = np.linspace(-1, 1, n)
    return mean + sd * (x - x.mean()) / x.std(ddof=1)


def test_methods_14():
    # methods 9.1 #14
    result = equivalence_test(sample(1.2, 5, 24), margin=5)
    assert result.p_value == pytest.approx(0.000557829, abs=5e-10)
    assert result.interval == pytest.approx((-0.549213, 2.949213), abs=5e-7)
    assert result.level == pytest.approx(0.9)


@given(st.floats(-6, 6), st.floats(0.5, 9), st.integers(2, 40), st.floats(0.5, 8), st.floats(0.01, 0.3))
def test_statsmodels(mean, sd, n, margin, alpha):
    d = sample(mean, sd, n)
    other = equivalence_test(d, margin=margin, alpha=alpha)
    assert other.interval == pytest.approx(DescrStatsW(d).tconfint_mean(alpha=2 * alpha), rel=1e-8, abs=1e-9)
    assert (other.level, other.margin, other.n, other.df) == (pytest.approx(1 - 2 * alpha), margin, n, n - 1)
    assert other.mean == pytest.approx(mean, abs=1e-12)
    assert other.std_error == pytest.approx(DescrStatsW(d).std_mean, rel=1e-9)
    result = equivalence_test(d, margin=margin)
    assert result.p_value == other.p_value
    assert result.p_value == pytest.approx(DescrStatsW(d).ttost_mean(-margin, margin)[0], rel=1e-8, abs=1e-12)
    if abs(result.p_value - 0.05) > 1e-9:
        inside = -margin < result.interval[0] and result.interval[1] < margin
        assert inside == (result.p_value < 0.05)


@pytest.mark.parametrize(
    ("differences", "margin", "text"),
    [
        ([1.0], 5, "two or more"),
        ([1, float("nan")], 5, "finite"),
        ([2, 2, 2], 5, "no spread"),
        ([1, 2], 0, "margin"),
        ([1, 2], float("nan"), "margin"),
        ([[1, 2], [3, 4]], 5, "in one row"),
        ([], 5, "two or more"),
    ],
)
def test_what_can_t_be_judged_is_refused(differences, margin, text):
    with pytest.raises(ValueError, match=text):
        equivalence_test(differences, margin=margin)


def test_json():
    assert json.loads(json.dumps(equivalence_test([1, 2, 3], margin=5).to_dict(), allow_nan=False))["n"] == 3


@pytest.mark.parametrize("alpha", [0, 1, 1.2, float("nan")])
def test_alpha_is_a_probability(alpha):
    with pytest.raises(ValueError, match="alpha must lie between 0 and 1"):
        equivalence_test([1, 2, 4], margin=5, alpha=alpha)
