# ruff: noqa: E501
"""What a plan of pairs can show and refute: against claims.md 6, scipy, and the statistics that judge the answers."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom, binomtest

from blindtest.stats import conclude_preference, preference_chances
from blindtest.study import pairs_needed, preference_reach


def test_twenty_pairs_two_sided_of_claims_6():
    # claims.md 6 [calc]: 20 pairs, two-sided 15 of 20 (p = .041), power .80 at a true preference of .8
    plan = preference_reach(20, 0.3)
    assert plan.shown_from == 15
    assert binomtest(15, 20).pvalue == pytest.approx(0.041, abs=0.0005)
    assert plan.chance_shown == pytest.approx(0.80, abs=0.005)
    assert plan.refuted_to == 5
    assert plan.can_fail


def test_sixteen_pairs_with_sealed_direction_of_claims_6():
    # claims.md 6 [calc]: 16 pairs with sealed direction, 12 of 16 (p = .038)
    plan = preference_reach(16, 0.3, "claimed")
    assert plan.shown_from == 12
    assert binomtest(12, 16, alternative="greater").pvalue == pytest.approx(0.038, abs=0.0005)
    assert preference_reach(16, 0.3).shown_from == 13


@settings(deadline=None, max_examples=80)
@given(
    st.integers(1, 120),
    st.integers(2, 49).map(lambda percent: percent / 100),
    st.sampled_from(["two-sided", "claimed"]),
)
def test_the_plan_says_what_the_statistics_will_say(trials, margin, direction):
    """Two routes: sums of integers here, `stats.preference` there. Both see every number of wins alike."""
    plan = preference_reach(trials, margin, direction)
    chances = preference_chances(trials, margin=margin, direction=direction)
    assert plan.shown_from == chances.critical_number
    assert plan.refuted_to == chances.refuting_number
    assert plan.negligible == chances.negligible_numbers
    assert plan.chance_shown == pytest.approx(chances.chance_shown, abs=1e-9)
    assert plan.chance_refuted == pytest.approx(chances.chance_refuted, abs=1e-9)
    assert plan.chance_negligible == pytest.approx(chances.chance_negligible, abs=1e-9)
    assert plan.can_fail == chances.can_fail


@pytest.mark.parametrize("direction", ["two-sided", "claimed"])
def test_words_at_the_edges_are_those_of_the_conclusion(direction):
    plan = preference_reach(40, 0.2, direction)

    def word(wins):
        return conclude_preference(wins, 40 - wins, margin=0.2, direction=direction).word

    assert (word(plan.shown_from), word(plan.shown_from - 1)) == ("shown", "open")
    assert (word(plan.refuted_to), word(plan.refuted_to + 1)) == ("refuted", "open")
    low, high = plan.negligible
    assert {word(low), word(high)} == {"negligible"}
    assert "negligible" not in {word(low - 1), word(high + 1)}


def test_chances_are_scipys_binomials():
    plan = preference_reach(36, 0.25)
    assert (plan.shown_from, plan.refuted_to, plan.negligible) == (25, 11, (14, 22))
    assert plan.chance_shown == pytest.approx(binom.sf(24, 36, 0.75), abs=1e-12)
    assert plan.chance_refuted == pytest.approx(binom.cdf(11, 36, 0.25), abs=1e-12)
    assert plan.chance_negligible == pytest.approx(binom.cdf(22, 36, 0.5) - binom.cdf(13, 36, 0.5), abs=1e-12)


def test_with_many_pairs_a_preference_inside_the_margin_is_negligible_and_nothing_is_counted_twice():
    plan = preference_reach(400, 0.2)
    assert plan.shown_from == plan.negligible[1] + 1  # every number outside the margin's limits is a word of its own
    assert plan.chance_shown + plan.chance_refuted + plan.chance_negligible > 1.4


def test_the_fewest_pairs_can_and_no_fewer():
    for direction in ("two-sided", "claimed"):
        for margin in (0.45, 0.3, 0.25, 0.2, 0.15):
            plans = (preference_reach(n, margin, direction) for n in range(1, 200))
            first = next(plan.trials for plan in plans if plan.can_fail and plan.shown_from is not None)
            assert pairs_needed(margin, direction) == first
    assert pairs_needed(0.02) is None


def test_the_sentence_says_all_of_it():
    assert preference_reach(20, 0.3).sentence == (
        "with 20 pairs and margin 0.3, tested on both sides, 15 or more for the device show a preference (chance 0.80 "
        "at a true preference of 0.8), 5 or fewer refute it (chance 0.80 at 0.2), 8 to 12 make it negligible (chance 0.74 "
        "where neither is preferred)"
    )
    short = preference_reach(3, 0.3).sentence
    assert "no number of wins shows a preference, no number refutes it, no number makes it negligible" in short
