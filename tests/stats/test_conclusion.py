"""Shown, negligible, open."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from blindtest.stats import conclude, discrimination_test, similarity_test


@pytest.mark.parametrize(
    ("correct", "word"),
    [(28, "shown"), (19, "shown"), (18, "open"), (17, "open"), (16, "negligible"), (0, "negligible")],
)
def test_twenty_eight_trials_with_margin_one_half(correct, word):
    # claims 2: 19 right show it, 16 or fewer make it negligible
    conclusion = conclude(correct, 28, method="abx", margin=0.5)
    assert conclusion.word == word
    assert conclusion.sentence.startswith(word)


def test_heard_but_less_than_what_matters_is_negligible():
    """550 of 1000: p = .0009 against guessing, .0007 against a margin of .2 (scipy 1.17.1, binom)."""
    assert binom.sf(549, 1000, 0.5) < 0.001
    assert binom.cdf(550, 1000, 0.6) < 0.001
    conclusion = conclude(550, 1000, method="abx", margin=0.2)
    assert conclusion.word == "negligible"
    assert conclusion.above_guessing
    assert "heard more often than by guessing" in conclusion.sentence


def test_without_a_margin_nothing_is_negligible():
    assert conclude(2, 28, method="abx", margin=None).word == "open"
    assert conclude(28, 28, method="abx", margin=None).word == "shown"


def test_unanswered_trials_count_as_wrong_for_a_difference():
    # 14 of 16 answered right (p = .002); with 12 unanswered it is 14 of 28
    conclusion = conclude(14, 16, method="abx", margin=0.5, unanswered=12)
    assert conclusion.word == "open"
    assert conclusion.word_if_answered_only == "shown"
    assert conclusion.difference.p_value == discrimination_test(14, 28).p_value
    assert conclusion.answered.p_value == discrimination_test(14, 16).p_value
    assert "12 unanswered trials count against it" in conclusion.sentence


def test_unanswered_trials_count_as_right_for_similarity():
    conclusion = conclude(10, 20, method="abx", margin=0.5, unanswered=8)
    assert conclusion.similarity.p_value == similarity_test(18, 28, method="abx", distinguishers=0.5).p_value
    assert conclusion.word == "open"
    assert conclusion.word_if_answered_only == "negligible"


def test_a_sitting_abandoned_before_its_first_answer_is_open():
    conclusion = conclude(0, 0, method="abx", margin=0.5, unanswered=28)
    assert conclusion.word == "open"
    assert conclusion.word_if_answered_only == "open"
    assert conclusion.answered is None
    assert json.loads(json.dumps(conclusion.to_dict(), allow_nan=False))["sentence"] == conclusion.sentence


@given(
    st.integers(1, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))),
    st.integers(0, 20),
    st.sampled_from(("abx", "triangle")),
    st.integers(1, 10),
)
def test_walking_out_never_helps(count, unanswered, method, tenths):
    """Answering the rest, rightly for a difference and wrongly for similarity, reaches whatever walking out reached."""
    correct, trials = count
    margin = tenths / 10
    walked_out = conclude(correct, trials, method=method, margin=margin, unanswered=unanswered)
    if walked_out.above_guessing:
        assert conclude(correct, trials + unanswered, method=method, margin=margin).above_guessing
    if walked_out.below_margin:
        for rest in range(unanswered + 1):
            assert conclude(correct + rest, trials + unanswered, method=method, margin=margin).below_margin


def worst_error(trials: int, margin: float) -> tuple[float, float]:
    """Chance of *shown* for a guesser and of *negligible* at the margin, over every possible count (scipy's pmf)."""
    words = [conclude(k, trials, method="abx", margin=margin).word for k in range(trials + 1)]
    shown = sum(binom.pmf(k, trials, 0.5) for k, word in enumerate(words) if word == "shown")
    negligible = sum(binom.pmf(k, trials, 0.5 + margin / 2) for k, word in enumerate(words) if word == "negligible")
    return shown, negligible


@pytest.mark.parametrize("trials", [10, 28, 61, 300])
@pytest.mark.parametrize("margin", [0.2, 0.5])
def test_each_word_is_wrong_at_most_alpha_of_the_time(trials, margin):
    shown, negligible = worst_error(trials, margin)
    assert shown <= 0.05
    assert negligible <= 0.05


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        ((0, 0, 0), "at least one trial"),
        ((3, 0, 5), "no trial was answered, yet 3"),
        ((3, 2, 5), "number correct must lie in"),
        ((3, 5, -1), "unanswered trials must be 0 or more"),
    ],
)
def test_impossible_counts_are_refused(arguments, text):
    correct, trials, unanswered = arguments
    with pytest.raises(ValueError, match=text):
        conclude(correct, trials, method="abx", margin=0.5, unanswered=unanswered)


def test_a_conclusion_is_json():
    loaded = json.loads(json.dumps(conclude(28, 28, method="abx", margin=0.5).to_dict(), allow_nan=False))
    assert loaded["word"] == "shown"
    assert loaded["difference"]["trials"] == 28
    assert loaded["similarity"]["margin"] == 0.5
