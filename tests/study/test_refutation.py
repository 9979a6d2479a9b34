"""Chances that a plan shows or refutes its claim, against claims.md, methods.md 9.1 and scipy."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from blindtest.stats import conclude, plan_chances
from blindtest.study import reach, trials_needed


def test_the_example_of_claims_2():
    # Computed for the design of claims, section 2: 28 trials, margin .5: 19 right show it (power .86), 16 or fewer
    # are negligible (.83 for a guesser); 16 trials and margin .3: at most 6 right, which a guesser reaches with .23.
    plan = reach(28, 0.5)
    assert (plan.shown_from, plan.negligible_to) == (19, 16)
    assert plan.chance_shown == pytest.approx(0.86, abs=0.005)
    assert plan.chance_negligible == pytest.approx(0.83, abs=0.005)
    assert plan.can_fail
    weak = reach(16, 0.3)
    assert (weak.negligible_to, round(weak.chance_negligible, 2), weak.can_fail) == (6, 0.23, False)


@pytest.mark.parametrize(
    ("trials", "margin", "guess", "largest"),
    [  # methods.md 2.2, largest number right that shows similarity at 5 %
        (36, 0.3, 1 / 2, 18),
        (60, 0.3, 1 / 2, 32),
        (100, 0.3, 1 / 2, 56),
        (100, 0.2, 1 / 2, 51),
        (36, 0.3, 1 / 3, 13),
        (60, 0.3, 1 / 3, 25),
        (60, 0.2, 1 / 3, 21),
        (100, 0.2, 1 / 3, 37),
    ],
)
def test_similarity_critical_numbers_of_methods_2_2(trials, margin, guess, largest):
    assert reach(trials, margin, guess).negligible_to == largest


@pytest.mark.parametrize(
    ("trials", "guess", "least"),
    [(8, 1 / 2, 7), (16, 1 / 2, 12), (20, 1 / 2, 15), (100, 1 / 2, 59), (24, 1 / 3, 13), (60, 1 / 3, 27)],
)
def test_critical_numbers_of_methods_2_1(trials, guess, least):
    # A margin so small that no score is negligible: what is shown is what tells it from guessing.
    assert reach(trials, 0.05, guess).shown_from == least


@pytest.mark.parametrize(("trials", "margin", "method"), [(28, 0.5, "abx"), (60, 0.5, "abx"), (90, 0.4, "triangle")])
def test_every_score_has_the_word_of_the_conclusion(trials, margin, method):
    """With many trials a score may tell it from guessing and lie within the margin: that is negligible, never shown.

    Scores are gone through one by one, their chances are those of scipy's binomial distribution.
    """
    guess = {"abx": 1 / 2, "triangle": 1 / 3}[method]
    words = [conclude(right, trials, method=method, margin=margin).word for right in range(trials + 1)]
    plan = reach(trials, margin, guess)
    assert plan.shown_from == words.index("shown")
    assert plan.negligible_to == trials - words[::-1].index("negligible")
    heard = guess + (1 - guess) * margin
    exact = sum(binom.pmf(right, trials, heard) for right, word in enumerate(words) if word == "shown")
    assert plan.chance_shown == pytest.approx(exact, rel=1e-5)
    same = plan_chances(trials, method=method, margin=margin)
    assert (same.shown_from, same.similarity_critical_number) == (plan.shown_from, plan.negligible_to)
    assert same.chance_shown == pytest.approx(exact, rel=1e-9)
    assert f"{plan.shown_from} or more right show" in same.sentence


@settings(deadline=None, max_examples=60)
@given(st.integers(1, 300), st.floats(0.02, 0.98), st.sampled_from([1 / 2, 1 / 3]))
def test_chances_are_those_of_scipys_binomial(trials, margin, guess):
    plan = reach(trials, margin, guess)
    heard = guess + (1 - guess) * margin
    if plan.negligible_to is None:
        assert binom.cdf(0, trials, heard) > 0.05 - 1e-6
    else:
        assert binom.cdf(plan.negligible_to, trials, heard) <= 0.05 + 1e-5
        assert plan.negligible_to == trials or binom.cdf(plan.negligible_to + 1, trials, heard) > 0.05 - 1e-5
        assert plan.chance_negligible == pytest.approx(
            binom.cdf(plan.negligible_to, trials, guess), rel=1e-5, abs=1e-12
        )
    if plan.shown_from is not None:
        assert plan.chance_shown == pytest.approx(binom.sf(plan.shown_from - 1, trials, heard), rel=1e-3, abs=1e-9)


def test_five_trials_are_the_fewest_that_can_show_anything():
    # 2**-4 = .0625, 2**-5 = .03125
    assert reach(4, 0.9).shown_from is None
    assert reach(5, 0.9).shown_from == 5


def test_the_fewest_trials_can_and_one_fewer_cannot():
    for margin in (0.5, 0.3):
        fewest = trials_needed(margin)
        assert fewest is not None
        assert reach(fewest, margin).can_fail
        assert not (reach(fewest - 1, margin).can_fail and reach(fewest - 1, margin).shown_from)
    assert trials_needed(0.05) is None
