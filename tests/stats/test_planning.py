"""Power, numbers of trials, and what a plan can show."""

import json
from math import isnan

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from blindtest.design import chance_of_negligible, most_correct_for_negligible
from blindtest.stats import (
    conclude,
    detectable_effect,
    minutes_plan,
    plan_chances,
    power,
    proportion_at,
    proportion_correct,
    sample_size,
)


def test_power_is_that_of_the_oracle(expected):
    # scipy 1.17.1 with exact rational critical values; 1e-9
    for case in expected("binomial_power_short")["power"]:
        assert case["guess"] == "1/2"
        result = power(case["n"], proportion=case["pc"], method="abx", alpha=case["alpha"])
        assert result.critical_number == case["critical"]
        assert result.power == pytest.approx(case["power"], abs=1e-9)


def test_numbers_of_trials_are_those_of_the_oracle(expected):
    for case in expected("binomial_power_short")["sample_size_for_pd"]:
        method = {"1/2": "abx", "1/3": "triangle"}[case["guess"]]
        result = sample_size(proportion=case["pc"], method=method, alpha=case["alpha"], power=case["target_power"])
        assert (result.first, result.safe) == (case["n_first"], case["n_safe"])
        assert (result.critical_at_first, result.critical_at_safe) == (
            case["critical_at_first"],
            case["critical_at_stable"],
        )
        assert result.power_at_first == pytest.approx(case["power_at_first"], abs=1e-9)
        assert result.power_at_safe == pytest.approx(case["power_at_stable"], abs=1e-9)


METHODS_2_4 = [
    # method, pd, 80 % first/safe, 90 % first/safe
    ("abx", 0.2, (158, 169), (213, 224)),
    ("abx", 0.3, (69, 76), (93, 102)),
    ("abx", 0.4, (37, 42), (53, 58)),
    ("abx", 0.5, (23, 28), (33, 35)),
    ("abx", 0.6, (18, 18), (23, 26)),
    ("abx", 0.8, (8, 11), (11, 13)),
    ("triangle", 0.2, (87, 94), (117, 124)),
    ("triangle", 0.3, (40, 42), (53, 57)),
    ("triangle", 0.4, (23, 25), (30, 34)),
    ("triangle", 0.5, (16, 16), (20, 22)),
    ("triangle", 0.6, (9, 11), (15, 15)),
    ("triangle", 0.8, (5, 5), (7, 7)),
]


@pytest.mark.parametrize(("method", "pd", "eighty", "ninety"), METHODS_2_4)
def test_numbers_of_trials_of_methods(method, pd, eighty, ninety):
    # methods 2.4
    for target, numbers in ((0.8, eighty), (0.9, ninety)):
        result = sample_size(proportion=proportion_at(pd, method), method=method, power=target)
        assert (result.first, result.safe) == numbers


@pytest.mark.parametrize(("pc", "missed"), [(0.6, 0.8334), (0.7, 0.5501), (0.8, 0.2018)])
def test_leventhal_sixteen_trials(pc, missed):
    # Leventhal 1986, JAES 34: type II error of 16 trials with criterion 12 (methods 2.4, 9.1 #7)
    result = power(16, proportion=pc, method="abx")
    assert result.critical_number == 12
    assert result.type_ii_error == pytest.approx(missed, abs=5e-5)


def test_leventhal_fifty_and_a_hundred_trials():
    # methods 9.1 #7 and 2.4
    fifty = power(50, proportion=0.6, method="abx")
    assert fifty.critical_number == 32
    assert fifty.type_ii_error == pytest.approx(0.6644, abs=5e-5)
    assert power(100, proportion=0.6, method="abx").type_ii_error == pytest.approx(0.3775, abs=5e-5)


def test_power_of_methods():
    # methods 9.1 #8 and, through d', 9.2 #19 (R package sensR)
    assert power(20, proportion=0.75, method="abx").power == pytest.approx(0.617173, abs=5e-7)
    tetrad = power(50, proportion=proportion_correct(1.0, "tetrad"), method="tetrad")
    assert tetrad.power == pytest.approx(0.731897, abs=5e-7)


