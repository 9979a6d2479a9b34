"""Exact distributions of sums over trials drawn at random."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import fisher_exact, mannwhitneyu
from statsmodels.discrete.conditional_models import ConditionalLogit

from blindtest.stats import exact_sums
from blindtest.stats.exact_sums import score_sum, tilt

strata = st.lists(
    st.lists(st.tuples(st.integers(-4, 4), st.booleans()), min_size=1, max_size=6), min_size=1, max_size=3
).map(lambda every: [([s for s, _ in own], [c for _, c in own]) for own in every])


@given(strata)
@settings(max_examples=60)
def test_it_is_what_counting_every_draw_gives(every):
    """All ways to choose as many within each stratum, counted one by one."""
    sums = [0]
    for scores, chosen in every:
        sums = [a + sum(draw) for a in sums for draw in combinations(scores, sum(chosen))]
    sums = np.array(sums)
    found = score_sum(every)
    assert found.upper == pytest.approx(np.mean(sums >= found.observed), rel=1e-9)
    assert found.lower == pytest.approx(np.mean(sums <= found.observed), rel=1e-9)
    assert found.mean == pytest.approx(sums.mean(), abs=1e-9)
    assert found.std == pytest.approx(sums.std(), abs=1e-9)
    values, ways = np.unique(sums, return_counts=True)
    here = ways[values == found.observed][0]
    assert found.two_sided == pytest.approx(ways[ways <= here].sum() / len(sums), rel=1e-9)


def test_zeros_and_ones_are_fishers_test():
    # scipy 1.17.1 fisher_exact; the lady's tea of Fisher 1935: 3 of 4 and 1 of 4, p = 17/70
    tea = score_sum([([1] * 4 + [0] * 4, [1, 1, 1, 0, 1, 0, 0, 0])])
    assert tea.upper == pytest.approx(17 / 70, rel=1e-12)
    found = score_sum([([1] * 20 + [0] * 15, [1] * 14 + [0] * 6 + [1] * 5 + [0] * 10)])
    assert found.two_sided == pytest.approx(fisher_exact([[14, 6], [5, 10]]).pvalue, rel=1e-9)


def test_positions_are_the_rank_sum_test():
    # scipy 1.17.1 mannwhitneyu, method exact
    right = np.array([0, 0, 1, 0, 1, 1, 0, 1, 1, 1, 1], dtype=bool)
    found = score_sum([(list(range(11)), list(right))])
    theirs = mannwhitneyu(np.flatnonzero(right), np.flatnonzero(~right), alternative="greater", method="exact")
    assert found.upper == pytest.approx(theirs.pvalue, rel=1e-9)


def test_the_normal_distribution_stands_in_where_counting_takes_too_long(monkeypatch):
    rng = np.random.default_rng(3)
    right = list(rng.random(120) < 0.6)
    exact = score_sum([(list(range(120)), right)])
    monkeypatch.setattr(exact_sums, "MOST_WORK", 0)
    near = score_sum([(list(range(120)), right)])
    assert exact.exact
    assert not near.exact
    assert near.upper == pytest.approx(exact.upper, abs=0.002)
    assert near.std == pytest.approx(exact.std, rel=1e-12)
    assert tilt(near, level=0.95)[0] == pytest.approx(tilt(exact, level=0.95)[0], abs=0.1 / exact.std)


def test_the_tilt_is_the_conditional_maximum():
    # statsmodels 0.15.0 ConditionalLogit: three strata, slope per unit of score
    rng = np.random.default_rng(8)
    runs = [list(rng.random(12) < np.linspace(0.3, 0.9, 12)) for _ in range(3)]
    found = score_sum([(list(range(12)), run) for run in runs])
    theirs = ConditionalLogit(
        np.concatenate(runs).astype(int), np.tile(np.arange(12.0), 3)[:, None], groups=np.repeat([0, 1, 2], 12)
    ).fit(disp=False)
    assert tilt(found, level=0.95)[0] == pytest.approx(theirs.params[0], abs=1e-5)


@given(strata, st.sampled_from((0.8, 0.95)))
@settings(max_examples=40)
def test_interval_and_tails_never_disagree(every, level):
    found = score_sum(every)
    estimate, (low, high) = tilt(found, level=level)
    if found.std > 0:
        assert low <= estimate <= high
        for limit, tail in ((low, found.upper), (-high, found.lower)):
            if abs(tail - (1 - level) / 2) > 1e-9:
                assert (limit > 0) == (tail < (1 - level) / 2)


def test_nothing_to_vary():
    alike = score_sum([([1, 1, 1], [True, False, True]), ([], [])])
    assert alike.upper == alike.lower == alike.two_sided == 1
    assert alike.z == 0
    assert tilt(alike, level=0.95)[1] == (-np.inf, np.inf)
