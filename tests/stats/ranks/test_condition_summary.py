"""Conditions by medians, and planned contrasts: counted by hand, scipy, warnings, refusals."""

import json

import numpy as np
import pandas as pd
import pytest
from scipy.stats import t, ttest_rel

from blindtest.errors import BlindtestError
from blindtest.stats import adjust_p_values, planned_contrasts, summarise_conditions


def table(cells):
    """{(device, clip): scores of L00, L01, ...}"""
    rows = [(f"L{i:02}", d, c, v) for (d, c), scores in cells.items() for i, v in enumerate(scores)]
    return pd.DataFrame(rows, columns=["listener", "device", "clip", "rating"])


def test_a_cell_counted_by_hand():
    """Tukey's hinges of 1..9 and 40: 3, 5.5, 8; fences -4.5 and 15.5."""
    scores = [1, 2, 3, 4, 5, 6, 7, 8, 9, 40]
    row = summarise_conditions(table({("A", "c1"): scores})).table.iloc[0]
    assert (row["n"], row["q1"], row["median"], row["q3"], row["iqr"]) == (10, 3, 5.5, 8, 5)
    assert row["outliers"] == "L09"
    half = t.ppf(0.975, 9) * np.std(scores, ddof=1) / np.sqrt(10)
    assert (row["ci_low"], row["ci_high"]) == pytest.approx((8.5 - half, 8.5 + half), rel=1e-12)


def test_intervals_over_items_rest_on_listeners():
    """Two items are no twice as many listeners: one mean each."""
    cells = {("A", "c1"): [10, 20, 30], ("A", "c2"): [20, 30, 40]}
    overall = summarise_conditions(table(cells)).table.iloc[-1]
    assert overall["item"] == "(all)"
    half = t.ppf(0.975, 2) * 10 / np.sqrt(3)
    assert (overall["mean"], overall["ci_high"]) == pytest.approx((25, 25 + half))
    assert overall["n"] == 6


def test_two_groups_of_listeners_are_suspected():
    scores = [10, 11, 12, 13, 14, 86, 87, 88, 89, 90]
    result = summarise_conditions(table({("A", "c1"): scores, ("B", "c1"): [45, 48, 49, 50, 50, 51, 52, 55, 60, 40]}))
    cells = result.table.set_index(["condition", "item"])
    assert cells.loc[("A", "c1"), "two_groups"]
    assert not cells.loc[("B", "c1"), "two_groups"]
    assert "two groups of listeners" in result.sentence
    assert "A on c1" in result.sentence


def test_scores_at_the_top_are_a_warning():
    """BS.1534-3, 2: most in 80-100 is a warning that the method or material does not fit."""
    result = summarise_conditions(table({("A", "c1"): [85, 90, 95, 50], ("B", "c1"): [81, 99, 60, 70]}))
    assert result.high_share == 5 / 8
    assert "62 % of the scores lie above 80" in result.sentence
    ends = summarise_conditions(table({("A", "c1"): [0, 100, 50, 55]}))
    assert ends.end_share == 0.5
    assert "stand at an end of the scale" in ends.sentence
    fine = summarise_conditions(table({("A", "c1"): [30, 40, 50, 55]}))
    assert fine.warnings == ()
    other = summarise_conditions(table({("A", "c1"): [4.5, 4.6, 4.7]}), scale=(1, 5))
    assert "lie above 4.2" in other.sentence


def test_unequal_cells_and_missing_scores_are_said():
    rows = table({("A", "c1"): [30, 40, 50], ("A", "c2"): [30, 40, np.nan]})
    result = summarise_conditions(rows)
    assert result.without_score == 1
    assert "Cells differ in how many scores they hold" in result.sentence


def test_one_score_is_defined():
    result = summarise_conditions(table({("A", "c1"): [50]}), item=None)
    row = result.table.iloc[0]
    assert (row["median"], row["outliers"]) == (50, "")
    assert np.isnan(row["ci_low"])
    assert json.loads(json.dumps(result.to_dict()))["table"][0]["ci_low"] is None


def test_scores_outside_the_scale_are_refused_by_row():
    with pytest.raises(
        BlindtestError, match=r"line 2: rating: a score outside the scale, got 101\.0 \(allowed: 0 to 100\)"
    ):
        summarise_conditions(table({("A", "c1"): [50, 101]}))
    with pytest.raises(BlindtestError, match="the scale's ends are not in order"):
        summarise_conditions(table({("A", "c1"): [50]}), scale=(100, 0))


def test_order_of_rows_is_nothing(references):
    panel = pd.read_csv(references / "data" / "panel_ratings_small.csv")
    shuffled = panel.sample(frac=1, random_state=1)
    a, b = summarise_conditions(panel).table, summarise_conditions(shuffled).table
    columns = ["condition", "item", "median", "q1", "q3"]
    assert a[columns].equals(b[columns])
    assert a["multimodality"].to_numpy() == pytest.approx(b["multimodality"].to_numpy())


def test_planned_contrasts_are_paired_t_tests(references):
    """scipy's ttest_rel on listeners' means; Hochberg as R's p.adjust does it (test_multiplicity.py)."""
    panel = pd.read_csv(references / "data" / "panel_ratings_small.csv")
    means = panel.groupby(["listener", "device"])["rating"].mean().unstack()
    result = planned_contrasts(panel, [("A", "B"), ("C", "B")])
    theirs = [ttest_rel(means["A"], means["B"]), ttest_rel(means["C"], means["B"])]
    assert result["p_value"].tolist() == pytest.approx([x.pvalue for x in theirs], rel=1e-10)
    assert result["t_value"].tolist() == pytest.approx([x.statistic for x in theirs], rel=1e-10)
    assert result["p_adjusted"].tolist() == pytest.approx(
        adjust_p_values([x.pvalue for x in theirs], method="hochberg").tolist()
    )
    interval = theirs[0].confidence_interval(0.95)
    assert (result.loc[0, "ci_low"], result.loc[0, "ci_high"]) == pytest.approx(tuple(interval), rel=1e-10)


def test_planned_contrasts_without_spread():
    rows = table({("A", "c1"): [5, 6, 7], ("B", "c1"): [4, 5, 6], ("C", "c1"): [5, 6, 7]})
    result = planned_contrasts(rows, [("A", "B"), ("A", "C")])
    assert result["p_value"].tolist() == [0, 1]
    one = planned_contrasts(table({("A", "c1"): [5], ("B", "c1"): [4]}), [("A", "B")])
    assert one.loc[0, "estimate"] == 1
    assert np.isnan(one.loc[0, "p_adjusted"])


@pytest.mark.parametrize(
    ("pairs", "message"),
    [
        ([("A", "D")], "names a condition that nobody rated, got 'D'"),
        ([], "no contrast was planned"),
        ([("A", "B"), ("B", "A")], "not a pair, or one that was named before"),
        ([("A", "A")], "not a pair"),
    ],
)
def test_contrasts_that_were_not_planned_well_are_refused(pairs, message):
    rows = table({("A", "c1"): [5, 6], ("B", "c1"): [4, 5]})
    with pytest.raises(BlindtestError, match=message):
        planned_contrasts(rows, pairs)