def test_the_example_of_claims():
    # claims 2: 28 trials, margin .5: 19 show it, power .86; 16 make it negligible, .83 for a guesser
    plan = plan_chances(28, method="abx", margin=0.5)
    assert (plan.critical_number, plan.similarity_critical_number) == (19, 16)
    assert plan.chance_shown == pytest.approx(0.86, abs=0.005)
    assert plan.chance_negligible == pytest.approx(0.83, abs=0.005)
    assert plan.can_fail


def test_the_counterexample_of_claims():
    # claims 2: 16 trials, margin .3: at most 6, .23 for a guesser
    plan = plan_chances(16, method="abx", margin=0.3)
    assert plan.similarity_critical_number == 6
    assert plan.chance_negligible == pytest.approx(0.23, abs=0.005)
    assert not plan.can_fail


@settings(max_examples=15)
@given(st.integers(1, 90), st.integers(1, 10), st.sampled_from(("abx", "triangle")))
def test_chances_are_those_of_the_conclusions_themselves(trials, tenths, method):
    """Every possible count is put to `conclude`, its probability taken from scipy."""
    margin = tenths / 10
    plan = plan_chances(trials, method=method, margin=margin)
    words = [conclude(k, trials, method=method, margin=margin).word for k in range(trials + 1)]

    def chance(word: str, proportion: float) -> float:
        return sum(binom.pmf(k, trials, proportion) for k, said in enumerate(words) if said == word)

    guess = proportion_at(0, method)
    assert plan.chance_shown == pytest.approx(chance("shown", proportion_at(margin, method)), abs=1e-9)
    assert plan.chance_negligible == pytest.approx(chance("negligible", guess), abs=1e-9)
    assert plan.chance_open == pytest.approx(chance("open", guess), abs=1e-9)


@pytest.mark.parametrize("trials", [4, 16, 28, 60])
def test_design_computes_the_same_chance_by_counting(trials):
    """`design` may not import this room and counts in integers: two routes to what `check` prints."""
    for guess, method in ((0.5, "abx"), (1 / 3, "triangle")):
        plan = plan_chances(trials, method=method, margin=0.5)
        assert plan.similarity_critical_number == most_correct_for_negligible(trials, guess, 0.5)
        assert plan.chance_negligible == pytest.approx(chance_of_negligible(trials, guess, 0.5), abs=1e-9)


@given(st.integers(1, 200), st.floats(0.05, 0.99), st.sampled_from(("abx", "triangle", "3afc")))
def test_a_detectable_effect_has_the_power_it_was_asked_for(trials, wanted, method):
    effect = detectable_effect(trials, method=method, power=wanted)
    if effect.critical_number is None:
        assert isnan(effect.proportion)
    else:
        reached = power(trials, proportion=effect.proportion, method=method).power
        assert reached == pytest.approx(wanted, abs=1e-9) or effect.distinguishers == 0


def test_a_listener_who_is_never_or_always_right():
    assert power(16, proportion=0, method="abx").power == 0
    assert power(16, proportion=1, method="abx").power == 1


def test_a_power_in_plain_words():
    assert power(16, proportion=0.7, method="abx").sentence == (
        "12 of 16 right show a difference; a listener who is right in 70.0 % of trials gets there in 45 % of tests and "
        "is missed in 55 %."
    )


def test_the_smallest_tests_can_show_nothing():
    assert power(4, proportion=1.0, method="abx").power == 0
    assert "not even all right" in power(4, proportion=1.0, method="abx").sentence
    assert "can show nothing" in detectable_effect(4, method="abx").sentence
    assert "no number right shows a difference" in plan_chances(3, method="abx", margin=0.1).sentence


@settings(max_examples=12)
@given(st.floats(0.62, 1), st.sampled_from((0.05, 0.01)), st.floats(0.5, 0.95))
def test_a_safe_number_is_never_lost_again(proportion, alpha, target):
    result = sample_size(proportion=proportion, method="abx", alpha=alpha, power=target)
    assert result.first <= result.safe
    before = power(result.safe - 1, proportion=proportion, method="abx", alpha=alpha).power
    assert before < target or result.safe == result.first
    for trials in range(result.safe, result.safe + 80):
        assert power(trials, proportion=proportion, method="abx", alpha=alpha).power >= target
    for trials in range(1, result.first):
        assert power(trials, proportion=proportion, method="abx", alpha=alpha).power < target


