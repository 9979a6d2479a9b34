"""The sequential probability ratio test: bounds, steps, and what it really does."""

from itertools import product
from math import inf, log, prod

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from blindtest.stats import sprt


def test_bounds_and_steps_are_those_of_the_methods_page():
    # .95/.05 ... by hand: ln(.9/.05) = 2.890372, ln(.1/.95) = -2.251292, ln 1.5 and ln .5
    plan = sprt(p0=0.5, p1=0.75, alpha=0.05, beta=0.1)
    assert plan.upper == pytest.approx(2.890372, abs=5e-7)
    assert plan.lower == pytest.approx(-2.251292, abs=5e-7)
    assert plan.step_correct == pytest.approx(log(1.5), abs=1e-15)
    assert plan.step_wrong == pytest.approx(log(0.5), abs=1e-15)


def test_real_error_rates_and_trials_are_those_of_exact_fractions(expected):
    # tests/references/stats: exact sums in Python fractions; 1e-8 since the walk is followed to absorption
    reference = expected("sprt_short")
    plan = sprt(p0=reference["p0"], p1=reference["p1"], alpha=reference["alpha"], beta=reference["beta"])
    assert plan.upper == pytest.approx(reference["log_upper"], abs=1e-12)
    assert plan.lower == pytest.approx(reference["log_lower"], abs=1e-12)
    for case in reference["cases"]:
        found = plan.operating(case["p"], truncated=case["truncated_at"])
        assert found.accept_h1 == pytest.approx(case["exact_prob_accept_h1"], abs=1e-8)
        assert found.accept_h0 == pytest.approx(case["exact_prob_accept_h0"], abs=1e-8)
        assert found.expected_trials == pytest.approx(case["exact_expected_trials"], abs=1e-8)
        assert found.undecided < 1e-12


@pytest.mark.parametrize("p", [0.1, 0.25, 0.5, 0.6, 0.9])
def test_a_symmetrical_test_is_the_ruin_of_a_gambler(p):
    """Steps of +-ln 3 between bounds of +-ln 9: two ahead or two behind (Feller 1968, vol. 1, XIV.2 and XIV.3).

    Both bounds are met exactly, which rounding could miss.
    """
    found = sprt(p0=0.25, p1=0.75, alpha=0.1, beta=0.1).operating(p)
    q = 1 - p
    assert found.accept_h1 == pytest.approx(p**2 / (p**2 + q**2), abs=1e-12)
    trials = 4 if p == 0.5 else (2 / (q - p)) - (4 / (q - p)) * (1 - (q / p) ** 2) / (1 - (q / p) ** 4)
    assert found.expected_trials == pytest.approx(trials, abs=1e-10)


@pytest.mark.parametrize("p", [0.4, 0.5, 0.75])
def test_a_truncated_test_is_that_counted_over_all_sequences_of_answers(p):
    plan = sprt(p0=0.5, p1=0.8, alpha=0.1, beta=0.2)
    high = low = open_ = trials = 0.0
    for answers in product((True, False), repeat=12):
        chance = prod(p if right else 1 - p for right in answers)
        ratio = 0.0
        n = 0
        for right in answers:
            n += 1
            ratio += log(0.8 / 0.5) if right else log(0.2 / 0.5)
            if ratio >= log(0.8 / 0.1):
                high += chance
                break
            if ratio <= log(0.2 / 0.9):
                low += chance
                break
        else:
            open_ += chance
        trials += chance * n
    found = plan.operating(p, truncated=12)
    assert (found.accept_h1, found.accept_h0, found.undecided, found.expected_trials) == pytest.approx(
        (high, low, open_, trials), abs=1e-12
    )


shares = st.integers(5, 95).map(lambda percent: percent / 100)
errors = st.integers(1, 30).map(lambda percent: percent / 100)


@settings(max_examples=25)
@given(shares, shares, errors, errors)
def test_real_errors_keep_within_the_bounds_of_wald(p0, p1, alpha, beta):
    """Wald 1947, 3.2: alpha' <= alpha/(1 - beta), beta' <= beta/(1 - alpha), alpha' + beta' <= alpha + beta."""
    assume(p1 - p0 >= 0.1)
    plan = sprt(p0=p0, p1=p1, alpha=alpha, beta=beta)
    null, other = plan.operating(p0), plan.operating(p1)
    assert null.accept_h1 <= alpha / (1 - beta) + 1e-9
    assert other.accept_h0 <= beta / (1 - alpha) + 1e-9
    assert null.accept_h1 + other.accept_h0 <= alpha + beta + 1e-9
    assert null.accept_h1 + null.accept_h0 == pytest.approx(1, abs=1e-9)
    assert plan.operating((p0 + p1) / 2).accept_h1 >= null.accept_h1 - 1e-12


