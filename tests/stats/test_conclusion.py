"""Shown, negligible, open."""

import csv
import json
import runpy
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta, binom

from blindtest.stats import conclude, discrimination_test, few_listeners_sentence, similarity_test


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
    assert conclusion.sentence.endswith("ruled out; of 28 planned trials none was answered.")
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


def test_half_a_panel_that_hears_everything_is_not_negligible():
    """Rao & Scott 1992, equation 2, by hand; the lower tail at the effective counts by scipy's beta distribution."""
    camps = [(20, 20), (10, 20), (20, 20), (10, 20)]
    together = conclude(60, 80, method="abx", margin=0.8)
    assert together.word == "negligible"
    assert together.wider_limits is None
    found = conclude(60, 80, method="abx", margin=0.8, by_listener=camps)
    assert (found.word, found.listeners_differ, found.below_margin) == ("shown", True, False)
    spread = 4 / 3 * sum((right - 20 * 0.75) ** 2 for right, _ in camps) / 80**2
    effect = spread / (0.75 * 0.25 / 80)
    assert found.design_effect == pytest.approx(effect, rel=1e-12)
    x, n = 60 / effect, 80 / effect
    assert found.wider_limits == pytest.approx((beta.ppf(0.05, x, n - x + 1), beta.ppf(0.95, x + 1, n - x)), rel=1e-9)
    # P(at most x of n), a proportion of .9: the beta distribution's upper tail, as for whole numbers.
    assert found.wider_p_value == pytest.approx(beta.sf(0.9, x + 1, n - x), rel=1e-9)
    assert found.negligible_p_value == found.wider_p_value > found.similarity.p_value
    assert f"{effect:.1f} times" in found.scatter_sentence
    # Nothing is heard by either half, yet far from alike: nothing shown, nothing negligible.
    split = conclude(40, 80, method="abx", margin=0.3, by_listener=[(16, 20), (4, 20), (10, 20), (10, 20)])
    assert split.word == "open"
    assert "but listeners differ" in split.sentence


def test_listeners_who_are_alike_change_no_word():
    for own in ([(10, 20)] * 4, [(40, 80)], [], [(10, 20)] * 4 + [(0, 0)]):
        found = conclude(40, 80, method="abx", margin=0.5, by_listener=own)
        assert found == conclude(40, 80, method="abx", margin=0.5)
        assert found.negligible_p_value == found.similarity.p_value
    with pytest.raises(ValueError, match="must add up to 40 of 80"):
        conclude(40, 80, method="abx", margin=0.5, by_listener=[(10, 20)])
    with pytest.raises(ValueError, match="number correct must lie in"):
        conclude(40, 80, method="abx", margin=0.5, by_listener=[(21, 20), (19, 60)])


def test_half_a_panel_drawn_at_random_is_negligible_no_more_often_than_stated():
    """The short form of simulate_heard_scatter.py: 8 listeners, half of all people hear twice the margin's share."""
    script = runpy.run_path(str(Path(__file__).with_name("simulate_heard_scatter.py")))
    (found,) = script["rows"](300, panels=((8, 16),), margins=(0.3,), methods=("abx",), people=("camps",))
    assert found["together"] > 0.08
    assert found["negligible"] <= 0.05 + 3 * 0.0126
    with (Path(__file__).parents[1] / "references" / "stats" / "heard_scatter.csv").open(encoding="utf-8") as file:
        kept = [row for row in csv.DictReader(file) if row["people"] == "camps"]
    many = [row for row in kept if int(row["listeners"]) >= 8]
    assert max(float(row["negligible"]) for row in many) <= 0.06
    assert max(float(row["together"]) for row in many) > 0.25
    few = {n: max(float(row["negligible"]) for row in kept if int(row["listeners"]) == n) for n in (2, 3)}
    assert few[2] <= 0.25
    assert few[3] <= 0.14
    # Two of two, three of three come from the same half with a chance of 1/2 and 1/4: so the report says.
    assert "50 %" in few_listeners_sentence(2)
    assert "25 %" in few_listeners_sentence(3)
    assert few_listeners_sentence(1) == few_listeners_sentence(6) == ""