@given(st.integers(1, 100), st.floats(0.5, 1), st.floats(0.5, 1))
def test_more_sensitivity_is_more_power(trials, one, other):
    low, high = sorted((one, other))
    first, second = (power(trials, proportion=p, method="abx").power for p in (low, high))
    assert first <= second + 1e-12


def test_twenty_minutes():
    """2 minutes to set up leave 18; at 35 s that is 30 trials, 4 of them practice."""
    plan = minutes_plan(20, method="abx", margin=0.5)
    assert plan.trials == 26
    assert plan.chances == plan_chances(26, method="abx", margin=0.5)
    assert minutes_plan(20, method="abx", margin=0.5, setup_minutes=6, practice_trials=4).trials == 20
    assert minutes_plan(20, method="abx", margin=0.5, setup_minutes=0, practice_trials=0).trials == 34


def test_too_few_minutes_are_said_to_be_so():
    plan = minutes_plan(3, method="abx", margin=0.5)
    assert plan.trials == 0
    assert plan.chances is None
    assert "too few" in plan.sentence


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: power(20, proportion=1.4, method="abx"), "a proportion must lie in"),
        (lambda: power(0, proportion=0.7, method="abx"), "at least one trial"),
        (lambda: power(20, proportion=0.7, method="abx", alpha=5), "alpha must lie between 0 and 1, got 5"),
        (lambda: sample_size(proportion=0.5, method="abx"), "must lie above the guess rate"),
        (lambda: sample_size(proportion=0.5001, method="abx"), "more than 1000000 trials"),
        (lambda: sample_size(proportion=0.7, method="abx", power=80), "power must lie between 0 and 1, got 80"),
        (lambda: minutes_plan(-3, method="abx", margin=0.5), "minutes must be above 0"),
        (lambda: minutes_plan(20, method="abx", margin=0.5, practice_trials=-1), "can't be negative"),
    ],
)
def test_plans_that_mean_nothing_are_refused(call, text):
    with pytest.raises(ValueError, match=text):
        call()


def test_results_are_json():
    for result in (
        power(4, proportion=1.0, method="abx"),
        sample_size(proportion=0.75, method="abx"),
        detectable_effect(4, method="abx"),
        plan_chances(28, method="abx", margin=0.5),
        minutes_plan(20, method="abx", margin=0.5),
        minutes_plan(1, method="abx", margin=0.5),
    ):
        assert json.loads(json.dumps(result.to_dict(), allow_nan=False))["sentence"] == result.sentence


def test_an_effect_found_by_very_many_trials_is_not_told_as_none():
    """Normal approximation, computed by hand: (1.645 + .842) / (2 sqrt n) beyond 1/2, .124 % for a million."""
    found = detectable_effect(1_000_000, method="abx")
    assert found.proportion - 0.5 == pytest.approx((1.6449 + 0.8416) / (2 * 1000), rel=0.01)
    assert "hears 0.25 % of trials beyond guessing (50.12 % right" in found.sentence
    assert "hears 46 % of trials beyond guessing (73 % right" in detectable_effect(28, method="abx").sentence


def test_what_a_plan_could_have_detected_by_scipy():
    """19 of 28 is rare for a guesser (claims 2): the effect is where scipy.stats.binom gives 19 or more the power."""
    found = detectable_effect(28, method="abx", power=0.9)
    assert binom.sf(18, 28, found.proportion) == pytest.approx(0.9, abs=1e-9)
    assert found.distinguishers == pytest.approx(2 * found.proportion - 1, abs=1e-12)
    # Less power than alpha is had by guessing alone; and of three trials none are enough (1/8).
    guessing = detectable_effect(28, method="abx", power=0.01)
    assert (guessing.proportion, guessing.distinguishers) == (0.5, 0.0)
    nothing = detectable_effect(3, method="abx")
    assert nothing.proportion != nothing.proportion
    assert nothing.distinguishers != nothing.distinguishers


@pytest.mark.parametrize("proportion", [0.5, 1.2])
def test_a_proportion_that_is_none_or_no_effect_is_refused(proportion):
    with pytest.raises(ValueError, match="the proportion must lie above the guess rate"):
        sample_size(proportion=proportion, method="abx")
