"""Post-screening: the standards' clauses at their limits, by counts made by hand."""

import json

import numpy as np
import pandas as pd
import pytest

from blindtest.errors import BlindtestError
from blindtest.stats import (
    ShareOfItems,
    bs_1116_rules,
    bs_1534_rules,
    friedman_test,
    screen_listeners,
    with_and_without,
)


def ratings(scores):
    """{listener: {condition: [score of item 1, ...]}}"""
    rows = [
        (listener, condition, f"item{i:02}", score)
        for listener, conditions in scores.items()
        for condition, values in conditions.items()
        for i, score in enumerate(values)
    ]
    return pd.DataFrame(rows, columns=["listener", "device", "clip", "rating"])


def reference(low, items=20):
    return {"hidden reference": [89] * low + [95] * (items - low), "mid anchor": [50] * items}


def test_fifteen_percent_are_kept_and_more_are_not():
    """BS.1534-3, 4.1.2: "more than 15 %": 3 of 20 items stay, 4 of 20 don't; 90 itself is not below 90."""
    table = ratings({"L1": reference(3), "L2": reference(4), "L3": {**reference(0), "hidden reference": [90] * 20}})
    result = screen_listeners(table, bs_1534_rules())
    assert result.kept == ("L1", "L3")
    assert result.dropped == ("L2",)
    assert "L2 (hidden reference below 90 in 4 of 20)" in result.sentence
    assert "BS.1534-3" in result.source


def test_an_item_that_many_rate_high_counts_against_nobody():
    """BS.1534-3, 4.1.2: the mid anchor above 90 by more than 25 % of the listeners excuses the item."""
    items = 10
    plain = {"hidden reference": [100] * items, "mid anchor": [40] * items}
    high = {"hidden reference": [100] * items, "mid anchor": [95, 95] + [40] * (items - 2)}
    one_of_four = screen_listeners(ratings({"L1": high, "L2": plain, "L3": plain, "L4": plain}), bs_1534_rules())
    assert one_of_four.dropped == ("L1",)  # 25 % are not more than 25 %
    assert one_of_four.excused == ()
    two_of_four = screen_listeners(ratings({"L1": high, "L2": high, "L3": plain, "L4": plain}), bs_1534_rules())
    assert two_of_four.dropped == ()
    assert two_of_four.excused == ("item00", "item01")
    assert "Counted against nobody: item00, item01." in two_of_four.sentence


def test_the_hidden_reference_excuses_nothing():
    low = {"hidden reference": [80] * 10, "mid anchor": [40] * 10}
    assert screen_listeners(ratings({"L1": low, "L2": low}), bs_1534_rules()).kept == ()


def test_difference_grades_by_the_one_sided_t_test():
    """Computed by scipy and R for the project's check values: mean -.32, t -2.9542, one-sided p .008055."""
    grades = [-0.6, -0.2, 0.1, -0.8, -0.4, 0, -0.5, -0.3, -0.7, 0.2]
    result = screen_listeners(pd.DataFrame({"listener": "L1", "sdg": grades}), bs_1116_rules())
    assert result.kept == ("L1",)
    assert "mean sdg -0.32 of 10, t = -2.95, one-sided p = 0.00806" in result.listeners[0].figures[0]


@pytest.mark.parametrize(
    ("grades", "kept"),
    [([-1, -1, -1], True), ([0, 0, 0], False), ([1, 1], False), ([-3], False), ([-1, 1], False)],
)
def test_difference_grades_without_spread_or_number(grades, kept):
    result = screen_listeners(pd.DataFrame({"listener": "L1", "sdg": grades}), bs_1116_rules())
    assert bool(result.kept) is kept


def test_a_guesser_passes_the_t_test_in_five_percent():
    """400 listeners without a difference, seed 2: three Monte Carlo errors are .033."""
    rng = np.random.default_rng(2)
    table = pd.DataFrame({"listener": np.repeat(np.arange(400), 8), "sdg": rng.standard_normal(3200)})
    assert len(screen_listeners(table, bs_1116_rules()).kept) / 400 == pytest.approx(0.05, abs=0.033)


def test_a_rule_about_what_nobody_rated_is_refused():
    with pytest.raises(BlindtestError, match=r"nobody rated, got 'mid ancor'.*did you mean 'mid anchor'"):
        screen_listeners(ratings({"L1": reference(0)}), bs_1534_rules(mid_anchor="mid ancor"))
    with pytest.raises(BlindtestError, match="no rule of screening is named"):
        screen_listeners(ratings({"L1": reference(0)}), [])
    with pytest.raises(BlindtestError, match="sdg: the table of scores has no such column"):
        screen_listeners(ratings({"L1": reference(0)}), bs_1116_rules())


def test_results_with_and_without():
    rng = np.random.default_rng(4)
    table = ratings({f"L{i}": {c: rng.integers(0, 100, 4) for c in "AB"} for i in range(6)})
    rule = ShareOfItems(condition="A", side="above", score=-1, share=0.5)
    everybody_out = screen_listeners(table, [rule])
    assert len(everybody_out.dropped) == 6
    both = with_and_without(friedman_test, table, everybody_out)
    assert both.kept is None
    assert "nobody is left" in both.sentence
    table.loc[(table["listener"] != "L3") & (table["device"] == "A"), "rating"] = 50
    table.loc[(table["listener"] == "L3") & (table["device"] == "A"), "rating"] = 99
    one_out = screen_listeners(table, [ShareOfItems(condition="A", side="above", score=90, share=0.15)])
    both = with_and_without(friedman_test, table, one_out)
    assert both.dropped == ("L3",)
    assert (both.everybody.blocks, both.kept.blocks) == (6, 5)
    assert "Without L3:" in both.sentence
    assert json.loads(json.dumps(both.to_dict()))["kept"]["blocks"] == 5


def test_nobody_dropped_is_one_result():
    table = ratings({"L1": reference(0), "L2": reference(1)})
    both = with_and_without(friedman_test, table, screen_listeners(table, bs_1534_rules()))
    assert both.kept is both.everybody
    assert both.sentence.endswith("Screening leaves out nobody.")


def test_an_analysis_that_refuses_what_is_left_says_why():
    table = ratings({"L1": reference(8), "L2": {"hidden reference": [95] * 20}})
    screening = screen_listeners(table, bs_1534_rules()[:1])
    assert screening.dropped == ("L1",)
    both = with_and_without(lambda rows: friedman_test(rows, exact=False), table, screening)
    assert both.kept is None
    assert "nothing to compare" in both.why_not


def test_the_table_stays_as_it_is():
    table = ratings({"L1": reference(9)})
    before = table.copy()
    screen_listeners(table, bs_1534_rules())
    assert table.equals(before)
