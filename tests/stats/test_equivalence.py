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


@given(st.floats(-6, 6), st.floats(0.5, 9), st.integers(2, 40), st.floats(0.5, 8))
def test_statsmodels(mean, sd, n, margin):
    d = sample(mean, sd, n)
    result = equivalence_test(d, margin=margin)
    assert result.p_value == pytest.approx(DescrStatsW(d).ttost_mean(-margin, margin)[0], rel=1e-8, abs=1e-12)
    if abs(result.p_value - 0.05) > 1e-9:
        inside = -margin < result.interval[0] and result.interval[1] < margin
        assert inside == (result.p_value < 0.05)


@pytest.mark.parametrize(
    ("differences", "margin", "text"),
    [([1.0], 5, "two or more"), ([1, float("nan")], 5, "finite"), ([2, 2, 2], 5, "no spread"), ([1, 2], 0, "margin")],
)
def test_what_can_t_be_judged_is_refused(differences, margin, text):
    with pytest.raises(ValueError, match=text):
        equivalence_test(differences, margin=margin)


def test_json():
    assert json.loads(json.dumps(equivalence_test([1, 2, 3], margin=5).to_dict(), allow_nan=False))["n"] == 3
