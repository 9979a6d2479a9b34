"""p value, limits and estimate after a group sequential test: exact, over every way it can end."""

from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binomtest

from blindtest.stats import discrimination_test, group_sequential, stagewise_result
from blindtest.stats.stopping.stagewise import _tails

PLANS = {
    "one-sided": group_sequential([10, 20, 30], spending="pocock"),
    "late": group_sequential([8, 16, 24], spending="obrien-fleming", guess=1 / 3, alpha=0.1),
    "futility": group_sequential([10, 20, 30], spending="linear", futility_proportion=0.75, beta=0.2),
    "two-sided": group_sequential([10, 20, 30], spending="pocock", two_sided=True),
}


@cache
def result_of(name, correct, trials):
    return stagewise_result(PLANS[name], correct, trials)


def endings(plan, p, *, futility=True):
    """Every (correct, trials) at which the test can end, with its chance."""
    ends = []
    for stage in plan.walk(p, futility=futility):
        last = stage.trials == plan.looks[-1]
        for place, chance in enumerate(stage.arriving.tolist()):
            k = stage.lowest + place
            stops = k >= stage.stop_high or k <= stage.stop_low
            if (stops or last) and chance > 0:
                ends.append((k, stage.trials, chance))
    return ends


def test_with_one_look_it_is_the_binomial_test():
    plan = group_sequential([16])
    found = stagewise_result(plan, 12, 16)
    fixed = discrimination_test(12, 16)
    assert found.p_value == pytest.approx(fixed.p_value, abs=1e-13)
    assert found.interval == pytest.approx(fixed.interval, abs=1e-12)
    assert found.lower_limit == pytest.approx(fixed.lower_limit, abs=1e-12)
    assert found.upper_limit == pytest.approx(fixed.upper_limit, abs=1e-12)
    two = stagewise_result(group_sequential([16], two_sided=True), 12, 16)
    # scipy.stats.binomtest, two-sided at 1/2
    assert two.p_value == pytest.approx(binomtest(12, 16).pvalue, abs=1e-13)


def test_ending_at_the_first_look_is_judged_as_if_there_had_been_no_other():
    """Nothing is more extreme than more right at the first look."""
    plan = group_sequential([20, 40, 60], spending="pocock")
    high = plan.stop_high[0]
    assert stagewise_result(plan, high, 20).p_value == pytest.approx(discrimination_test(high, 20).p_value, abs=1e-13)


@pytest.mark.parametrize("name", PLANS)
def test_the_chances_of_all_endings_add_up(name):
    for p in (0.2, 0.5, 0.8):
        assert sum(chance for *_, chance in endings(PLANS[name], p)) == pytest.approx(1, abs=1e-12)


@pytest.mark.parametrize("name", PLANS)
def test_a_guesser_gets_a_p_of_u_or_less_with_probability_u_at_most(name):
    plan = PLANS[name]
    found = [(result_of(name, k, n).p_value, chance) for k, n, chance in endings(plan, plan.guess)]
    for u in (0.001, 0.01, 0.025, 0.05, 0.1, 0.2, 0.5):
        assert sum(chance for p, chance in found if p <= u) <= u + 1e-12


@pytest.mark.parametrize("name", PLANS)
def test_a_test_that_rejects_has_a_p_of_alpha_at_most_and_another_has_not(name):
    plan = PLANS[name]
    for k, n, _ in endings(plan, plan.guess):
        found = result_of(name, k, n)
        if plan.two_sided:
            # Doubling the smaller tail may be a little more than both sides together.
            assert (found.p_value <= plan.alpha + 1e-12) >= found.decision.endswith("by guessing")
        elif found.decision == "more right than by guessing":
            assert found.p_value <= plan.alpha + 1e-12
        else:
            assert found.p_value > plan.real_alpha - 1e-12


