"""A difference of ratings against a margin."""

from math import inf

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blindtest.stats import conclude_contrast

# Critical values of t with 10 degrees of freedom: 1.812 one-sided, 2.228 two-sided at 5 % (any printed table).


@pytest.mark.parametrize(
    ("estimate", "margin", "word"),
    [(2.24, None, "shown"), (2.21, None, "open"), (-2.24, None, "refuted"), (0.1, 2.0, "negligible"),
     (0.1, 1.9, "open"), (2.24, 4.1, "negligible"), (2.24, 4.0, "shown")],
)  # fmt: skip
def test_words_follow_the_limits(estimate, margin, word):
    assert conclude_contrast(estimate, 1.0, 10, margin=margin).word == word


def test_a_sealed_direction_takes_the_one_sided_limit():
    assert conclude_contrast(1.82, 1.0, 10, margin=None, direction="claimed").word == "shown"
    assert conclude_contrast(1.80, 1.0, 10, margin=None, direction="claimed").word == "open"


def test_without_degrees_of_freedom_it_is_the_normal_distribution():
    # Two-sided 1.96 of the normal distribution: p = .04999579 (any table).
    assert conclude_contrast(1.96, 1.0, inf, margin=None).p_value == pytest.approx(0.0499958, abs=1e-7)


@given(st.floats(-20, 20), st.floats(0.1, 10), st.floats(1, 200), st.floats(0.5, 30))
def test_exchanging_the_devices_exchanges_shown_and_refuted(estimate, std_error, df, margin):
    one = conclude_contrast(estimate, std_error, df, margin=margin)
    other = conclude_contrast(-estimate, std_error, df, margin=margin)
    turned = {"shown": "refuted", "refuted": "shown"}
    assert other.word == turned.get(one.word, one.word)
    assert one.p_value == pytest.approx(other.p_value)


@given(st.floats(-20, 20), st.floats(0.1, 10), st.floats(1, 200))
def test_the_interval_leaves_zero_out_just_where_p_is_below_alpha(estimate, std_error, df):
    found = conclude_contrast(estimate, std_error, df, margin=None)
    low, high = found.interval
    assert (found.word != "open") == (not low < 0 < high)


def test_numbers_out_of_range_are_refused():
    with pytest.raises(ValueError, match="a standard error above 0 are needed"):
        conclude_contrast(1.0, 0.0, 5, margin=None)
    with pytest.raises(ValueError, match="the margin must be above 0, got -1"):
        conclude_contrast(1.0, 1.0, 5, margin=-1)
