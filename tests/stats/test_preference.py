"""Sign tests, conclusions and chances of paired preferences: counted by hand, R, scipy."""

import csv
import importlib.util
import json
from itertools import product
from math import comb, isnan
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta, binom, binomtest

from blindtest.errors import BlindtestError
from blindtest.stats import conclude_preference, preference_chances, preference_sign_tests, preference_test

counts = st.integers(0, 40)


def test_fifteen_of_twenty_counted():
    """Claims, section 6: two-sided 15 of 20, p = .041. Of the 2**20 ways, 21700 have 15 or more."""
    ways = sum(comb(20, k) for k in range(15, 21))
    assert ways == 21700
    result = preference_test(15, 5)
    assert result.p_value == pytest.approx(2 * ways / 2**20, rel=1e-12)
    assert (result.proportion, result.wins, result.losses, result.ties) == (0.75, 15, 5, 0)
    assert round(result.p_value, 3) == 0.041
    said = "coin lands as far from one half, on either side, with probability .041 (exact, two-sided)"
    assert said in result.sentence


def test_twelve_of_sixteen_in_the_sealed_direction():
    """Claims, sections 2 and 6: 12 of 16, p = .038, lower limit .516; then the two-sided interval, R's binom.test."""
    result = preference_test(12, 4, direction="claimed")
    assert result.p_value == pytest.approx(2517 / 2**16, rel=1e-12)
    assert round(result.lower_limit, 3) == 0.516
    # R 4.2.2: print(binom.test(12, 16)$conf.int, digits = 10)
    assert result.interval == pytest.approx((0.4762291801, 0.9273379617), abs=1e-10)
    assert "at least 51.6 %" in result.sentence


@given(counts, counts)
def test_p_and_limits_are_those_of_scipy(wins, losses):
    if not wins + losses:
        return
    two, one = preference_test(wins, losses), preference_test(wins, losses, direction="claimed")
    assert two.p_value == pytest.approx(binomtest(wins, wins + losses).pvalue, rel=1e-9)
    greater = binomtest(wins, wins + losses, alternative="greater")
    assert one.p_value == pytest.approx(greater.pvalue, rel=1e-9)
    assert one.lower_limit == pytest.approx(greater.proportion_ci(0.95).low, abs=1e-9)


def test_ties_are_kept_apart():
    with_ties, without = preference_test(9, 3, 8), preference_test(9, 3)
    assert with_ties.p_value == without.p_value
    assert with_ties.interval == without.interval
    assert with_ties.tie_share == 0.4
    assert "8 ties apart" in with_ties.sentence


def test_all_ties_say_nothing():
    result = preference_test(0, 0, 7)
    assert (result.p_value, result.interval) == (1.0, (0.0, 1.0))
    assert isnan(result.proportion)
    assert "nothing speaks for either" in result.sentence
    assert result.to_dict()["proportion"] is None
    assert conclude_preference(0, 0, 7, margin=0.2).word == "open"


def test_sign_tests_are_those_of_r(references, expected):
    """R 4.2.2 binom.test on untied trials, p.adjust Holm; tolerance of the oracle."""
    frame = preference_sign_tests(pd.read_csv(references / "data" / "preference_small.csv"))
    r = expected("preference_small_sign_tests")
    assert list(frame.columns[:8]) == ["a", "b", "n_a", "n_b", "ties", "p_value", "ci_low", "ci_high"]
    for ours, theirs in (("a", "a"), ("b", "b"), ("n_a", "wins_a"), ("n_b", "wins_b"), ("ties", "ties")):
        assert frame[ours].tolist() == r[theirs]
    assert frame["p_value"].tolist() == pytest.approx(r["p_two_sided"], abs=1e-9)
    assert frame["p_adjusted"].tolist() == pytest.approx(r["p_holm"], abs=1e-9)
    for row in frame.itertuples():
        ci = binomtest(row.n_a, row.n_a + row.n_b).proportion_ci(0.95, "exact")
        assert (row.ci_low, row.ci_high) == pytest.approx((ci.low, ci.high), abs=1e-9)


def test_a_claimed_pair_is_turned_and_tested_one_sided(references):
    table = pd.read_csv(references / "data" / "preference_small.csv")
    row = preference_sign_tests(table, claimed=("D", "C")).set_index(["a", "b"]).loc[("D", "C")]
    assert (row["n_a"], row["n_b"], row["direction"]) == (12, 2, "claimed")
    assert row["p_value"] == pytest.approx(binomtest(12, 14, alternative="greater").pvalue, rel=1e-12)


def comparisons(*rows):
    return pd.DataFrame(rows, columns=["first", "second", "outcome"])


