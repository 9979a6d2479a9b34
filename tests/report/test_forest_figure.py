"""Studies side by side as a picture: every number in the data and in the text alternative, always the same bytes."""

from dataclasses import replace
from xml.etree import ElementTree

import pytest

from blindtest.report.forest_figure import Forest, ForestRow, forest_figure

ROWS = (
    ForestRow(name="spring", estimate=72.5, interval=(61.0, 81.9), weight=0.4, counts="58 of 80, 3 listeners"),
    ForestRow(name="autumn", estimate=81.0, interval=(73.2, 87.0), weight=0.6, counts="102 of 126, 4 listeners"),
)
MEAN = ForestRow(name="mean of studies", estimate=77.9, interval=(22.0, 98.0), weight=1.0, counts="random effects")
FOREST = Forest(
    title="Right answers in 2 studies", axis="right answers, %", none=50.0, none_name="guessing", rows=ROWS, mean=MEAN,
    one_more=(60.0, 90.0),
)  # fmt: skip


@pytest.fixture(scope="module")
def figure():
    return forest_figure(FOREST)


def test_every_number_is_in_the_data_and_in_words(figure):
    assert figure.rows[0] == ("spring", "58 of 80, 3 listeners", 72.5, 61.0, 81.9, 40.0)
    assert figure.rows[-1] == ("one more study", "", "", 60.0, 90.0, "")
    for said in (
        "spring: 58 of 80, 3 listeners, 72.5 (61.0 to 81.9), weight 40 %",
        "Together 77.9 (22.0 to 98.0)",
        "One more study is expected from 60.0 to 90.0",
        "guessing is 50.0",
    ):
        assert said in figure.description
    root = ElementTree.fromstring(figure.svg)
    assert root.get("role") == "img"
    assert "autumn" in figure.svg


def test_the_same_input_gives_the_same_bytes(figure):
    again = forest_figure(FOREST)
    assert (again.svg, again.png) == (figure.svg, figure.png)


def test_a_mean_that_reaches_far_is_drawn_whole_within_bounds_and_else_marked_as_cut():
    wide = replace(FOREST, mean=replace(MEAN, interval=(-400.0, 500.0)), one_more=None)
    assert "Together 77.9 (−400.0 to 500.0)" in forest_figure(wide).description
    cut, whole = (figure_ends(forest) for forest in (wide, replace(FOREST, bounds=(0.0, 100.0))))
    assert cut[0] > -100
    assert cut[1] < 200
    assert whole[0] < 22.0
    assert whole[1] > 98.0


def figure_ends(forest):
    from blindtest.report.forest_figure import _span

    return _span(forest)


def test_studies_that_were_not_pooled_stand_without_a_mean():
    alone = replace(FOREST, rows=tuple(replace(row, weight=None) for row in ROWS), mean=None, one_more=None)
    drawn = forest_figure(alone)
    assert "Together" not in drawn.description
    assert [row[-1] for row in drawn.rows] == ["", ""]
