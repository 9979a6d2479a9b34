"""Stopping rules as tables: the same numbers as the rules themselves, and words that are wrong at most at alpha."""

import csv
import itertools
import json
import runpy
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm
from scipy.stats import t as student

from blindtest.stats import (
    STOPPING_RULES,
    StopTable,
    conclude_stopped,
    e_process_stopped,
    e_value,
    equal_looks,
    group_sequential,
    heard_proportion,
    sprt,
    stagewise_result,
    stop_table,
    stopped_chances,
)

REFERENCES = Path(__file__).parents[2] / "references" / "stats"
RULES = {
    "group-sequential": {"looks": 4},
    "group-sequential, futile": {"looks": (15, 30, 45, 60), "beta": 0.05, "spending": "pocock"},
    "sprt": {"beta": 0.1},
    "sprt, alike": {},
    "e-process": {},
}


def table_of(name, trials=60, method="abx", margin=0.5, alpha=0.05):
    return stop_table(name.split(",")[0], trials, method=method, margin=margin, alpha=alpha, **RULES[name])


def chance_of(table, proportion, how):
    chances = table.chances(proportion)
    return sum(float(one) for one, end in zip(chances, table.endings, strict=True) if end.how == how)


def enumerated(table, proportion):
    """Every series of answers followed by hand: the chance of each ending."""
    found = {}
    for series in itertools.product((False, True), repeat=table.trials):
        end = table.stop(series)
        weight = np.prod([proportion if one else 1 - proportion for one in series])
        found[end] = found.get(end, 0.0) + float(weight)
    return found


@pytest.mark.parametrize("name", RULES)
def test_endings_are_those_of_every_series_gone_through(name):
    kwargs = {**RULES[name], **({"looks": (3, 6, 10)} if "looks" in RULES[name] else {})}
    table = stop_table(name.split(",")[0], 10, method="abx", margin=0.9, alpha=0.1, **kwargs)
    for proportion in (0.5, 0.8):
        found = enumerated(table, proportion)
        assert set(found) == set(table.endings)
        assert [found[end] for end in table.endings] == pytest.approx(table.chances(proportion).tolist(), rel=1e-12)
    assert sum(one.trials * p for one, p in found.items()) == pytest.approx(table.expected_trials(0.8), rel=1e-12)


def test_the_ratio_test_has_the_references_error_rates_and_lengths():
    # tests/references/stats/sprt_short.json: another program's exact sums, without an end; here cut at 600 trials.
    expected = json.loads((REFERENCES / "sprt_short.json").read_text())["expected"]
    table = stop_table("sprt", 600, method="abx", margin=0.5, beta=0.1)
    for case in [case for case in expected["cases"] if case["truncated_at"] is None]:
        assert chance_of(table, case["p"], "high") == pytest.approx(case["exact_prob_accept_h1"], abs=1e-9)
        assert chance_of(table, case["p"], "low") == pytest.approx(case["exact_prob_accept_h0"], abs=1e-9)
        assert table.expected_trials(case["p"]) == pytest.approx(case["exact_expected_trials"], abs=1e-6)


def test_the_ratio_test_cut_short_is_that_of_its_plan():
    table, plan = table_of("sprt"), sprt(p0=0.5, p1=0.75, alpha=0.05, beta=0.1)
    assert table.high == tuple(n if (n := plan.accepting(t)) <= t else None for t in table.looks)
    for proportion in (0.5, 0.6, 0.75):
        operating = plan.operating(proportion, truncated=60)
        assert chance_of(table, proportion, "high") == pytest.approx(operating.accept_h1, rel=1e-10)
        assert chance_of(table, proportion, "low") == pytest.approx(operating.accept_h0, rel=1e-10)
        assert table.expected_trials(proportion) == pytest.approx(operating.expected_trials, rel=1e-10)


def test_the_e_process_ends_where_both_bets_say_so():
    table = table_of("e-process")
    for look, high, low in zip(table.looks, table.high, table.low, strict=True):
        if high is not None:
            assert e_value(high, look) >= 20 > e_value(high - 1, look)
        if low is not None:
            assert e_value(look - low, look, guess=0.25) >= 20 > e_value(look - low - 1, look, guess=0.25)
    # The bet against the margin can only end more series before: never more often high than without it.
    assert 0 < e_process_stopped(60, proportion=0.5) - chance_of(table, 0.5, "high") < 0.001


