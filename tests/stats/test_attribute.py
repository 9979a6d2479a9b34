"""Choices of the one with more of an attribute: words, limits and plans against scipy's binomial and quadrature."""

import csv
import runpy
from itertools import product
from math import inf, isinf
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import beta, binom, binomtest, norm

from blindtest.stats import (
    attribute_chances,
    attribute_test,
    conclude_attribute,
    proportion_correct,
    signed_d_prime,
    signed_proportion,
)
from blindtest.study import attribute_reach, choices_needed
from blindtest.study.attribute_reach import proportion_at_d

OTHERS = {"2afc": 1, "3afc": 2}
GUESS = {"2afc": 1 / 2, "3afc": 1 / 3}


def chosen(d, method):
    """P(a sound d above the others is the highest): Hacker & Ratcliff 1979, by scipy's quadrature."""
    return quad(lambda z: norm.pdf(z - d) * norm.cdf(z) ** OTHERS[method], -15, 15, epsabs=1e-13)[0]


@pytest.mark.parametrize("method", GUESS)
@pytest.mark.parametrize("d", [-4.0, -1.5, -0.2, 0.0, 0.7, 1.0, 3.0])
def test_the_psychometric_function_holds_on_both_sides(method, d):
    assert signed_proportion(d, method) == pytest.approx(chosen(d, method), abs=1e-10)
    assert proportion_at_d(d, method) == pytest.approx(chosen(d, method), abs=1e-10)
    assert signed_d_prime(signed_proportion(d, method), method) == pytest.approx(d, abs=1e-8)
    if d >= 0:
        assert signed_proportion(d, method) == pytest.approx(proportion_correct(d, method), abs=1e-14)


def test_check_values_of_two_alternatives():
    """methods.md 9.2, number 24: 12 of 16, d' .953873; and of nothing right, or everything."""
    assert attribute_test(12, 16, method="2afc").d_prime == pytest.approx(0.953873, abs=5e-7)
    assert attribute_test(4, 16, method="2afc").d_prime == pytest.approx(-0.953873, abs=5e-7)
    assert attribute_test(0, 16, method="3afc").d_prime == -inf
    everything = attribute_test(16, 16, method="3afc")
    assert everything.d_prime == inf
    assert everything.to_dict()["d_prime"] is None
    assert isinf(everything.d_prime_interval[1])


def word_by_scipy(right, trials, method, margin, direction, alpha=0.05):
    """The word of the module's docstring, from scipy's tails alone."""
    low, high, guess = chosen(-margin, method), chosen(margin, method), GUESS[method]
    if binom.sf(right - 1, trials, low) <= alpha and binom.cdf(right, trials, high) <= alpha:
        return "negligible"
    tail = alpha / 2 if direction == "two-sided" else alpha
    if binom.sf(right - 1, trials, guess) <= tail:
        return "shown"
    return "refuted" if binom.cdf(right, trials, guess) <= tail else "open"


@pytest.mark.parametrize(("method", "direction"), list(product(GUESS, ("two-sided", "claimed"))))
def test_every_count_has_the_word_that_scipy_gives_it(method, direction):
    trials, margin = 30, 1.0
    words = {
        right: conclude_attribute(right, trials, method=method, margin=margin, direction=direction).word
        for right in range(trials + 1)
    }
    assert words == {right: word_by_scipy(right, trials, method, margin, direction) for right in words}
    assert set(words.values()) == {"shown", "refuted", "negligible", "open"}


@pytest.mark.parametrize(("method", "direction"), list(product(GUESS, ("two-sided", "claimed"))))
def test_no_word_is_wrong_more_often_than_stated(method, direction):
    """Exact: where nothing is heard *shown* and *refuted* together come in at most alpha of studies (two-sided), each
    alone in at most alpha; at the margin *negligible* in at most alpha."""
    for trials in (12, 25, 40):
        plan = attribute_chances(trials, method=method, margin=0.9, direction=direction)
        words = [
            conclude_attribute(x, trials, method=method, margin=0.9, direction=direction).word
            for x in range(trials + 1)
        ]

        def chance(word, proportion, words=words, trials=trials):
            return sum(binom.pmf(x, trials, proportion) for x, one in enumerate(words) if one == word)

        guess = GUESS[method]
        assert chance("shown", guess) <= 0.05
        assert chance("refuted", guess) <= 0.05
        if direction == "two-sided":
            assert chance("shown", guess) + chance("refuted", guess) <= 0.05
        assert max(chance("negligible", chosen(d, method)) for d in (-0.9, 0.9)) <= 0.05
        assert plan.chance_shown == pytest.approx(chance("shown", chosen(0.9, method)), abs=1e-9)
        assert plan.chance_refuted == pytest.approx(chance("refuted", chosen(-0.9, method)), abs=1e-9)
        assert plan.chance_negligible == pytest.approx(chance("negligible", guess), abs=1e-9)


@pytest.mark.parametrize(("method", "direction"), list(product(GUESS, ("two-sided", "claimed"))))
def test_what_check_says_is_what_the_analysis_does(method, direction):
    """`study` counts in whole numbers without scipy: the same numbers come out."""
    for trials, margin in ((8, 1.0), (30, 1.0), (36, 0.6)):
        early = attribute_reach(trials, margin, method, direction)
        late = attribute_chances(trials, method=method, margin=margin, direction=direction)
        assert (early.shown_from, early.refuted_to, early.negligible) == (
            late.critical_number,
            late.refuting_number,
            late.negligible_numbers,
        )
        assert early.chance_to_fail == pytest.approx(late.chance_to_fail, abs=1e-9)
        assert early.chance_shown == pytest.approx(late.chance_shown, abs=1e-9)


