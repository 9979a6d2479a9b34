"""Adjustment: what is drawn of a trial, and what a setting may be."""

from collections import Counter
from hashlib import sha256

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blindtest.design import Draws
from blindtest.methods import ADJUSTMENT, Setting
from blindtest.methods.adjustment import stride

DRAWS = Draws(sha256(b"adjustment").digest())


def setting_of(levels, sets="equal", order=0, **numbers):
    grid = tuple(f"louder@{place}" for place in range(levels))
    conditions = ("clip", *grid) if sets == "equal" else grid
    return Setting(conditions=conditions, numbers={"sets": sets, **numbers}, order=order)


def drawn(number, setting):
    return ADJUSTMENT.draw(DRAWS.source(f"key/{number}"), setting, ())


@given(
    levels=st.integers(5, 41),
    sets=st.sampled_from(["equal", "preferred"]),
    order=st.integers(0, 1),
    n=st.integers(0, 10**6),
)
def test_a_ladder_is_a_stretch_of_the_grid_and_begins_on_its_side_off_the_ends(levels, sets, order, n):
    setting = setting_of(levels, sets, order)
    trial = drawn(n, setting)
    grid = setting.conditions[1:] if sets == "equal" else setting.conditions
    first = grid.index(trial.ladder[0])
    assert trial.ladder == grid[first : first + len(trial.ladder)]
    # The size is the same in every trial: it may not tell where the window lies.
    assert len(trial.ladder) == levels - (levels - 5) // 4
    start = trial.slots[-1].condition
    place, middle = grid.index(start), (levels - 1) / 2
    assert place < middle if order == 0 else place > middle
    assert 0 < trial.ladder.index(start) < len(trial.ladder) - 1
    assert [slot.name for slot in trial.slots] == (["A", "B"] if sets == "equal" else ["1"])
    assert sets == "preferred" or trial.slots[0].condition == "clip"
    low, high = ADJUSTMENT.question(("A", "B"), setting).range
    assert (low, high) == (1 - len(trial.ladder), len(trial.ladder) - 1)


def test_windows_and_starts_are_drawn_evenly():
    """6,000 trials on 25 levels: 6 windows, and below the middle 11 or so starts; chi-square against even shares."""
    from scipy.stats import chisquare

    setting = setting_of(25)
    trials = [drawn(n, setting) for n in range(6000)]
    grid = setting.conditions[1:]
    windows = Counter(grid.index(trial.ladder[0]) for trial in trials)
    assert sorted(windows) == [0, 1, 2, 3, 4, 5]
    assert chisquare(list(windows.values())).pvalue > 0.001
    for first in windows:
        starts = Counter(grid.index(t.slots[-1].condition) for t in trials if t.ladder[0] == grid[first])
        assert sorted(starts) == list(range(first + 1, 12))
        assert chisquare(list(starts.values())).pvalue > 0.001


def test_orders_are_starts_from_below_and_from_above():
    assert ADJUSTMENT.orders(setting_of(9)) == 2
    assert not ADJUSTMENT.adaptive
    assert ADJUSTMENT.decides == ("matched",)


@pytest.mark.parametrize(
    ("sets", "numbers", "said"),
    [
        ("equal", {}, "Set B until it is as loud as A."),
        ("equal", {"attribute": "bass"}, "Set B until it has as much bass as A."),
        ("preferred", {}, "Set the sound until it is as loud as you like it best."),
        ("preferred", {"attribute": "bass"}, "Set the sound until it has as much bass as you like best."),
    ],
)
def test_the_question_says_what_is_set(sets, numbers, said):
    setting = setting_of(9, sets, **numbers)
    question = ADJUSTMENT.question(ADJUSTMENT.slot_names(setting), setting)
    assert question.prompt == said
    assert question.adjusts == ADJUSTMENT.slot_names(setting)[-1]
    assert question.step == stride(8)


def test_a_setting_is_a_whole_number_of_rungs():
    question = ADJUSTMENT.question(("A", "B"), setting_of(9))
    fault = ADJUSTMENT.fault_in
    assert fault(question, {"offset": -3}) is None
    assert fault(question, {"offset": 2.0}) is None
    assert "set the sound first" in fault(question, {})
    assert "set the sound first" in fault(question, {"offset": True})
    assert "whole number of steps from where it began, -7 to 7" in fault(question, {"offset": 1.5})
    assert "-7 to 7" in fault(question, {"offset": 8})


def test_a_large_move_is_a_fifth_of_the_ladder():
    assert [stride(rungs) for rungs in (5, 10, 15, 20, 32)] == [2, 2, 3, 4, 6]
