"""Friedman's test: tables of the exact distribution, scipy, enumeration, laws, degenerate tables."""

import json
from itertools import permutations, product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import f, friedmanchisquare, rankdata

from blindtest.errors import BlindtestError
from blindtest.stats import friedman_test


def long(values, treatments="ABCDEFG"):
    rows = [(f"L{i}", treatments[j], v) for i, row in enumerate(values) for j, v in enumerate(row)]
    return pd.DataFrame(rows, columns=["listener", "device", "rating"])


@pytest.mark.parametrize(
    ("ranks", "statistic", "p"),
    [
        ([(1, 2, 3)] * 3, 6.0, 0.028),
        ([(1, 2, 3)] * 2 + [(1, 3, 2)], 14 / 3, 0.194),
        ([(1, 2, 3)] * 3 + [(2, 1, 3)], 6.5, 0.042),
        ([(1, 2, 3)] * 4, 8.0, 0.0046),
        ([(1, 2, 3, 4)] * 2, 6.0, 0.042),
        ([(1, 2, 3, 4), (1, 2, 4, 3)], 5.4, 0.167),
        ([(1, 2, 3, 4)] * 3, 9.0, 0.0017),
    ],
)
def test_exact_probabilities_are_those_of_the_tables(ranks, statistic, p):
    """Friedman 1937, as in Siegel 1956, Nonparametric Statistics, table N (three or four digits; from memory)."""
    result = friedman_test(long(ranks))
    assert result.exact
    assert result.statistic == pytest.approx(statistic, abs=1e-12)
    assert result.p_value == pytest.approx(p, abs=5e-4 if p > 0.01 else 5e-5)


def test_chi_square_with_ties_is_that_of_scipy():
    rng = np.random.default_rng(1)
    values = rng.integers(0, 5, (9, 4)).astype(float)
    theirs = friedmanchisquare(*values.T)
    result = friedman_test(long(values), exact=False)
    assert result.statistic == pytest.approx(theirs.statistic, rel=1e-12)
    assert result.p_value == result.p_chi_square == pytest.approx(theirs.pvalue, rel=1e-10)
    assert result.mean_ranks == pytest.approx(np.apply_along_axis(rankdata, 1, values).mean(axis=0))


def test_f_is_the_analysis_of_variance_of_the_ranks():
    """Conover 1999, Practical Nonparametric Statistics, 5.8: the two-way analysis of ranks; F's tail by scipy."""
    values = np.random.default_rng(4).integers(0, 6, (9, 4)).astype(float)
    ranks = np.apply_along_axis(rankdata, 1, values)
    between = 9 * np.sum((ranks.mean(axis=0) - ranks.mean()) ** 2) / 3
    within = np.sum((ranks - ranks.mean(axis=0) - ranks.mean(axis=1, keepdims=True) + ranks.mean()) ** 2) / 24
    result = friedman_test(long(values))
    assert result.f_value == pytest.approx(between / within, rel=1e-10)
    assert result.p_f == pytest.approx(f.sf(between / within, 3, 24), rel=1e-10)


def test_concordance_is_kendalls():
    """Kendall and Babington Smith 1939: 12 S / (n^2 (k^3 - k)) without ties; 1 where all agree."""
    values = np.random.default_rng(5).permuted(np.tile(np.arange(4.0), (7, 1)), axis=1)
    apart = np.sum((values.sum(axis=0) - values.sum(axis=0).mean()) ** 2)
    assert friedman_test(long(values)).kendall_w == pytest.approx(12 * apart / (49 * 60), rel=1e-12)
    alike = friedman_test(long([(1, 2, 3)] * 4))
    assert (alike.kendall_w, alike.f_value, alike.p_f) == (pytest.approx(1), np.inf, 0.0)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_exact_with_ties_is_the_enumeration(seed):
    """All orders of every block's own ranks: 6^4 of them."""
    values = np.random.default_rng(seed).integers(0, 3, (4, 3)).astype(float)
    ranks = np.apply_along_axis(rankdata, 1, values)
    observed = np.sum(ranks.sum(axis=0) ** 2)
    orders = [list(permutations(row)) for row in ranks]
    sums = np.array([np.sum(np.sum(choice, axis=0) ** 2) for choice in product(*orders)])
    assert friedman_test(long(values)).p_value == pytest.approx(np.mean(sums >= observed - 1e-9), abs=1e-12)


def test_two_treatments_are_the_sign_test():
    """9 of 10 prefer B: 2 (1 + 10) / 2^10."""
    values = [(1, 2)] * 9 + [(2, 1)]
    assert friedman_test(long(values)).p_value == pytest.approx(22 / 1024, abs=1e-12)


VALUES = st.lists(st.lists(st.integers(1, 4), min_size=3, max_size=3), min_size=2, max_size=5)


@settings(max_examples=15)
@given(VALUES, st.permutations(range(3)), st.randoms(use_true_random=False))
def test_names_order_and_scale_are_nothing(values, order, random):
    table = long(values)
    other = long([[10 * row[i] - 100 for i in order] for row in values])
    other = other.sample(frac=1, random_state=random.randint(0, 999))
    a, b = friedman_test(table), friedman_test(other)
    assert b.p_value == pytest.approx(a.p_value, abs=1e-12, nan_ok=True)
    assert sorted(b.mean_ranks) == pytest.approx(sorted(a.mean_ranks))


def test_blocks_may_be_products_and_repeats_are_averaged(references):
    panel = pd.read_csv(references / "data" / "panel_ratings_small.csv")
    by_listener = friedman_test(panel)
    assert by_listener.blocks == 8
    assert "Up to 8 scores of a cell" in by_listener.sentence
    assert friedman_test(panel, block=("listener", "clip")).blocks == 32


def test_a_large_design_takes_chi_square():
    values = np.random.default_rng(3).normal(size=(60, 6))
    assert not friedman_test(long(values)).exact
    with pytest.raises(BlindtestError, match="the exact test would take too long"):
        friedman_test(long(values), exact=True)


def test_one_block_and_all_ties_are_defined():
    one = friedman_test(long([(1, 2, 3)]))
    assert one.p_value == 1
    assert np.isnan(one.p_f)
    alike = friedman_test(long([(5, 5, 5), (2, 2, 2)]))
    assert np.isnan(alike.p_value)
    assert "nothing to test" in alike.sentence
    assert json.loads(json.dumps(alike.to_dict()))["p_value"] is None


def test_incomplete_blocks_are_left_out_by_name():
    table = long([(1, 2, 3), (2, 1, 3), (1, 3, 2)]).drop(index=4)
    result = friedman_test(table)
    assert result.blocks == 2
    assert "Left out, not scored everywhere: L1." in result.sentence


@pytest.mark.parametrize(
    ("table", "message"),
    [
        (long([(1,), (2,)]), "there is nothing to compare, got 'A'"),
        (long([(1, 2), (2, 1)]).drop(index=[0, 3]), "no listener was scored on every device"),
        (long([(1, 2)]).drop(columns="device"), "device: the table of scores has no such column"),
        (long([(1, float("inf"))]), "line 2: rating: not a number, got inf"),
        (long([(1, True)]), "line 2: rating: not a number, got true"),
        (long([(np.nan, np.nan)]), "the table holds no score"),
    ],
)
def test_tables_without_an_answer_are_refused(table, message):
    with pytest.raises(BlindtestError, match=message):
        friedman_test(table)