def test_the_fewest_trials_that_could():
    least = choices_needed(1.0, "2afc")
    assert attribute_reach(least, 1.0, "2afc").can_fail
    assert not any(
        attribute_reach(n, 1.0, "2afc").can_fail and attribute_reach(n, 1.0, "2afc").shown_from is not None
        for n in range(1, least)
    )


def test_two_sided_p_doubles_the_smaller_tail():
    found = attribute_test(4, 30, method="3afc")
    assert found.p_value == pytest.approx(2 * binomtest(4, 30, 1 / 3, alternative="less").pvalue, rel=1e-9)
    assert attribute_test(10, 30, method="3afc").p_value == 1.0
    assert found.interval == pytest.approx(tuple(binomtest(4, 30).proportion_ci(0.95, "exact")), abs=1e-9)


def test_unanswered_trials_count_against_each_word():
    found = conclude_attribute(25, 28, method="2afc", margin=1.0, unanswered=8)
    assert (found.against.correct, found.against.trials) == (25, 36)
    assert (found.favouring.correct, found.favouring.trials) == (33, 36)
    assert found.word == "shown"
    other = conclude_attribute(5, 28, method="2afc", margin=1.0, unanswered=8)
    assert (other.word, other.word_if_answered_only) == ("open", "refuted")
    nobody = conclude_attribute(0, 0, method="3afc", margin=1.0, unanswered=20)
    assert (nobody.word, nobody.answered) == ("open", None)
    assert nobody.sentence.endswith("; of 20 planned trials none was answered.")


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        ({"method": "abx", "margin": 1.0}, "no forced choice 'abx'"),
        ({"method": "2afc", "margin": 5.0}, "between 0 and 5"),
        ({"method": "2afc", "margin": 1.0, "direction": "up"}, "no direction"),
        ({"method": "2afc", "margin": 1.0, "unanswered": -1}, "0 or more"),
    ],
)
def test_what_cannot_be_is_refused(arguments, problem):
    with pytest.raises(ValueError, match=problem):
        conclude_attribute(8, 16, **arguments)
    with pytest.raises(ValueError, match="nothing to conclude"):
        conclude_attribute(0, 0, method="2afc", margin=1.0)


def test_two_camps_that_hear_it_the_other_way_round_are_not_negligible():
    """Rao & Scott 1992, equation 2, by hand; Clopper and Pearson's limits at the effective counts by scipy's beta."""
    camps = [(19, 20), (1, 20), (18, 20), (2, 20)]
    assert conclude_attribute(40, 80, method="2afc", margin=1.0).word == "negligible"
    found = conclude_attribute(40, 80, method="2afc", margin=1.0, by_listener=camps)
    assert (found.word, found.listeners_differ, found.within_margin) == ("open", True, False)
    effect = 4 / 3 * sum((right - 10) ** 2 for right, _ in camps) / 80**2 / (0.25 / 80)
    assert found.design_effect == pytest.approx(effect, rel=1e-12)
    n = 80 / effect
    low = beta.ppf(0.05, n / 2, n / 2 + 1)
    assert found.wider_limits == pytest.approx((2**0.5 * norm.ppf(low), -(2**0.5) * norm.ppf(low)), rel=1e-8)
    assert "listeners differ" in found.sentence
    assert "for others like them" in found.scatter_sentence
    alike = [(10, 20)] * 4
    assert conclude_attribute(40, 80, method="2afc", margin=1.0, by_listener=alike) == conclude_attribute(
        40, 80, method="2afc", margin=1.0
    )
    with pytest.raises(ValueError, match="must add up to 40 of 80"):
        conclude_attribute(40, 80, method="2afc", margin=1.0, by_listener=alike[1:])


def test_several_listeners_are_negligible_as_a_rule_written_anew_says():
    """simulate_attribute_scatter.py has the rule from Rao & Scott 1992 and Korn & Graubard 1998, with scipy alone."""
    script = runpy.run_path(str(Path(__file__).with_name("simulate_attribute_scatter.py")))
    right = script["own_right"](8, 20, 1.0, 1.0, "mean d", 60, np.random.default_rng(5))
    together, words = script["words"](right, 20, 1.0)
    found = [
        conclude_attribute(int(own.sum()), 160, method="2afc", margin=1.0, by_listener=[(int(one), 20) for one in own])
        for own in right
    ]
    assert [one.word == "negligible" for one in found] == words.tolist()
    assert [one.word == "negligible" or one.listeners_differ for one in found] == together.tolist()
    assert 3 < words.sum() < together.sum() < 57


def test_the_error_rate_is_the_stated_one_of_the_mean_share_and_not_of_the_mean_d_prime():
    """Simulated, 20,000 studies a row: attribute_scatter.csv. Where listeners differ a share flattens out."""
    with (Path(__file__).parents[1] / "references" / "stats" / "attribute_scatter.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    of_share = {int(row["listeners"]): [] for row in rows}
    for row in rows:
        if row["at_margin"] == "share":
            of_share[int(row["listeners"])].append(float(row["negligible"]))
    assert max(of_share[2]) <= 0.075
    assert max(max(rates) for listeners, rates in of_share.items() if listeners > 2) <= 0.055
    assert max(float(row["negligible"]) for row in rows if row["at_margin"] == "mean d") > 0.15
