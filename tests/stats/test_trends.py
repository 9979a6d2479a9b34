"""Learning and fatigue."""

import json
from itertools import product
from math import inf, isnan

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from blindtest.errors import BlindtestError
from blindtest.stats import trial_trend
from blindtest.stats.trends import _heard_slope


def table(*runs):
    rows = [
        {"listener": f"L{who}", "trial": trial, "correct": right, "method": "abx"}
        for who, run in enumerate(runs, start=1)
        for trial, right in enumerate(run, start=1)
    ]
    return pd.DataFrame(rows)


def test_three_wrong_then_three_right():
    """Of the 20 ways to place three right answers among six trials one is as late: p = 1/20, doubled."""
    trend = trial_trend(table([0, 0, 0, 1, 1, 1]))
    assert trend.learning_p_value == pytest.approx(1 / 20)
    assert trend.p_value == pytest.approx(1 / 10)
    assert trend.fatigue_p_value == 1
    assert trend.first_half == (0, 3)
    assert trend.second_half == (3, 3)
    assert trend.halves_p_value == pytest.approx(1 / 10)
    assert trend.slope == inf
    assert trend.exact


def test_two_listeners_add_up():
    """Both as late as they can be: 1/20 times 1/20."""
    trend = trial_trend(table([0, 0, 0, 1, 1, 1], [0, 0, 0, 1, 1, 1]))
    assert trend.learning_p_value == pytest.approx(1 / 400)
    assert [one.listener for one in trend.by_listener] == ["L1", "L2"]
    assert [one.adjusted_p_value for one in trend.by_listener] == pytest.approx([0.2, 0.2])  # Holm: twice 1/10


def test_ability_is_no_trend():
    """A good and a bad listener of even scores: strata keep their difference out."""
    trend = trial_trend(table([1, 1, 0, 0, 1, 1], [0, 0, 1, 1, 0, 0]))
    assert trend.p_value > 0.9
    assert trend.z == 0


def test_every_p_comes_as_often_as_it_says():
    """All 2^6 sequences of a guesser: p at most .05 in at most .05 of them, and the slope's interval holds 0 in .95."""
    p, held = [], []
    for run in product((0, 1), repeat=6):
        trend = trial_trend(table(run))
        p.append((trend.p_value, trend.learning_p_value, trend.fatigue_p_value, trend.halves_p_value))
        held.append(trend.slope_interval[0] <= 0 <= trend.slope_interval[1])
    for column in np.array(p).T:
        for alpha in (0.05, 0.2):
            assert np.mean(column <= alpha + 1e-12) <= alpha
    assert np.mean(held) >= 0.95


@given(st.lists(st.lists(st.booleans(), min_size=2, max_size=8), min_size=1, max_size=3))
@settings(max_examples=15, deadline=None)
def test_played_backwards_learning_is_fatigue(runs):
    one, other = trial_trend(table(*runs)), trial_trend(table(*(run[::-1] for run in runs)))
    assert one.learning_p_value == pytest.approx(other.fatigue_p_value, rel=1e-9)
    assert one.p_value == pytest.approx(other.p_value, rel=1e-9)
    assert one.first_half == other.second_half
    if not isnan(one.slope):
        assert one.slope == pytest.approx(-other.slope, abs=1e-6)
    assert json.loads(json.dumps(one.to_dict(), allow_nan=False))["sentence"] == one.sentence


def test_rows_may_come_in_any_order():
    rows = table([0, 1, 0, 1, 1, 1, 1], [0, 0, 1, 1])
    shuffled = rows.sample(frac=1, random_state=2)
    assert trial_trend(shuffled).p_value == trial_trend(rows).p_value
    assert trial_trend(shuffled).order == "trial"
    assert trial_trend(rows.drop(columns="trial")).order == "the order of rows"


def test_within_a_sitting_the_order_of_sittings_plays_no_role():
    rows = table([0, 0, 0, 1, 1, 1])
    rows["sitting"] = [1, 1, 1, 2, 2, 2]
    assert trial_trend(rows).learning_p_value == pytest.approx(1 / 20)
    assert trial_trend(rows, within="sitting").p_value == 1


def test_the_slope_of_what_is_heard_is_the_maximum_of_its_likelihood():
    """Found again by scipy.optimize from several starts."""
    rng = np.random.default_rng(4)
    run = rng.random(60) < 0.5 + 0.5 / (1 + np.exp(-3 * np.linspace(-0.5, 0.5, 60)))
    t = np.linspace(-0.5, 0.5, 60)

    def loss(parameters):
        p = 0.5 + 0.5 / (1 + np.exp(-parameters[0] - parameters[1] * t))
        return -np.sum(np.where(run, np.log(p), np.log1p(-p)))

    best = min(
        (minimize(loss, (a, b), method="Nelder-Mead", tol=1e-12) for a in (-1, 1) for b in (-3, 0, 3)),
        key=lambda found: found.fun,
    )
    slope, (low, high) = _heard_slope([list(run)], 0.5, 0.95)
    assert slope == pytest.approx(best.x[1], abs=1e-4)
    assert low < slope < high
    at_low = minimize(lambda a: loss((a[0], low)), [0.0], method="Nelder-Mead", tol=1e-12).fun
    assert at_low == pytest.approx(best.fun + 1.920729, abs=1e-5)


def test_always_right_has_no_trend():
    trend = trial_trend(table([1] * 9))
    assert trend.p_value == 1
    assert trend.slope_interval == trend.heard_slope_interval == (-inf, inf)
    assert isnan(trend.slope)
    assert isnan(trend.heard_slope)


def test_one_trial_each():
    assert trial_trend(table([1], [0])).p_value == 1


@pytest.mark.parametrize(
    ("rows", "keywords", "text"),
    [
        (pd.DataFrame({"listener": ["a"]}), {"method": "abx"}, "no column 'correct'"),
        (pd.DataFrame({"correct": [None]}), {"method": "abx"}, "no trial of this table was answered"),
        (pd.DataFrame({"correct": [1, 0]}), {}, "must be of one method"),
        (pd.DataFrame({"correct": [1, 0]}), {"method": "abx", "within": "sitting"}, "which sitting"),
    ],
)
def test_tables_that_say_nothing_are_refused(rows, keywords, text):
    with pytest.raises(BlindtestError, match=text):
        trial_trend(rows, **keywords)


def test_the_sentence_says_both_halves():
    assert "0 of 3 right in the first half, 3 of 3 in the second" in trial_trend(table([0, 0, 0, 1, 1, 1])).sentence
