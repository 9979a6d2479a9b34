"""Adjusted p values."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.multitest import multipletests

from blindtest.stats import adjust_p_values

STATSMODELS = {"holm": "holm", "bh": "fdr_bh", "hommel": "hommel", "hochberg": "simes-hochberg"}
families = st.lists(st.floats(0, 1), min_size=1, max_size=9)
every = st.sampled_from(sorted(STATSMODELS))


def test_r(expected):
    # R 4.2.2 p.adjust; 1e-12
    case = expected("p_adjust_short")
    assert adjust_p_values(case["p"]) == pytest.approx(case["holm"], abs=1e-12)
    assert adjust_p_values(case["p"], method="bh") == pytest.approx(case["BH"], abs=1e-12)
    assert adjust_p_values(case["p"], method="hommel") == pytest.approx(case["hommel"], abs=1e-12)


def test_r_over_twenty_listeners(expected):
    # R 4.2.2 p.adjust; 1e-9
    case = expected("abx_small_tests")["per_listener_pair"]
    for method in ("holm", "bh", "hommel"):
        ours = adjust_p_values(case["p_one_sided"], method=method)
        assert ours == pytest.approx(case[f"p_one_sided_{method}_all"], abs=1e-9)


def test_methods_13():
    # methods 9.1 #13
    assert adjust_p_values([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert adjust_p_values([0.01, 0.04, 0.03, 0.005], method="bh") == pytest.approx([0.02, 0.04, 0.04, 0.02])


@settings(max_examples=30)  # theirs takes its time
@given(families, every)
def test_statsmodels(p, method):
    theirs = multipletests(p, method=STATSMODELS[method])[1]
    assert adjust_p_values(p, method=method) == pytest.approx(theirs, abs=1e-12)


@given(st.lists(st.floats(0, 1), min_size=1, max_size=6))
def test_hommel_closes_the_family_under_simes_test(p):
    """By definition: the largest Simes p of all intersections that hold the hypothesis, listed one by one."""
    closed = []
    for i in range(len(p)):
        others = [k for k in range(len(p)) if k != i]
        groups = [(i, *rest) for size in range(len(p)) for rest in combinations(others, size)]
        simes = [min(len(g) * q / rank for rank, q in enumerate(sorted(p[k] for k in g), 1)) for g in groups]
        closed.append(min(1, max(simes)))
    assert adjust_p_values(p, method="hommel") == pytest.approx(closed, abs=1e-12)


@given(families, every, st.randoms())
def test_order_of_the_tests_does_not_matter(p, method, random):
    order = list(range(len(p)))
    random.shuffle(order)
    shuffled = adjust_p_values([p[i] for i in order], method=method)
    assert shuffled == pytest.approx(adjust_p_values(p, method=method)[order], abs=1e-12)


@given(families)
def test_stronger_methods_never_give_more(p):
    holm, hochberg, hommel = (adjust_p_values(p, method=m) for m in ("holm", "hochberg", "hommel"))
    assert np.all(np.asarray(p) <= hommel + 1e-12)
    assert np.all(hommel <= hochberg + 1e-12)
    assert np.all(hochberg <= holm + 1e-12)


def test_one_test_stays_as_it_is_and_none_is_none():
    assert adjust_p_values([0.03]) == pytest.approx([0.03])
    assert adjust_p_values([]).size == 0


@pytest.mark.parametrize("p", [[0.1, 1.2], [-0.1], [float("nan")], [[0.1, 0.2]]])
def test_what_is_no_p_value_is_refused(p):
    with pytest.raises(ValueError, match="p values must"):
        adjust_p_values(p)


def test_an_unknown_method_is_refused():
    with pytest.raises(ValueError, match="no adjustment 'sidak'"):
        adjust_p_values([0.1], method="sidak")
