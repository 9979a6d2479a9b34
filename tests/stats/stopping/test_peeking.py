"""What looking early does, and the warning on a table that was stopped at will."""

from functools import cache
from itertools import product

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from blindtest.errors import BlindtestError
from blindtest.stats import (
    discrimination_test,
    peeking_error,
    peeking_p_value,
    stopped_at_will,
    stopped_at_will_by_listener,
)


@cache
def p_value(correct, trials, guess):
    """One-sided, by scipy.stats.binom."""
    return float(binom.sf(correct - 1, trials, guess))


def test_error_rates_are_those_of_exact_fractions(expected):
    # tests/references/stats: exact sums in Python fractions; stops at p strictly below .05, from trial 1; 1e-10
    for trials, chance in expected("peeking_type1_short")["prob_stopped_by"].items():
        assert peeking_error(int(trials), alpha=0.05, proportion=0.5) == pytest.approx(chance, abs=1e-10)
        assert peeking_error(int(trials), alpha=0.05, proportion=0.5, looks=range(1, int(trials) + 1)) == pytest.approx(
            chance, abs=1e-10
        )


@pytest.mark.parametrize(("trials", "chance"), [(16, 0.088), (25, 0.113), (50, 0.158), (100, 0.202)])
def test_looking_after_every_trial_from_the_fifth(trials, chance):
    # methods page 2.8, three digits
    assert round(peeking_error(trials, alpha=0.05, proportion=0.5, looks=range(5, trials + 1)), 3) == chance


@pytest.mark.parametrize(("guess", "alpha"), [(1 / 2, 0.05), (1 / 3, 0.05), (1 / 2, 1 / 32), (1 / 2, 0.2)])
@pytest.mark.parametrize("looks", [(1, 2, 3, 4, 5, 6, 7, 8, 9, 10), (4, 7, 10)])
def test_error_rates_are_those_counted_over_all_sequences_of_answers(guess, alpha, looks):
    """scipy.stats.binom for p. With alpha 1/32, 5 of 5 has p equal to alpha: that is not below it."""
    stopped = 0.0
    for answers in product((0, 1), repeat=10):
        p_values = [p_value(sum(answers[:n]), n, guess) for n in looks]
        if any(p < alpha - 1e-12 for p in p_values):
            stopped += guess ** sum(answers) * (1 - guess) ** (10 - sum(answers))
    assert peeking_error(10, alpha=alpha, proportion=guess, looks=looks) == pytest.approx(stopped, abs=1e-12)


def test_one_look_at_the_end_is_the_fixed_test():
    # Critical number 12 of 16 at .05: P(X >= 12) = .0384
    assert peeking_error(16, alpha=0.05, proportion=0.5, looks=1) == pytest.approx(2517 / 2**16, abs=1e-12)
    assert peeking_error(16, alpha=0.05, proportion=0.5, looks=[16]) == pytest.approx(2517 / 2**16, abs=1e-12)


def test_equal_distances_and_every_trial():
    assert peeking_error(20, looks=4) == peeking_error(20, looks=(5, 10, 15, 20))
    assert peeking_error(20, looks=20) == peeking_error(20)
    assert peeking_error(20, looks=(5, 10, 99)) == peeking_error(20, looks=(5, 10))


@given(st.integers(1, 120), st.sampled_from([0.01, 0.05, 0.1]), st.sampled_from([1 / 2, 1 / 3]))
def test_more_trials_err_more_often(trials, alpha, guess):
    assert peeking_error(trials, alpha=alpha, proportion=guess) <= peeking_error(
        trials + 1, alpha=alpha, proportion=guess
    )


def test_somebody_who_hears_it_stops_more_often_than_a_guesser():
    chances = [peeking_error(30, proportion=p, guess=0.5) for p in (0.3, 0.5, 0.7, 0.9)]
    assert chances == sorted(chances)
    assert peeking_error(30, proportion=1.0, guess=0.5) == 1


@pytest.mark.parametrize("guess", [1 / 2, 1 / 3])
def test_the_p_value_of_a_peeker_is_valid_over_all_ways_to_end(guess):
    """Whoever stops at the smallest p of 10 trials has a p <= u with probability u at most, by enumeration."""
    smallest = {}
    for answers in product((0, 1), repeat=10):
        chance = guess ** sum(answers) * (1 - guess) ** (10 - sum(answers))
        best = min(p_value(sum(answers[:n]), n, guess) for n in range(1, 11))
        smallest[round(float(best), 10)] = smallest.get(round(float(best), 10), 0.0) + chance
    for correct, trials in ((5, 5), (8, 10), (9, 10), (3, 4)):
        p = round(p_value(correct, trials, guess), 10)
        by_end = sum(chance for best, chance in smallest.items() if best <= p)
        assert peeking_p_value(correct, 10 if trials == 10 else trials, guess=guess) <= by_end + 1e-9
        if trials == 10:
            assert peeking_p_value(correct, 10, guess=guess) == pytest.approx(by_end, abs=1e-9)