def test_unanswered_rows_and_pairs_of_ties_are_counted():
    frame = preference_sign_tests(comparisons(("A", "B", "tie"), ("B", "A", None), ("A", "C", "second")))
    ties, won = frame.iloc[0], frame.iloc[1]
    assert (ties["ties"], ties["unanswered"], ties["p_value"], ties["ci_low"], ties["ci_high"]) == (1, 1, 1, 0, 1)
    assert (won["n_a"], won["n_b"]) == (0, 1)


@pytest.mark.parametrize(
    ("table", "text"),
    [
        (pd.DataFrame({"first": ["A"], "second": ["B"], "outcom": ["tie"]}), "outcome: .*did you mean 'outcom'"),
        (comparisons(("A", "A", "tie")), "line 1: second: an item is compared with itself, got 'A'"),
        (comparisons(("A", "B", "left")), "line 1: outcome: no such outcome, got 'left' .allowed: first, second, tie"),
        (comparisons(("A", None, "tie")), "line 1: second: the row does not name both items"),
        (comparisons(), "the table holds no comparison"),
    ],
)
def test_tables_that_cannot_be_read_are_refused(table, text):
    with pytest.raises(BlindtestError, match=text):
        preference_sign_tests(table)


def test_a_claimed_pair_nobody_compared_is_refused():
    with pytest.raises(BlindtestError, match=r"the claimed pair was never compared.*did you mean 'heron'"):
        preference_sign_tests(comparisons(("heron", "plover", "first")), claimed=("hern", "plover"))


@pytest.mark.parametrize(
    ("wins", "losses", "word"),
    [
        (15, 5, "shown"),
        (14, 6, "open"),
        (5, 15, "refuted"),
        (10, 10, "negligible"),
        (8, 12, "negligible"),
        (7, 13, "open"),
    ],
)
def test_words_of_twenty_pairs(wins, losses, word):
    """Against a margin of .3; 8 to 12 of 20: P(X >= 8 | .2) = .0321, P(X >= 7 | .2) = .0867 (scipy)."""
    assert round(binom.sf(7, 20, 0.2), 4) == 0.0321
    assert round(binom.sf(6, 20, 0.2), 4) == 0.0867
    assert conclude_preference(wins, losses, margin=0.3).word == word


def literal_word(wins, losses, margin, alpha, direction):
    """The rule as its sentence says it, by scipy."""
    n = wins + losses
    share = alpha / 2 if direction == "two-sided" else alpha
    inside = binom.sf(wins - 1, n, 0.5 - margin) <= alpha and binom.cdf(wins, n, 0.5 + margin) <= alpha
    if inside:
        return "negligible"
    if binom.sf(wins - 1, n, 0.5) <= share:
        return "shown"
    return "refuted" if binom.cdf(wins, n, 0.5) <= share else "open"


@pytest.mark.parametrize("direction", ["two-sided", "claimed"])
@pytest.mark.parametrize(("margin", "alpha"), [(0.1, 0.05), (0.3, 0.05), (0.3, 0.01)])
def test_words_are_the_rule_spelled_out(direction, margin, alpha):
    for n in (1, 5, 16, 20, 90, 400):
        for wins in range(n + 1):
            found = conclude_preference(wins, n - wins, margin=margin, alpha=alpha, direction=direction).word
            assert found == literal_word(wins, n - wins, margin, alpha, direction)


def test_a_small_preference_that_is_established_is_negligible():
    """Of 1000, 540 for the device: p = .0124 two-sided, and at most .566 with 95 %: inside a margin of .1."""
    result = conclude_preference(540, 460, margin=0.1)
    assert round(binomtest(540, 1000).pvalue, 4) == 0.0124
    assert (result.word, result.side) == ("negligible", "claimed")
    assert "the claimed device is preferred, yet by less" in result.sentence


@given(counts, counts, st.integers(0, 6))
def test_turning_the_claim_round_turns_the_word(wins, losses, unanswered):
    if not wins + losses + unanswered:
        return
    turned = {"shown": "refuted", "refuted": "shown", "negligible": "negligible", "open": "open"}
    one = conclude_preference(wins, losses, margin=0.2, unanswered=unanswered)
    other = conclude_preference(losses, wins, margin=0.2, unanswered=unanswered)
    assert other.word == turned[one.word]


@given(st.integers(0, 25), st.integers(0, 25), st.integers(1, 6), st.sampled_from(["two-sided", "claimed"]))
def test_no_answer_that_is_missing_could_have_taken_the_conclusion_back(wins, losses, unanswered, direction):
    drawn = conclude_preference(wins, losses, margin=0.3, unanswered=unanswered, direction=direction)
    for more in range(unanswered + 1):
        full = conclude_preference(wins + more, losses + unanswered - more, margin=0.3, direction=direction)
        if drawn.side != "neither":
            assert full.side == drawn.side
        if drawn.within_margin:
            assert full.within_margin


