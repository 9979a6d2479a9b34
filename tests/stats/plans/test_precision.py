"""How precisely a plan of levels finds a threshold."""

import pytest

from blindtest.stats import threshold_precision

PLAN = {"threshold": 0.0, "slope": 1.5, "guess": 0.5}


def test_more_trials_make_narrower_intervals_that_hold_the_truth():
    # Of 6 intervals of 95 % three or more miss with probability .002; the width goes with 1/sqrt(trials).
    few = threshold_precision((-1, 0, 1), 30, **PLAN, studies=6, seed=4)
    many = threshold_precision((-1, 0, 1), 120, **PLAN, studies=6, seed=4)
    assert many.width < 0.75 * few.width
    assert many.coverage > 0.5
    assert many.bounded == 1.0
    assert abs(many.bias) < many.width


def test_the_same_seed_gives_the_same_numbers():
    one, other = (threshold_precision((-1, 0, 1), 40, **PLAN, studies=1, seed=7) for _ in range(2))
    assert one == other


def test_levels_all_far_above_leave_nothing_to_fit():
    found = threshold_precision((20, 30), 5, **PLAN, studies=3)
    assert (found.studies, found.refused) == (0, 3)
    assert found.sentence.startswith("Not one simulated study could be fitted")


def test_numbers_out_of_range_are_refused():
    with pytest.raises(ValueError, match=r"two or more different levels are needed, got \[1\]"):
        threshold_precision([1], 20, **PLAN)
    with pytest.raises(ValueError, match="the slope above 0"):
        threshold_precision([0, 1], 20, threshold=0.0, slope=0.0, guess=0.5)
