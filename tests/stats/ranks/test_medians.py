"""Hinges and the permutation test of medians: counted by hand and by enumeration."""

import json
from itertools import combinations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blindtest.errors import BlindtestError
from blindtest.stats import hinges, median_difference_test, multimodality, outside_fences


def test_hinges_hold_the_middle_value_twice():
    """ITU-R BS.1534-3, 4.1.1; Tukey 1977: 1..9 gives 3 5 7, 1..10 gives 3 5.5 8."""
    assert hinges(range(1, 10)) == (3, 5, 7)
    assert hinges(range(1, 11)) == (3, 5.5, 8)
    assert hinges([4]) == (4, 4, 4)


def test_an_outlier_lies_beyond_the_fence_not_on_it():
    """Hinges 3 and 7: fences at -3 and 13."""
    values = [1, 2, 3, 4, 5, 6, 7, 8, 13]
    assert not outside_fences(values).any()
    assert outside_fences([*values[:-1], 13.1]).tolist() == [False] * 8 + [True]


@pytest.mark.parametrize("values", [[], [1, float("nan")], [[1, 2]]])
def test_hinges_need_numbers(values):
    with pytest.raises(ValueError, match="one or more finite numbers"):
        hinges(values)


RATINGS = st.lists(st.integers(0, 20), min_size=2, max_size=5)


@settings(max_examples=40)
@given(RATINGS, RATINGS, st.sampled_from(["two-sided", "greater", "less"]))
def test_unpaired_is_the_enumeration(first, second, alternative):
    pool = np.array([*first, *second], dtype=float)
    observed = np.median(first) - np.median(second)
    found = []
    for chosen in combinations(range(len(pool)), len(first)):
        rest = [i for i in range(len(pool)) if i not in chosen]
        found.append(np.median(pool[list(chosen)]) - np.median(pool[rest]))
    p = np.mean(beyond(np.array(found), observed, alternative))
    result = median_difference_test(first, second, alternative=alternative)
    assert result.exact
    assert result.p_value == pytest.approx(p, abs=1e-12)


def beyond(found, observed, alternative):
    if alternative == "two-sided":
        return np.abs(found) >= abs(observed) - 1e-9
    return found >= observed - 1e-9 if alternative == "greater" else found <= observed + 1e-9


@settings(max_examples=40)
@given(st.lists(st.tuples(st.integers(0, 20), st.integers(0, 20)), min_size=1, max_size=7))
def test_paired_permutes_within_listeners(ratings):
    x, y = np.array(ratings, dtype=float).T
    observed = np.median(x) - np.median(y)
    found = []
    for swaps in product([False, True], repeat=len(x)):
        found.append(np.median(np.where(swaps, y, x)) - np.median(np.where(swaps, x, y)))
    result = median_difference_test(x, y, paired=True)
    assert result.p_value == pytest.approx(np.mean(beyond(np.array(found), observed, "two-sided")), abs=1e-12)


def test_drawn_arrangements_count_the_observed_one():
    """Phipson & Smyth 2010: p is never 0, at least 1/(draws + 1)."""
    result = median_difference_test(np.arange(20.0), np.arange(20.0) + 100, draws=999, seed=5)
    assert not result.exact
    assert result.p_value == 1 / 1000
    again = median_difference_test(np.arange(20.0), np.arange(20.0) + 100, draws=999, seed=5)
    assert result == again


@pytest.mark.parametrize("paired", [False, True])
def test_drawn_is_near_exact(paired):
    """Draws of 12 870 (or 1 024) arrangements: within three Monte Carlo errors."""
    rng = np.random.default_rng(7)
    x, y = rng.normal(0.7, 1, 8), rng.normal(0, 1, 8)
    if paired:
        x, y = rng.normal(0.7, 1, 10), rng.normal(0, 1, 10)
    exact = median_difference_test(x, y, paired=paired, draws=20_000)
    drawn = median_difference_test(x, y, paired=paired, draws=1000 if paired else 10_000)
    assert exact.exact
    assert not drawn.exact
    error = np.sqrt(exact.p_value * (1 - exact.p_value) / drawn.arrangements)
    assert drawn.p_value == pytest.approx(exact.p_value, abs=3 * error + 1e-3)


def test_sides_and_words():
    """Of the 20 ways to deal out six ratings two have medians 40 apart: the observed, and 80 exchanged for 50."""
    result = median_difference_test([90, 80, 85], [40, 50, 45], alternative="greater")
    assert result.p_value == 2 / 20
    assert result.sentence == "Medians 85 and 45, difference +40: p = 0.1 (greater, all 20 arrangements)."
    assert json.loads(json.dumps(result.to_dict()))["seed"] is None


def test_degenerate_ratings_are_defined_or_refused():
    assert median_difference_test([5, 5], [5, 5]).p_value == 1
    assert median_difference_test([5], [9]).p_value == 1
    with pytest.raises(BlindtestError, match="paired ratings need one of each per listener, got '2 and 1'"):
        median_difference_test([1, 2], [3], paired=True)
    with pytest.raises(ValueError, match="first must be one or more finite numbers"):
        median_difference_test([], [3])
    with pytest.raises(ValueError, match="at least one draw"):
        median_difference_test([1], [3], draws=0)


def test_multimodality_of_known_shapes():
    """SAS/STAT, CLUSTER: uniform 5/9, two points nearly 1, normal 1/3."""
    n = 20_000
    assert multimodality(np.arange(n)) == pytest.approx(5 / 9, abs=1e-3)
    assert multimodality(np.repeat([0, 1], n // 2)) == pytest.approx(1, abs=1e-3)
    assert multimodality(np.random.default_rng(1).normal(size=n)) == pytest.approx(1 / 3, abs=0.02)
    assert np.isnan(multimodality([1, 2, 3]))
    assert np.isnan(multimodality([2, 2, 2, 2]))


def test_multimodality_is_that_of_pandas_moments():
    """pandas' skew and kurt are the corrected ones of SAS."""
    import pandas as pd

    x = pd.Series(np.random.default_rng(2).gamma(2, size=25))
    b = (x.skew() ** 2 + 1) / (x.kurt() + 3 * 24**2 / (23 * 22))
    assert multimodality(x.to_numpy()) == pytest.approx(b, rel=1e-12)