@pytest.mark.parametrize("name", PLANS)
@pytest.mark.parametrize("p", [0.1, 1 / 3, 0.5, 0.65, 0.8, 0.95])
def test_limits_hold_the_truth_as_often_as_they_say(name, p):
    """Exact coverage over every way the test can end."""
    plan = PLANS[name]
    found = [(result_of(name, k, n), chance) for k, n, chance in endings(plan, p)]
    held = sum(chance for result, chance in found if result.interval[0] <= p <= result.interval[1])
    above = sum(chance for result, chance in found if result.lower_limit <= p)
    below = sum(chance for result, chance in found if p <= result.upper_limit)
    assert min(held, above, below) >= 0.95 - 1e-9
    # Median unbiased but for the steps of a count: neither side has more than half and half of the largest step.
    half = (1 + max(chance for _, chance in found)) / 2 + 1e-12
    assert sum(chance for result, chance in found if result.estimate > p) <= half
    assert sum(chance for result, chance in found if result.estimate < p) <= half


def test_p_and_lower_limit_hold_where_a_bound_for_futility_was_passed():
    plan = PLANS["futility"]
    ends = endings(plan, plan.guess, futility=False)
    found = [(result_of("futility", k, n), chance) for k, n, chance in ends]
    for u in (0.01, 0.05, 0.2):
        assert sum(chance for result, chance in found if result.p_value <= u) <= u + 1e-12
    assert sum(chance for result, chance in found if result.lower_limit <= plan.guess) >= 0.95 - 1e-12


@settings(max_examples=25)
@given(st.sampled_from(sorted(PLANS)), st.floats(0.02, 0.97), st.data())
def test_the_chance_to_end_as_high_rises_with_the_proportion(name, p, data):
    """Stochastic order, without which limits would not be limits."""
    plan = PLANS[name]
    k, n, _ = data.draw(st.sampled_from(endings(plan, 0.5)))
    above, below = _tails(plan, plan.decide(k, n), k, n)
    assert above(p) <= above(p + 0.02) + 1e-12
    assert below(p) >= below(p + 0.02) - 1e-12


def test_later_and_lower_endings_say_less():
    plan = PLANS["one-sided"]
    high = [(plan.stop_high[0], 10), (plan.stop_high[1], 20), (plan.stop_high[2], 30), (plan.stop_high[2] - 1, 30)]
    p_values = [stagewise_result(plan, k, n).p_value for k, n in high]
    assert p_values == sorted(p_values)
    # An early end overstates the share right: the estimate lies below it.
    early = stagewise_result(plan, plan.stop_high[0], 10)
    assert early.estimate < early.proportion


def test_words():
    found = stagewise_result(group_sequential([20, 40, 60, 80, 100], spending="linear"), 30, 40)
    assert found.sentence.startswith(
        "more right than by guessing: 30 of 40 right (at most 100 trials planned), p = 0.006"
    )
    assert found.to_dict()["planned_trials"] == 100


def test_nothing_right_and_everything_right():
    plan = group_sequential([6, 10], spending="pocock")
    assert stagewise_result(plan, 6, 6).interval[1] == 1
    none = stagewise_result(plan, 0, 10)
    assert none.interval[0] == 0
    assert none.p_value == 1
    assert 0 <= none.estimate < 0.2


@pytest.mark.parametrize(
    ("correct", "trials", "level", "message"),
    [
        (20, 40, 0.95, "reaches no bound: the test goes on"),
        (20, 41, 0.95, "no look after 41 trials"),
        (60, 60, 0.95, "can't be reached: the test must have ended at an earlier look"),
        (50, 40, 0.95, "the number correct"),
        (40, 60, 1.0, "level must lie between 0 and 1"),
    ],
)
def test_what_has_not_ended_or_cannot_be_is_refused(correct, trials, level, message):
    plan = group_sequential([20, 40, 60], spending="pocock")
    with pytest.raises(ValueError, match=message):
        stagewise_result(plan, correct, trials, level=level)


@pytest.mark.parametrize("name", PLANS)
@pytest.mark.parametrize("p", [0.3, 0.5, 0.8])
def test_the_two_tails_share_the_ending_itself_and_nothing_else(name, p):
    """The definition of both: as high or higher, as low or lower. Limits that are too wide would cover, too."""
    plan = PLANS[name]
    for k, n, chance in endings(plan, p):
        decision = plan.decide(k, n)
        above, below = _tails(plan, decision, k, n)
        if name == "futility" and decision not in ("futile", "fewer right than by guessing"):
            assert above(p) + below(p) >= 1 + chance - 1e-12  # bounds for futility may be passed: that can only add
        else:
            assert above(p) + below(p) == pytest.approx(1 + chance, abs=1e-12)
