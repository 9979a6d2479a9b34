"""What reads a figure's points and intervals off its drawing sees a number that is not the one published."""

import runpy
from pathlib import Path

import pytest

D = runpy.run_path(str(Path(__file__).parents[1] / "drawn_intervals.py"))


def claim(estimate, low, high):
    effects = [{"scale": "proportion right", "estimate": estimate, "interval": [low, high]}]
    return {"id": "one", "details": {}, "effects": effects}


@pytest.fixture(scope="module")
def figure():
    from matplotlib.figure import Figure

    made = Figure()
    axes = made.add_subplot()
    axes.plot([62.0, 88.0], [0, 0])
    axes.plot([75.0], [0], "o")
    return made


@pytest.mark.parametrize(
    ("published", "is_drawn"),
    [
        ((75.0, 62.0, 88.0), True),
        ((0.75, 0.62, 0.88), True),  # a share, drawn in percent
        ((75.1, 62.0, 88.0), False),
        ((75.0, 62.1, 88.0), False),
        ((75.0, 62.0, 88.1), False),
    ],
)
def test_a_point_or_an_end_that_is_not_the_published_one_is_found(figure, published, is_drawn):
    assert (D["apart"](claim(*published), [figure]) == "") is is_drawn
