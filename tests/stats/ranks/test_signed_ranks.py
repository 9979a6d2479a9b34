"""Signed ranks: R's examples, enumeration with ties and zeros, coverage of the interval, degenerate input."""

import json
from itertools import product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import rankdata, wilcoxon

from blindtest.errors import BlindtestError
from blindtest.stats import signed_rank_pairs, signed_rank_test

# Hollander & Wolfe 1973, p. 29: depression scale of nine patients before and after a tranquilizer, the example of R's
# wilcox.test.
BEFORE = np.array([1.83, 0.50, 1.62, 2.48, 1.68, 1.88, 1.55, 3.06, 1.30])
AFTER = np.array([0.878, 0.647, 0.598, 2.05, 1.06, 1.29, 1.06, 3.14, 1.29])


def test_the_example_of_hollander_and_wolfe():
    """R's ?wilcox.test: V = 40, p = .01953 (greater); the estimate, 0.46, from Hollander & Wolfe (from memory)."""
    result = signed_rank_test(BEFORE - AFTER, alternative="greater")
    assert result.statistic == 40
    assert result.exact
    assert result.p_value == pytest.approx(10 / 2**9, abs=1e-12)
    assert result.estimate == pytest.approx(0.46, abs=1e-9)


def test_interval_is_that_of_its_definition():
    """Walsh averages cut off at the 6th from each end: P(V <= 5) = 10/512 <= .025 < P(V <= 6) = 14/512."""
    d = BEFORE - AFTER
    walsh = np.sort([(d[i] + d[j]) / 2 for i in range(9) for j in range(i, 9)])
    assert signed_rank_test(d).interval == pytest.approx((walsh[5], walsh[-6]), abs=1e-12)


def test_ties_are_those_of_coin(references, expected):
    """coin 1.4.2 wilcoxsign_test(exact), exactRankTests 0.8.35; wilcox.test with continuity correction."""
    r = expected("agreement_shrout_fleiss")["wilcoxon_J1_J2"]
    ratings = pd.read_csv(references / "data" / "ratings_matrix_shrout_fleiss.csv")
    d = ratings["J1"] - ratings["J2"]
    result = signed_rank_test(d)
    assert result.statistic == r["V"]
    assert result.p_value == pytest.approx(r["p_exact_coin_pratt"], abs=1e-9)
    assert signed_rank_test(d, zeros="wilcoxon").p_value == pytest.approx(r["p_exact_zeros_dropped"], abs=1e-9)
    assert signed_rank_test(d, exact=False).p_value == pytest.approx(r["p_normal_cc"], abs=1e-9)


def enumerated(d, zeros):
    used = d if zeros == "pratt" else d[d != 0]
    ranks = rankdata(np.abs(used))[used != 0]
    signs = np.sign(used[used != 0])
    observed = ranks[signs > 0].sum()
    sums = np.array([np.dot(choice, ranks) for choice in product([0, 1], repeat=len(ranks))])
    up, down = np.mean(sums >= observed - 1e-9), np.mean(sums <= observed + 1e-9)
    return {"greater": up, "less": down, "two-sided": min(1, 2 * min(up, down))}


DIFFERENCES = st.lists(st.integers(-4, 4), min_size=1, max_size=10).filter(any)


@settings(max_examples=60)
@given(DIFFERENCES, st.sampled_from(["pratt", "wilcoxon"]), st.sampled_from(["two-sided", "greater", "less"]))
def test_exact_with_ties_and_zeros_is_the_enumeration(differences, zeros, alternative):
    d = np.array(differences, dtype=float)
    result = signed_rank_test(d, zeros=zeros, alternative=alternative)
    assert result.p_value == pytest.approx(enumerated(d, zeros)[alternative], abs=1e-12)