def test_unanswered_trials_are_shown_both_ways():
    result = conclude_preference(15, 4, margin=0.3, unanswered=2)
    assert result.word == "open"
    assert result.word_if_answered_only == "shown"
    assert (result.against.losses, result.favouring.wins, result.answered.decided) == (6, 17, 19)
    assert "2 unanswered trials count against it, the answered ones alone would say shown" in result.sentence
    assert json.loads(json.dumps(result.to_dict(), allow_nan=False))["sentence"] == result.sentence
    nobody = conclude_preference(0, 0, margin=0.3, unanswered=1)
    assert nobody.sentence.endswith("; of 1 planned trial none was answered.")
    assert "the answered ones alone would say open" in conclude_preference(0, 0, 2, margin=0.3, unanswered=1).sentence


def test_chances_of_the_short_protocol():
    """Claims, section 6: 20 pairs two-sided, 15, power .80 at .8; 16 pairs with sealed direction, 12."""
    two = preference_chances(20, margin=0.3)
    assert two.critical_number == 15
    assert round(two.chance_shown, 2) == 0.80
    one = preference_chances(16, margin=0.3, direction="claimed")
    assert one.critical_number == 12
    assert one.can_fail
    assert two.can_fail


@pytest.mark.parametrize("direction", ["two-sided", "claimed"])
def test_chances_are_sums_over_every_count(direction):
    plan = preference_chances(60, margin=0.22, direction=direction, preference=0.7)
    words = [literal_word(k, 60 - k, 0.22, 0.05, direction) for k in range(61)]

    def chance(word, p):
        return sum(binom.pmf(k, 60, p) for k in range(61) if words[k] == word)

    assert plan.chance_shown == pytest.approx(chance("shown", 0.7), abs=1e-10)
    assert plan.chance_negligible == pytest.approx(chance("negligible", 0.5), abs=1e-10)
    assert plan.chance_refuted == pytest.approx(chance("refuted", 0.28), abs=1e-10)
    assert plan.chance_open == pytest.approx(chance("open", 0.5), abs=1e-10)
    assert plan.chance_shown_by_luck == pytest.approx(chance("shown", 0.5), abs=1e-10)
    assert plan.chance_shown_by_luck <= 0.05


def test_chances_with_ties_go_through_every_outcome():
    """Twelve pairs: every number of ties and of wins, weighted by the trinomial distribution."""
    plan = preference_chances(12, margin=0.35, tie_share=0.25)
    total = 0.0
    for wins, losses in product(range(13), repeat=2):
        ties = 12 - wins - losses
        if ties < 0:
            continue
        weight = comb(12, wins) * comb(12 - wins, losses) * (0.75 * 0.85) ** wins * (0.75 * 0.15) ** losses * 0.25**ties
        total += weight * (literal_word(wins, losses, 0.35, 0.05, "two-sided") == "shown")
    assert plan.chance_shown == pytest.approx(total, abs=1e-12)


def test_a_plan_that_nothing_could_refute_says_so():
    plan = preference_chances(12, margin=0.1)
    assert plan.negligible_numbers is None
    assert not plan.can_fail
    assert "no number makes it negligible" in plan.sentence


def test_a_plan_too_short_for_any_conclusion():
    plan = preference_chances(3, margin=0.3)
    assert (plan.critical_number, plan.refuting_number, plan.chance_shown, plan.chance_open) == (None, None, 0, 1)


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: preference_test(-1, 2), "wins must be 0 or more, got -1"),
        (lambda: preference_test(1, 2, direction="up"), "no direction 'up'"),
        (lambda: conclude_preference(0, 0, margin=0.2), "no trial was planned"),
        (lambda: conclude_preference(1, 2, margin=0.5), "between 0 and .5, got 0.5"),
        (lambda: conclude_preference(1, 2, margin=0.2, unanswered=-1), "unanswered trials must be 0 or more"),
        (lambda: preference_chances(10, margin=0.2, preference=0.5), "above 1/2"),
        (lambda: preference_chances(10, margin=0.2, tie_share=1.0), "share of ties"),
        (lambda: preference_chances(0, margin=0.2), "at least one trial"),
    ],
)
def test_impossible_numbers_are_refused(call, text):
    with pytest.raises(ValueError, match=text):
        call()


def test_sentences_of_plans_and_conclusions():
    plan = preference_chances(20, margin=0.3, tie_share=0.1)
    assert plan.sentence.startswith("Of 20 pairs, 10 % of them ties, 15 or more for the claimed device show")
    assert "5 or fewer refute it" in plan.sentence
    assert "8 to 12 make it negligible" in plan.sentence
    short = preference_chances(3, margin=0.3).sentence
    assert "no number of wins shows a preference; no number refutes it; no number makes it negligible" in short
    assert json.loads(json.dumps(plan.to_dict()))["can_fail"] is plan.can_fail
    assert conclude_preference(5, 15, margin=0.3).sentence == "refuted: the other one is preferred."
    with pytest.raises(ValueError, match="no direction 'up'"):
        preference_chances(10, margin=0.2, direction="up")


