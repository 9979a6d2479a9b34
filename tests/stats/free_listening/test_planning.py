"""What a plan of free listening can conclude."""

import json

import pytest
from scipy.stats import binom

from blindtest.stats import choice_power, choice_test, dwell_power, preference_chances


@pytest.mark.parametrize(("tracks", "share", "chance"), [(12, 0.70, 0.78), (12, 0.65, 0.58), (20, 0.65, 0.80)])
def test_power_of_dwell_with_a_spread_of_a_quarter(tracks, share, chance):
    """Claims, section 5: simulated there, two digits; one-sided at .05. Three Monte Carlo errors of 2000 studies."""
    found = dwell_power(tracks, share=share, direction="claimed")
    assert found.shown == pytest.approx(chance, abs=3 * 0.0112 + 0.005)
    assert found.monte_carlo_error == pytest.approx(0.0112, abs=5e-5)


def test_power_of_a_choice_is_that_of_a_preference():
    reference = preference_chances(20, margin=0.3, preference=0.8)
    found = choice_power(20, share=0.8, margin=0.3)
    assert found.shown == pytest.approx(reference.chance_shown, abs=1e-12)
    assert choice_power(20, share=0.5, margin=0.3).negligible == pytest.approx(reference.chance_negligible, abs=1e-12)
    assert found.monte_carlo_error == 0
    assert found.shown + found.refuted + found.negligible + found.open == pytest.approx(1)


@pytest.mark.parametrize(("margin", "direction"), [(None, "two-sided"), (0.2, "claimed"), (0.3, "two-sided")])
def test_the_words_planned_for_are_those_of_the_test(table_of_tracks, margin, direction):
    # scipy.stats.binom
    chances = dict.fromkeys(("shown", "refuted", "negligible", "open"), 0.0)
    for heron in range(13):
        rows = [{"chosen": c} for c in ["heron"] * heron + ["plover"] * (12 - heron)]
        word = choice_test(table_of_tracks(rows), device="heron", margin=margin, direction=direction).word
        chances[word] += float(binom.pmf(heron, 12, 0.7))
    found = choice_power(12, share=0.7, margin=margin, direction=direction)
    assert (found.shown, found.refuted, found.negligible, found.open) == pytest.approx(
        tuple(chances.values()), abs=1e-9
    )


def test_panels_gain_with_listeners_and_lose_with_their_spread():
    few = choice_power(10, share=0.65, listeners=6, studies=1000)
    many = choice_power(10, share=0.65, listeners=16, studies=1000)
    spread = choice_power(10, share=0.65, listeners=16, sd_listener=0.2, studies=1000)
    assert few.shown < many.shown
    assert spread.shown < many.shown
    assert dwell_power(10, share=0.65, listeners=3, studies=500).shown == 0


def test_no_difference_is_seldom_shown_and_often_negligible():
    found = dwell_power(10, share=0.5, listeners=12, sd_listener=0.05, margin=0.15, studies=1000)
    # Three Monte Carlo errors above .025 on each side.
    assert found.shown + found.refuted <= 0.05 + 3 * 0.007
    assert found.negligible > 0.8
    less = dwell_power(10, share=0.42, listeners=12, margin=0.2, studies=300)
    assert less.negligible > 0.9
    assert less.shown + less.refuted + less.negligible + less.open == pytest.approx(1)


def test_a_plan_reads_and_can_be_stored():
    found = choice_power(12, share=0.7, listeners=8, sd_listener=0.1, margin=0.2, studies=200)
    assert found.sentence.startswith("12 tracks of 8 listeners at a true share of 0.7 end as shown with probability")
    assert json.loads(json.dumps(found.to_dict()))["studies"] == 200
    assert found == choice_power(12, share=0.7, listeners=8, sd_listener=0.1, margin=0.2, studies=200)
    assert "(choice, two-sided, alpha 0.05; exact)" in choice_power(12, share=0.7).sentence


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: choice_power(0, share=0.7), "at least one trial"),
        (lambda: choice_power(8, share=1.0), "the share must lie between 0 and 1"),
        (lambda: choice_power(8, share=0.7, listeners=0), "at least one listener, got 0"),
        (lambda: choice_power(8, share=0.7, sd_listener=0.6), "over listeners must lie in"),
        (lambda: choice_power(8, share=0.7, margin=0.6), r"must lie between 0 and \.5, got 0\.6"),
        (lambda: dwell_power(8, share=0.9, sd=0.4), r"shares with mean 0\.9 have a standard deviation below 0\.300"),
        (lambda: dwell_power(8, share=0.6, direction="up"), "no direction 'up'"),
    ],
)
def test_impossible_plans_are_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()
