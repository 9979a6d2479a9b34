"""Claims that can fail: against the figures computed for the design page, and against scipy."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from blindtest.design import Claim, chance_of_negligible, chance_of_shown, most_correct_for_negligible, tail_from


def test_twenty_eight_trials_with_half_as_margin():
    # Computed by exact binomial sums (scipy 1.17, 2026): 19 right show it (power .86), 16 or fewer are negligible (.83)
    assert most_correct_for_negligible(28, 0.5, 0.5) == 16
    assert chance_of_negligible(28, 0.5, 0.5) == pytest.approx(binom.cdf(16, 28, 0.5), abs=1e-12)
    assert chance_of_negligible(28, 0.5, 0.5) == pytest.approx(0.83, abs=0.005)
    assert chance_of_shown(28, 0.5, 0.5) == pytest.approx(binom.sf(18, 28, 0.75), abs=1e-12)
    assert chance_of_shown(28, 0.5, 0.5) == pytest.approx(0.86, abs=0.005)


def test_sixteen_trials_can_hardly_refute_a_margin_of_three_tenths():
    assert most_correct_for_negligible(16, 0.5, 0.3) == 6
    assert chance_of_negligible(16, 0.5, 0.3) == pytest.approx(0.23, abs=0.005)


def test_similarity_numbers_of_the_handbook_table():
    # Similarity at 5 %, p0 = 1/2 and 1/3 (binomial tables as in ISO 4120 and 10399, computed)
    assert [most_correct_for_negligible(n, 0.5, 0.3) for n in (36, 60, 100)] == [18, 32, 56]
    assert [most_correct_for_negligible(n, 1 / 3, 0.3) for n in (36, 60)] == [13, 25]
    assert [most_correct_for_negligible(n, 1 / 3, 0.2) for n in (60, 100)] == [21, 37]


def test_a_plan_too_short_to_refute_anything():
    assert most_correct_for_negligible(2, 0.5, 0.1) is None
    assert chance_of_negligible(2, 0.5, 0.1) == 0
    assert chance_of_shown(2, 0.5, 1.0) == 0


@given(st.integers(1, 60), st.integers(0, 60), st.floats(0.01, 0.99))
def test_tails_are_those_of_scipy(trials, correct, proportion):
    assert tail_from(correct, trials, proportion) == pytest.approx(binom.sf(correct - 1, trials, proportion), abs=1e-10)


def test_what_a_claim_says_where_nothing_else_is_written():
    # claims.md 4: share kept 2/3; claims.md 6: two-sided unless the direction was sealed
    claim = Claim(id="c", kind="rated", device="a", comparator="b")
    assert (claim.kept, claim.direction, claim.primary, claim.margin) == (2 / 3, "two-sided", True, None)
    assert (claim.quote, claim.impression, claim.clips) == ("", "", "all")