def test_without_a_margin_nothing_is_negligible():
    assert conclude_preference(500, 500, margin=None).word == "open"
    assert conclude_preference(700, 300, margin=None).word == "shown"


def test_a_small_p_is_printed_as_such():
    assert "probability 1.9e-06 (exact" in preference_test(20, 0).sentence
    assert "probability 1 (exact" in preference_test(10, 10).sentence


def test_as_many_ties_as_choices_are_a_plan_that_was_carried_out():
    assert conclude_preference(2, 3, ties=5, margin=None).word == "open"
    assert conclude_preference(0, 0, ties=5, margin=None).word == "open"
    with pytest.raises(ValueError, match="no trial was planned"):
        conclude_preference(0, 0, margin=None)
    with pytest.raises(ValueError, match="level must lie between 0 and 1"):
        preference_test(2, 3, level=1.0)
    assert isnan(preference_test(0, 0, 5).proportion)


def test_two_camps_are_not_negligible():
    """Rao & Scott 1992, equation 2, by hand; Clopper and Pearson's limits at the effective counts by scipy's beta."""
    camps = [(9, 1), (1, 9), (9, 1), (0, 10), (10, 0), (1, 9), (8, 2), (0, 10)]
    wins, losses = (sum(own) for own in zip(*camps, strict=True))
    together = conclude_preference(wins, losses, margin=0.2)
    assert together.word == "negligible"
    assert together.wider_limits is None
    found = conclude_preference(wins, losses, margin=0.2, by_listener=camps)
    assert found.word == "open"
    assert found.listeners_differ
    assert not found.within_margin
    assert found.limits == together.limits
    p = wins / 80
    spread = 8 / 7 * sum((won - 10 * p) ** 2 for won, _ in camps) / 80**2
    effect = spread / (p * (1 - p) / 80)
    assert found.design_effect == pytest.approx(effect, rel=1e-12)
    x, n = wins / effect, 80 / effect
    assert found.wider_limits == pytest.approx((beta.ppf(0.05, x, n - x + 1), beta.ppf(0.95, x + 1, n - x)), rel=1e-9)
    assert "listeners differ" in found.sentence
    assert f"{effect:.1f} times" in found.scatter_sentence


def test_listeners_who_are_alike_change_nothing():
    for own in ([(5, 5)] * 8, [(40, 40)], []):
        found = conclude_preference(40, 40, margin=0.2, by_listener=own)
        assert found == conclude_preference(40, 40, margin=0.2)
    # What is shown stays shown, and nothing negligible ever turns into it.
    split = [(10, 0)] * 5 + [(0, 10)] * 3
    assert conclude_preference(50, 30, margin=0.1, by_listener=split).word == "shown"
    assert conclude_preference(50, 30, margin=0.3, by_listener=split).word == "open"
    assert conclude_preference(50, 30, margin=0.3).word == "negligible"
    with pytest.raises(ValueError, match="add up to 50 and 30"):
        conclude_preference(50, 30, margin=0.3, by_listener=split[1:])


def test_unanswered_pairs_count_against_the_wider_limits_too():
    own = [(9, 1), (1, 9), (7, 3), (3, 7), (6, 4), (4, 6)]
    found = conclude_preference(30, 30, margin=0.2, unanswered=9, by_listener=own)
    low, high = found.wider_limits
    effect = found.design_effect
    assert effect > 1
    assert low == pytest.approx(beta.ppf(0.05, 30 / effect, (39 / effect) + 1), rel=1e-9)
    assert high == pytest.approx(beta.ppf(0.95, 39 / effect + 1, 30 / effect), rel=1e-9)


def test_negligible_at_the_margin_comes_as_seldom_as_stated_where_listeners_differ():
    """The short form of simulate_design_effect.py, 300 studies of 8 listeners; its table has the whole."""
    spec = importlib.util.spec_from_file_location("scatter", Path(__file__).with_name("simulate_design_effect.py"))
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    (at_margin, _) = script.rows(300, panels=((8, 12, 0.15),), scatter=(0.2,))
    assert at_margin[5] > 0.10
    assert at_margin[6] <= 0.05
    with (Path(__file__).parents[1] / "references" / "stats" / "preference_scatter.csv").open(encoding="utf-8") as file:
        kept = [row for row in csv.DictReader(file) if float(row["mean"]) > 0.5]
    assert len(kept) == len(script.PANELS) * len(script.SCATTER)
    assert max(float(row["negligible"]) for row in kept if row["listeners"] != "2") <= 0.053
    assert max(float(row["negligible"]) for row in kept) <= 0.066