@settings(max_examples=40)
@given(DIFFERENCES)
def test_turning_all_signs_turns_the_test(differences):
    d = np.array(differences, dtype=float)
    a, b = signed_rank_test(d, alternative="greater"), signed_rank_test(-d, alternative="less")
    assert a.p_value == pytest.approx(b.p_value, abs=1e-12)
    assert a.estimate == pytest.approx(-b.estimate, abs=1e-12)


def test_without_ties_it_is_scipys():
    d = np.random.default_rng(8).normal(0.3, 1, 30)
    assert signed_rank_test(d).p_value == pytest.approx(wilcoxon(d, method="exact").pvalue, rel=1e-9)


def test_sizes_split_by_arithmetic_are_ties():
    a, b = signed_rank_test([0.1 + 0.2, -0.3, 0.3, 0.7]), signed_rank_test([3, -3, 3, 7])
    assert a.p_value == b.p_value
    assert a.tied == b.tied == 3


def test_many_differences_take_the_normal_distribution():
    d = np.random.default_rng(9).normal(0.1, 1, 250)
    result = signed_rank_test(d)
    assert not result.exact
    assert result.p_value == pytest.approx(signed_rank_test(d, exact=True).p_value, rel=0.02)


def test_the_interval_covers(references):
    """Normal differences, n = 10, 600 studies, seed 4: exact level .951; three Monte Carlo errors are .027."""
    rng = np.random.default_rng(4)
    held = [low <= 0.5 <= high for low, high in (signed_rank_test(rng.normal(0.5, 1, 10)).interval for _ in range(600))]
    assert np.mean(held) == pytest.approx(0.951, abs=0.027)


def test_degenerate_differences_are_defined():
    zeros = signed_rank_test([0, 0, 0])
    assert zeros.p_value == 1
    assert "there is nothing to test" in zeros.sentence
    one = signed_rank_test([2.5])
    assert (one.p_value, one.interval) == (1, (-np.inf, np.inf))
    assert json.loads(json.dumps(one.to_dict()))["interval"] == [None, None]


def test_what_is_no_difference_is_refused():
    with pytest.raises(BlindtestError, match="needs a sequence of differences"):
        signed_rank_test([])
    with pytest.raises(BlindtestError, match="line 2: a difference is not a finite number, got nan"):
        signed_rank_test([1, np.nan])
    with pytest.raises(ValueError, match="no alternative 'both'"):
        signed_rank_test([1], alternative="both")
    with pytest.raises(ValueError, match="no treatment of zeros 'drop'"):
        signed_rank_test([1], zeros="drop")


def test_pairs_of_devices_are_adjusted_together(references):
    panel = pd.read_csv(references / "data" / "panel_ratings_small.csv")
    pairs = signed_rank_pairs(panel)
    assert list(zip(pairs["a"], pairs["b"], strict=True)) == [("A", "B"), ("A", "C"), ("B", "C")]
    means = panel.groupby(["listener", "device"])["rating"].mean().unstack()
    theirs = wilcoxon(means["A"] - means["C"], method="exact").pvalue
    assert pairs.loc[1, "p_value"] == pytest.approx(theirs, rel=1e-9)
    assert (pairs["p_adjusted"] >= pairs["p_value"]).all()


def test_limits_of_many_differences_are_those_of_the_exact_distribution():
    """Beyond 200 differences by the normal law: no more than three averages from where all 2^220 orders would cut."""
    d = np.random.default_rng(6).normal(0.1, 1, 220)
    chances = np.ones(1)
    for rank in range(1, 221):
        chances = (np.concatenate([chances, np.zeros(rank)]) + np.concatenate([np.zeros(rank), chances])) / 2
    cut = int(np.searchsorted(np.cumsum(chances), 0.025, side="right"))
    i, j = np.triu_indices(220)
    averages = np.sort((d[i] + d[j]) / 2)
    low, high = signed_rank_test(d).interval
    assert averages[cut - 4] <= low <= averages[cut + 2]
    assert averages[-cut - 3] <= high <= averages[-cut + 3]