@pytest.mark.parametrize("futile", [False, True])
def test_a_few_looks_are_read_as_the_plan_of_looks_reads_them(futile):
    """p, limits and estimate are those of `stagewise_result`, which takes another way to them."""
    looks = (15, 30, 45, 60)
    plan = group_sequential(looks, futility_proportion=0.75 if futile else None, beta=0.05)
    table = stop_table("group-sequential", 60, method="abx", margin=0.5, looks=looks, beta=0.05 if futile else None)
    assert (table.high, table.low) == (plan.stop_high, plan.futility)
    for end in table.endings[:: 5 if futile else 7]:
        place, said = table.place(end.correct, end.trials), stagewise_result(plan, end.correct, end.trials)
        if not futile:
            assert table.at_least(place, 0.5) == pytest.approx(said.p_value, rel=1e-9)
            assert table.lower_limit(place, 0.95) == pytest.approx(said.lower_limit, abs=1e-7)
            assert table.estimate(place) == pytest.approx(said.estimate, abs=1e-7)
        else:
            # There p leaves the bounds for futility out; in a sitting they are kept to, so it is smaller, if anything.
            assert table.at_least(place, 0.5) <= said.p_value + 1e-12
        assert table.upper_limit(place, 0.95) == pytest.approx(said.upper_limit, abs=1e-7)