@given(st.lists(st.booleans(), min_size=1, max_size=60))
def test_following_answers_ends_where_the_sum_first_passes_a_bound(answers):
    plan = sprt(p0=0.5, p1=0.75, alpha=0.05, beta=0.1)
    ratio, expected = 0.0, ("go on", len(answers))
    for n, right in enumerate(answers, start=1):
        ratio += plan.step_correct if right else plan.step_wrong
        if ratio >= plan.upper or ratio <= plan.lower:
            expected = ("accept H1" if ratio > 0 else "accept H0", n)
            break
    found = plan.follow(answers)
    assert (found.decision, found.trials) == expected
    assert found.answers_after == len(answers) - expected[1]
    assert found.correct == sum(answers[: expected[1]])


def test_decisions_at_counts():
    plan = sprt(p0=0.5, p1=0.75, alpha=0.05, beta=0.1)
    # 8 x .405465 = 3.24 >= 2.89, 7 x .405465 = 2.838; 4 wrong of 4: -2.77, 3 of 3: -2.08
    assert plan.decide(8, 8) == "accept H1"
    assert plan.decide(7, 7) == "go on"
    assert plan.decide(0, 4) == "accept H0"
    assert plan.decide(0, 3) == "go on"


def test_always_right_and_never_right():
    plan = sprt(p0=0.5, p1=0.75, alpha=0.05, beta=0.1)
    assert plan.operating(1.0).accept_h1 == 1
    assert plan.operating(1.0).expected_trials == 8
    assert plan.operating(0.0).accept_h0 == 1
    assert plan.operating(0.0).expected_trials == 4


def test_sentences_and_json_say_the_real_error_rates():
    plan = sprt(p0=0.5, p1=0.75, alpha=0.05, beta=0.1)
    assert "Real error rates 0.0432 and 0.0741 (wanted 0.05 and 0.1)" in plan.sentence
    assert plan.to_dict()["at_p0"]["accept_h1"] == plan.operating(0.5).accept_h1
    assert "no decision after 20 trials" in plan.operating(0.6, truncated=20).sentence
    assert plan.follow([True] * 10).sentence == "accept H1 after 8 trials, 8 right; 2 later answers not counted."
    assert plan.follow([True]).to_dict()["sentence"].endswith("the test goes on.")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"p0": 0.75, "p1": 0.5, "alpha": 0.05, "beta": 0.1}, "p1 must lie above p0, got p0 0.75 and p1 0.5"),
        ({"p0": 0.5, "p1": 0.5, "alpha": 0.05, "beta": 0.1}, "p1 must lie above p0"),
        ({"p0": 0.5, "p1": 1.0, "alpha": 0.05, "beta": 0.1}, "p1 must lie between 0 and 1, got 1.0"),
        ({"p0": 0.5, "p1": 0.75, "alpha": 0.6, "beta": 0.4}, "add up to less than 1"),
        ({"p0": 0.5, "p1": inf, "alpha": 0.6, "beta": 0.4}, "p1 must lie"),
    ],
)
def test_impossible_plans_are_refused(arguments, message):
    with pytest.raises(ValueError, match=message):
        sprt(**arguments)


def test_impossible_questions_are_refused():
    plan = sprt(p0=0.5, p1=0.75, alpha=0.05, beta=0.1)
    with pytest.raises(ValueError, match="the proportion must lie in 0"):
        plan.operating(1.2)
    with pytest.raises(ValueError, match="at least one trial, got 0"):
        plan.operating(0.5, truncated=0)
    one = plan.operating(0.5, truncated=1)
    assert (one.expected_trials, one.accept_h1, one.accept_h0) == (1, 0, 0)
    with pytest.raises(ValueError, match="at least one answer"):
        plan.follow([])
    with pytest.raises(ValueError, match="the number correct"):
        plan.decide(5, 4)
