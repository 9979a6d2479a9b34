"""Averages of staircases."""

import json
from math import inf, isnan

import numpy as np
import pandas as pd
import pytest
from scipy.stats import t as student

from blindtest.errors import BlindtestError
from blindtest.stats import staircase_average, up_down_target, weighted_step_ratio


def test_targets_are_those_of_the_reference(expected):
    # Levitt 1971, Kaernbach 1991, closed forms; 1e-12
    for name, target in expected("up_down_targets")["transformed"].items():
        up, down = (int(part.split("-")[0]) for part in name.split("_"))
        assert up_down_target(down=down, up=up) == pytest.approx(target, abs=1e-12)
    for name, case in expected("up_down_targets")["weighted"].items():
        ratio = weighted_step_ratio(float(name.removeprefix("target_")))
        assert ratio == pytest.approx(case["step_up_over_step_down"], abs=1e-12)


def test_targets_of_methods():
    # methods 1.5: .5000, .7071, .7937, .8409; for .75 the upward step is three times the downward one
    assert [up_down_target(down=k) for k in (1, 2, 3, 4)] == pytest.approx([0.5, 0.7071, 0.7937, 0.8409], abs=5e-5)
    assert weighted_step_ratio(0.75) == 3


def test_a_track_by_hand():
    """Moves of 4, then 2, then 1: 10 6 2 | 6 | 4 | 5 6 | 5 | 6 7 | 6.

    Turns at 2, 6, 4, 6, 5, 7; the step last changes at the third, and of the odd number left 6 is dropped.
    """
    found = staircase_average(pd.DataFrame({"level": [10, 6, 2, 6, 4, 5, 6, 5, 6, 7, 6]}))
    assert found.tracks[0].reversals == (2, 6, 4, 6, 5, 7)
    assert found.tracks[0].used == (5, 7)
    assert found.estimate == 6
    assert found.interval == (-inf, inf)
    assert isnan(found.between)
    assert json.loads(json.dumps(found.to_dict(), allow_nan=False))["sentence"] == found.sentence


def test_levels_that_stay_are_no_moves():
    """In a two-down rule every second trial repeats its level."""
    one = staircase_average(pd.DataFrame({"level": [3, 2, 3, 2, 3, 2]}))
    other = staircase_average(pd.DataFrame({"level": [3, 3, 2, 2, 2, 3, 2, 2, 3, 3, 2]}))
    assert one.tracks[0].used == other.tracks[0].used == (2, 3, 2, 3)


def test_unequal_steps_up_and_down_are_no_change_of_step():
    found = staircase_average(pd.DataFrame({"level": [9, 8, 7, 10, 9, 12, 11, 10, 13, 12]}))
    assert found.tracks[0].reversals == found.tracks[0].used[-6:] or len(found.tracks[0].used) >= 4
    assert found.tracks[0].used == (7, 10, 9, 12, 10, 13)


def test_tracks_give_students_interval():
    # scipy 1.17.1 t; means 2.5, 3.5, 4.5
    rows = [(name, level) for name, low in (("a", 2), ("b", 3), ("c", 4)) for level in (low + 1, low) * 4]
    found = staircase_average(pd.DataFrame(rows, columns=["track", "level"]), down=3)
    assert found.estimate == 3.5
    assert found.between == 1
    half = student.ppf(0.975, 2) / np.sqrt(3)
    assert found.interval == pytest.approx((3.5 - half, 3.5 + half), abs=1e-9)
    assert found.target == pytest.approx(0.7937, abs=5e-5)
    assert "79.4 % right" in found.sentence
    shuffled = [row for _, row in sorted(enumerate(rows), key=lambda pair: (pair[0] % 8, pair[0]))]
    assert staircase_average(pd.DataFrame(shuffled, columns=["track", "level"])).estimate == 3.5


def test_listeners_weigh_alike_whatever_their_number_of_tracks():
    rows = [("x", 1, level) for level in (1, 0) * 4] + [("y", i, level) for i in range(3) for level in (5, 4) * 4]
    found = staircase_average(pd.DataFrame(rows, columns=["listener", "track", "level"]))
    assert [name for name, _, _ in found.listeners] == ["x", "y"]
    assert found.estimate == (0.5 + 4.5) / 2
    assert "2 listeners" in found.sentence


def test_a_track_that_never_settles_is_left_out_and_named():
    rows = [("a", level) for level in (3, 2) * 4] + [("b", level) for level in (9, 8, 7)]
    found = staircase_average(pd.DataFrame(rows, columns=["track", "level"]))
    assert found.estimate == 2.5
    assert isnan(found.tracks[1].estimate)
    assert found.tracks[1].reversals == ()


@pytest.mark.parametrize(
    ("rows", "text"),
    [
        (pd.DataFrame({"lvl": [1]}), "no column 'level'"),
        (pd.DataFrame({"level": []}), "no trial"),
        (pd.DataFrame({"level": [1, "loud"]}), "row 2: no level, got 'loud'"),
        (pd.DataFrame({"level": [3, 2, 1]}), "no track has two reversals"),
    ],
)
def test_tables_that_say_nothing_are_refused(rows, text):
    with pytest.raises(BlindtestError, match=text):
        staircase_average(rows)


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: up_down_target(down=2, up=2), "one of both must be 1"),
        (lambda: up_down_target(down=0), "at least one answer"),
        (lambda: weighted_step_ratio(1.0), "must lie between 0 and 1"),
    ],
)
def test_what_means_nothing_is_refused(call, text):
    with pytest.raises(ValueError, match=text):
        call()