@pytest.mark.parametrize(("method", "margin"), [("abx", 0.5), ("triangle", 0.3)])
@pytest.mark.parametrize("name", RULES)
def test_no_word_is_wrong_more_often_than_alpha(name, method, margin):
    """Exact over every ending, whatever the truth is: guessing, or the margin."""
    table, rule = table_of(name, 60, method, margin), name.split(",")[0]

    def word(end):
        answers = series_to(table, end)
        return conclude_stopped(table, [("L1", answers)], rule=rule, method=method, margin=margin, alpha=0.05).word

    if rule == "e-process":
        # Limits along the way are dear: the words by their definition, and some of them held against it.
        guess, heard = heard_proportion(0, method), heard_proportion(margin, method)
        words = [
            "negligible"
            if e_value(end.trials - end.correct, end.trials, guess=1 - heard) >= 20
            else "shown"
            if e_value(end.correct, end.trials, guess=guess) >= 20
            else "open"
            for end in table.endings
        ]
        some = range(0, len(words), len(words) // 4)
        assert [words[place] for place in some] == [word(table.endings[place]) for place in some]
    else:
        words = [word(end) for end in table.endings]
    guessing, heard = table.chances(heard_proportion(0, method)), table.chances(heard_proportion(margin, method))
    shown = sum(p for p, word in zip(guessing, words, strict=True) if word == "shown")
    negligible = sum(p for p, word in zip(heard, words, strict=True) if word == "negligible")
    assert 0.0 < shown <= 0.05
    assert 0.0 <= negligible <= 0.05
    told = stopped_chances(table, rule=rule, method=method, margin=margin)
    assert told.chance_shown_by_guessing == pytest.approx(shown, rel=1e-9)
    assert told.chance_negligible_if_heard == pytest.approx(negligible, rel=1e-9)


def series_to(table, end):
    """Return some series of answers that ends there: found by going back along ways that end nowhere before."""

    def found(trials, correct):
        if trials == 0:
            return [] if correct == 0 else None
        for last in (True, False):
            before = (trials - 1, correct - last)
            if not 0 <= before[1] <= before[0] or (before in table.places and before[0] > 0):
                continue
            if before[0] in ends and _ends(table, *before):
                continue
            rest = found(*before)
            if rest is not None:
                return [*rest, last]
        return None

    ends = set(table.looks)
    return found(end.trials, end.correct)


def _ends(table, trials, correct):
    place = table.looks.index(trials)
    high, low = table.high[place], table.low[place]
    return (high is not None and correct >= high) or (low is not None and correct <= low)


def test_a_ratio_test_that_errs_more_than_alpha_says_so_by_open():
    """Wald's bounds are not exact: for a triangle, margin .5 and beta .2 the real rate of ending high is .0551."""
    table = stop_table("sprt", 200, method="triangle", margin=0.5, beta=0.2)
    assert chance_of(table, 1 / 3, "high") == pytest.approx(0.0551, abs=5e-5)
    chances = stopped_chances(table, rule="sprt", method="triangle", margin=0.5)
    assert chances.chance_shown_by_guessing <= 0.05


def test_the_p_value_of_a_fixed_number_is_not_reported():
    """15 of the first 15 right end a test of four looks: its p is that of the plan, not 2**-15 only by accident."""
    table = table_of("group-sequential")
    at_second = [False] + [True] * 23 + [False] * 6
    said = conclude_stopped(table, [("L1", at_second)], rule="group-sequential", method="abx", margin=0.5)
    # By hand: all 15 of the first 15, or 23 or more of 30 with fewer than 15 of the first 15.
    from math import comb

    second = sum(comb(30, k) for k in range(23, 31)) - sum(comb(15, k) for k in range(8, 16))
    by_hand = 1 / 2**15 + second / 2**30
    assert said.p_value == pytest.approx(by_hand, rel=1e-12)
    assert said.word == "shown"
    assert said.sittings[0].how == "high"
    assert said.sittings[0].lower_limit > 0.5


def test_what_was_left_unanswered_counts_against_either_word():
    table = table_of("sprt, alike")
    cut = conclude_stopped(table, [("L1", [True] * 7)], rule="sprt", method="abx", margin=0.5)
    assert (cut.word, cut.unanswered, cut.sittings[0].how) == ("open", 53, "unfinished")
    assert cut.p_value > 0.05
    whole = conclude_stopped(table, [("L1", [True] * 8)], rule="sprt", method="abx", margin=0.5)
    assert (whole.word, whole.unanswered) == ("shown", 0)
    assert whole.p_value == pytest.approx(2**-8)
    # A few looks: what is sure by the next look whatever is answered, is shown.
    looks = table_of("group-sequential")
    sure = conclude_stopped(looks, [("L1", [True] * 14 + [False] + [True] * 9)], rule="group-sequential",
                            method="abx", margin=0.5)  # fmt: skip
    assert (sure.word, sure.sittings[0].how) == ("shown", "unfinished")


def test_several_listeners_are_told_together():
    table = table_of("e-process")
    heard, lost = [True] * 7, [False] * 3
    both = conclude_stopped(table, [("L1", heard), ("L2", lost)], rule="e-process", method="abx", margin=0.5)
    assert both.e_value == pytest.approx(e_value(7, 7) * e_value(0, 3))
    assert both.margin_e_value == pytest.approx(e_value(0, 7, guess=0.25) * e_value(3, 3, guess=0.25))
    assert both.word == "open"
    ratio = table_of("sprt")
    two = conclude_stopped(ratio, [("L1", [True] * 8), ("L2", [True] * 8)], rule="sprt", method="abx", margin=0.5)
    # Fisher 1932: the tail of chi-squared with 4 degrees of freedom at x is exp(-x/2) (1 + x/2); x/2 = 16 ln 2.
    half = 16 * np.log(2)
    assert two.p_value == pytest.approx(np.exp(-half) * (1 + half), rel=1e-9)


def test_a_panel_is_simulated_over_the_endings_of_each():
    table = table_of("sprt")
    two = stopped_chances(table, rule="sprt", method="abx", margin=0.5, listeners=2)
    assert not two.exact
    assert two.chance_shown_by_guessing <= 0.05 + 3 * 0.0016
    assert two.chance_shown > stopped_chances(table, rule="sprt", method="abx", margin=0.5).chance_shown


def test_answers_that_go_on_beyond_the_end_are_refused():
    with pytest.raises(ValueError, match="the rule ended the test after 8 trials, got 9 answers"):
        conclude_stopped(table_of("sprt"), [("L1", [True] * 9)], rule="sprt", method="abx", margin=0.5)


def test_numbers_that_a_rule_has_no_use_for_are_refused():
    assert equal_looks(3, 50) == (17, 34, 50)
    assert set(STOPPING_RULES) == {name.split(",")[0] for name in RULES}
    for kwargs, said in (
        ({"rule": "sprt", "looks": 3}, "it reads no looks"),
        ({"rule": "e-process", "beta": 0.1}, "reads no beta"),
        ({"rule": "group-sequential", "looks": (10, 20)}, "the last look is after the last trial"),
        ({"rule": "at will"}, "no stopping rule 'at will'"),
    ):
        with pytest.raises(ValueError, match=said):
            stop_table(kwargs.pop("rule"), 60, method="abx", margin=0.5, **kwargs)
    with pytest.raises(ValueError, match="would both end it"):
        StopTable(looks=(5,), high=(3,), low=(3,))


@pytest.mark.parametrize("name", RULES)
def test_the_unbiased_estimate_is_right_on_average_whatever_the_truth(name):
    """Girshick, Mosteller & Savage 1946: exact over every ending; of a fixed number it is the plain proportion."""
    table = table_of(name)
    for proportion in (0.2, 0.5, 0.75, 0.9):
        assert float(table.chances(proportion) @ table.unbiased) == pytest.approx(proportion, abs=1e-10)
    fixed = StopTable(looks=(12,), high=(None,), low=(None,))
    assert fixed.unbiased == pytest.approx([one.correct / 12 for one in fixed.endings], rel=1e-14)
    assert fixed.unbiased_variance(0.75) == pytest.approx(0.75 * 0.25 / 12, rel=1e-12)


def camps(table, hearing, others):
    """Return answers of so many who hear everything and so many who are right in every other trial."""
    found = [(f"H{n}", [True] * table.trials) for n in range(hearing)]
    found += [(f"G{n}", [bool(i % 2) for i in range(table.trials)]) for n in range(others)]
    return [(who, answers[: table.stop(answers).trials]) for who, answers in found]


@pytest.mark.parametrize("name", ["group-sequential, futile", "sprt, alike", "e-process"])
def test_a_panel_of_whom_half_hear_everything_is_not_negligible(name):
    """Fisher's method holds p against *all* hearing so much: it says no word about their mean (here: the margin)."""
    table, rule = table_of(name), name.split(",")[0]
    kwargs = {"rule": rule, "method": "abx", "margin": 0.5}
    before = conclude_stopped(table, camps(table, 8, 8), **kwargs, by_mean=False)
    assert (before.word, before.mean_p_value) == ("negligible", None)
    found = conclude_stopped(table, camps(table, 8, 8), **kwargs)
    assert (found.word, found.listeners_differ) == ("shown", True)
    estimates = [one.unbiased for one in found.sittings]
    t = (np.mean(estimates) - 0.75) / (np.std(estimates, ddof=1) / 4)
    z = (np.mean(estimates) - 0.75) / (table.unbiased_variance(0.75) ** 0.5 / 4)
    assert found.mean_p_value == pytest.approx(max(student.cdf(t, 15), norm.cdf(z)), rel=1e-9)
    assert found.margin_p_value == before.margin_p_value <= 0.05
    # Nobody hears anything: each alone is below the margin, and so is their mean.
    guessing = conclude_stopped(table, camps(table, 0, 4), **kwargs)
    assert (guessing.word, guessing.listeners_differ) == ("negligible", False)
    assert guessing.decisive_p_value == max(guessing.margin_p_value, guessing.mean_p_value)
    assert guessing.mean_p_value <= max(one.margin_p_value for one in guessing.sittings)


def test_a_panel_whose_half_hears_everything_ends_as_negligible_no_more_often_than_stated():
    """The short form of simulate_stopped_panels.py; its table has the whole."""
    script = runpy.run_path(str(Path(__file__).parents[1] / "simulate_stopped_panels.py"))
    (found,) = script["rows"](400, rules=("group-sequential",), panels=(8,), margins=(0.5,), people=("camps",))
    assert found["together"] > 0.5
    assert found["negligible"] <= 0.05 + 3 * 0.011
    with (REFERENCES / "stopped_panels.csv").open(encoding="utf-8") as file:
        kept = list(csv.DictReader(file))
    assert max(float(row["negligible"]) for row in kept if row["people"] == "halves") <= 0.001
    assert max(float(row["negligible"]) for row in kept if row["people"] == "scattered") <= 0.08
    assert max(float(row["together"]) for row in kept if row["people"] == "halves") > 0.99
    many = [row for row in kept if row["people"] == "camps" and int(row["listeners"]) >= 5]
    assert max(float(row["negligible"]) for row in many) <= 0.06
    # What a plan promises is what comes out, by drawing answers one by one.
    for row in (row for row in kept if row["people"] == "guessing" and row["listeners"] == "3"):
        rule, margin = row["rule"], float(row["margin"])
        table = stop_table(rule, 60, method="abx", margin=margin, **script["RULES"][rule])
        told = stopped_chances(table, rule=rule, method="abx", margin=margin, listeners=3)
        assert told.chance_negligible == pytest.approx(float(row["negligible"]), abs=0.035)
