"""Answers that come for their own sake."""

import json
from itertools import product
from math import isnan

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom, fisher_exact, norm

from blindtest.errors import BlindtestError
from blindtest.stats import d_prime_from_rates, response_bias


def table(right_a, wrong_a, right_b, wrong_b, listener="L1"):
    """Trials whose truth is A, answered right and wrong, then those whose truth is B."""
    rows = [("A", 1)] * right_a + [("B", 0)] * wrong_a + [("B", 1)] * right_b + [("A", 0)] * wrong_b
    return pd.DataFrame(rows, columns=["response", "correct"]).assign(listener=listener, method="abx")


def test_a_listener_who_says_a_too_readily():
    # scipy 1.17.1 fisher_exact; methods 2.3: unbiased pc = Phi((z(H) - z(F))/2)
    bias = response_bias(table(18, 2, 9, 11))
    assert bias.p_value == pytest.approx(fisher_exact([[18, 2], [9, 11]]).pvalue, rel=1e-9)
    assert (bias.hits, bias.false_alarms) == (0.9, pytest.approx(0.55))
    assert bias.proportion == 27 / 40
    assert bias.unbiased_proportion == pytest.approx(norm.cdf((norm.ppf(0.9) - norm.ppf(0.55)) / 2), abs=1e-12)
    assert bias.unbiased_d_prime == pytest.approx(d_prime_from_rates(0.9, 0.55, "abx"), abs=1e-9)
    assert bias.unbiased_d_prime > bias.d_prime
    assert bias.criterion < 0
    assert bias.given == (29, 11)
    assert bias.trials == (20, 20)
    assert '"A" was answered 29 times and right in 20 trials' in bias.sentence


def test_without_bias_both_scores_agree():
    bias = response_bias(table(15, 5, 15, 5))
    assert bias.p_value == pytest.approx(1, abs=1e-12)
    assert bias.unbiased_proportion == pytest.approx(0.75, abs=1e-12)
    assert bias.unbiased_d_prime == pytest.approx(bias.d_prime, abs=1e-9)
    assert bias.criterion == pytest.approx(0, abs=1e-12)


def test_a_guesser_is_called_biased_no_oftener_than_stated():
    """All answers to 6 + 6 trials, their probabilities added up."""
    p = {(a, b): response_bias(table(a, 6 - a, b, 6 - b)).p_value for a, b in product(range(7), repeat=2)}
    # unbiased and able: right with the same chance on both sides
    for chance in (0.5, 0.7, 0.9):
        rate = sum(binom.pmf(a, 6, chance) * binom.pmf(b, 6, chance) for (a, b), value in p.items() if value <= 0.05)
        assert rate <= 0.05
    # biased: A is said with .9 whatever is heard; .659 of such listeners are found with 12 trials
    assert sum(binom.pmf(a, 6, 0.9) * binom.pmf(b, 6, 0.1) for (a, b), value in p.items() if value <= 0.05) > 0.65


def test_listeners_are_strata():
    """Two listeners of opposite bias: each is named, both together show none."""
    both = pd.concat([table(18, 2, 6, 14, "L1"), table(6, 14, 18, 2, "L2")])
    bias = response_bias(both)
    assert bias.listener == "(all)"
    assert bias.p_value == pytest.approx(1, abs=1e-12)
    assert [one.listener for one in bias.by_listener] == ["L1", "L2"]
    assert all(one.adjusted_p_value < 0.01 for one in bias.by_listener)
    assert all(one.adjusted_p_value == pytest.approx(2 * one.p_value) for one in bias.by_listener)
    assert json.loads(json.dumps(bias.to_dict(), allow_nan=False))["sentence"] == bias.sentence


def test_names_and_order_of_rows_say_nothing():
    rows = table(14, 6, 9, 11)
    renamed = rows.assign(response=rows["response"].map({"A": "second", "B": "first"})).sample(frac=1, random_state=1)
    one, other = response_bias(rows), response_bias(renamed)
    assert one.p_value == pytest.approx(other.p_value, rel=1e-12)
    assert one.unbiased_d_prime == pytest.approx(other.unbiased_d_prime, abs=1e-9)
    assert one.criterion == pytest.approx(-other.criterion, abs=1e-12)


def test_three_positions_of_a_triangle():
    """Freeman & Halton by hand: 2 of 2, 0 of 2, 0 of 2 right; of the 15 ways to place two, 3 x 1 are as uneven."""
    rows = pd.DataFrame(
        {
            "truth": ["1", "1", "2", "2", "3", "3"],
            "response": ["1", "1", "1", "1", "1", "2"],
            "correct": [1, 1, 0, 0, 0, 0],
        }
    )
    bias = response_bias(rows, method="triangle")
    assert bias.p_value == pytest.approx(3 / 15)
    assert isnan(bias.unbiased_d_prime)
    assert bias.trials == (2, 2, 2)
    assert bias.given == (5, 1, 0)


def test_the_interval_holds_the_estimate():
    for counts in ((18, 2, 9, 11), (10, 0, 5, 5), (10, 0, 10, 0), (3, 7, 4, 6)):
        bias = response_bias(table(*counts))
        low, high = bias.unbiased_d_prime_interval
        assert 0 <= low <= high
        if not isnan(bias.unbiased_d_prime):
            assert low - 1e-9 <= bias.unbiased_d_prime <= high


def test_one_answer_only_throughout_leaves_d_prime_open():
    bias = response_bias(table(10, 0, 0, 10))  # A, whatever was right
    assert isnan(bias.unbiased_d_prime)
    assert bias.p_value == pytest.approx(2 / 184756, rel=1e-9)  # the two extremes of C(20, 10)
    assert bias.unbiased_d_prime_interval[1] == np.inf


@pytest.mark.parametrize(
    ("rows", "text"),
    [
        (pd.DataFrame({"correct": [1]}), "no column 'response'"),
        (pd.DataFrame({"response": ["A"], "correct": [None]}), "no trial"),
        (pd.DataFrame({"response": ["A", "A"], "correct": [1, 1]}), "only one answer occurs"),
        (pd.DataFrame({"response": ["A", "B", "C"], "correct": [1, 0, 1]}), "add a column 'truth'"),
        (pd.DataFrame({"response": ["A", "B"], "truth": ["A", "A"], "correct": [1, 1]}), "contradict"),
    ],
)
def test_tables_that_say_nothing_are_refused(rows, text):
    with pytest.raises(BlindtestError, match=text):
        response_bias(rows, method="abx")
