"""Recognition against chance: counted by hand, and scipy."""

import pytest
from scipy.stats import binomtest

from blindtest.stats import recognition_test


def test_four_of_five_among_two_counted():
    """Of 32 ways to guess, 6 have four or more right."""
    result = recognition_test(4, 5, 2)
    assert result.p_value == pytest.approx(6 / 32, rel=1e-12)
    assert "4 of 5 (chance: 1 in 2)" in result.sentence


@pytest.mark.parametrize(("correct", "trials", "options"), [(0, 4, 3), (7, 12, 3), (12, 12, 5)])
def test_p_and_interval_are_those_of_scipy(correct, trials, options):
    result = recognition_test(correct, trials, options)
    theirs = binomtest(correct, trials, 1 / options, alternative="greater")
    assert result.p_value == pytest.approx(theirs.pvalue, rel=1e-9)
    assert result.lower_limit == pytest.approx(theirs.proportion_ci(0.95).low, abs=1e-9)
    two = binomtest(correct, trials).proportion_ci(0.95)
    assert result.interval == pytest.approx((two.low, two.high), abs=1e-9)
    assert result.to_dict()["chance"] == 1 / options


@pytest.mark.parametrize(
    ("arguments", "text"),
    [((3, 2, 2), "number correct"), ((0, 0, 2), "at least one trial"), ((1, 2, 1), "two or more options, got 1")],
)
def test_impossible_counts_are_refused(arguments, text):
    with pytest.raises(ValueError, match=text):
        recognition_test(*arguments)