ANSWERS = [1, 1, 0, 1, 1, 1, 1, 1]


def test_the_warning_says_the_true_error_rate():
    found = stopped_at_will(ANSWERS)
    # 7 of 8: p = 9/256; by exact fractions (above) the error rate by trial 10 is that by trial 8, .05078125
    assert found.p_value == pytest.approx(9 / 256, abs=1e-12)
    assert found.error_rate == pytest.approx(0.05078125, abs=1e-12)
    assert found.error_rate_longer == pytest.approx(0.087554931640625, abs=1e-12)
    assert found.first_below == 8
    assert found.stopped_when_below
    assert found.e_value == pytest.approx(251 / 36, rel=1e-9)  # (2^9 - 10)/(9 * 8) = 502/72
    assert "This series ends at the very trial that took p below alpha for the first time." in found.sentence
    assert "probability 0.051 by trial 8 (1.0 times what 0.05 says) and 0.088 by trial 16" in found.sentence
    assert found.to_dict()["stopped_when_below"] is True


def test_a_small_probability_is_not_told_as_none():
    # 12 of 12 by guessing at one of three: 3**-12; having looked all along it is reached no seldomer
    found = stopped_at_will([1] * 12, guess=1 / 3)
    assert 3.0**-12 * (1 - 1e-9) <= found.peeking_p_value < 0.001
    assert f"reached with probability {found.peeking_p_value:.3g}, not 1.88e-06" in found.sentence


def test_a_series_that_went_on_says_where_it_was_below_alpha():
    found = stopped_at_will([1] * 6 + [0] * 4)
    # 5 of 5: p = 1/32
    assert found.first_below == 5
    assert not found.stopped_when_below
    assert "p lay below alpha after trial 5 already" in found.sentence
    later = stopped_at_will([1] * 6 + [0] * 4, first_look=9)
    assert later.first_below is None
    assert later.error_rate < found.error_rate


@given(st.lists(st.booleans(), min_size=1, max_size=60), st.sampled_from([1 / 2, 1 / 3]))
def test_the_honest_p_is_never_below_the_naive_one(answers, guess):
    found = stopped_at_will(answers, guess=guess)
    assert found.peeking_p_value >= found.p_value - 1e-12
    assert found.error_rate_longer >= found.error_rate
    below = [n for n in range(1, len(answers) + 1) if p_value(sum(answers[:n]), n, guess) < 0.05 * (1 - 1e-12)]
    assert found.first_below == (below[0] if below else None)


def test_each_listener_of_a_table_is_warned_about():
    rows = [{"listener": "L2", "method": "abx", "correct": bool(a)} for a in ANSWERS]
    rows += [{"listener": "L1", "method": "abx", "correct": i % 2 == 0} for i in range(3)]
    first, second = stopped_at_will_by_listener(pd.DataFrame(rows), first_look=5)
    assert (first.listener, first.trials, first.correct, first.first_look) == ("L1", 3, 2, 3)
    assert (second.listener, second.trials, second.correct, second.first_look) == ("L2", 8, 7, 5)
    assert second.p_value == discrimination_test(7, 8).p_value
    assert second.sentence.startswith("L2: 7 of 8 right")
    (triangle,) = stopped_at_will_by_listener(
        pd.DataFrame(rows[:8]).drop(columns=["listener", "method"]), method="triangle"
    )
    assert triangle.guess_rate == pytest.approx(1 / 3)
    assert triangle.listener == "(not named)"


def test_a_table_without_answers_is_refused():
    with pytest.raises(BlindtestError, match="no blind trial of this table was answered"):
        stopped_at_will_by_listener(pd.DataFrame({"listener": ["L1"], "method": ["abx"], "correct": [None]}))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: peeking_error(0), "at least one trial, got 0"),
        (lambda: peeking_error(10, alpha=1.0), "alpha must lie between 0 and 1"),
        (lambda: peeking_error(10, proportion=2), r"the proportion must lie in 0 \.\.\. 1"),
        (lambda: peeking_error(10, proportion=0.0), "the guess rate must lie between 0 and 1"),
        (lambda: peeking_error(10, looks=11), r"the number of looks must lie in 1 \.\.\. 10"),
        (lambda: peeking_error(10, looks=[3, 3]), "rise from 1 or more"),
        (lambda: stopped_at_will([]), "at least one trial"),
        (lambda: stopped_at_will([1, 2]), r"right \(1, True\) or wrong \(0, False\), got 2"),
        (lambda: stopped_at_will([1, 0], first_look=3), r"the first look must lie in 1 \.\.\. 2"),
    ],
)
def test_impossible_numbers_are_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()
