"""Averages, curves between points, and smoothing, against closed forms and other routes."""

import json
import statistics
import subprocess
import sys
import warnings
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blindtest.device import (
    Response,
    average_seatings,
    channel_mean,
    interpolated,
    level_at,
    level_between,
    smooth,
)
from blindtest.errors import BlindtestError

ORACLE = json.loads(
    (Path(__file__).parents[1] / "references" / "device" / "minimum_phase.json").read_text(encoding="utf-8")
)
OCTAVES = 20 * 2.0 ** np.arange(0, 10, 1 / 12)


def one(levels, frequency=OCTAVES, **more):
    levels = np.asarray(levels, dtype=float)
    return Response(frequency=frequency, magnitude=levels[:, None] if levels.ndim == 1 else levels, **more)


def test_seatings_are_averaged_in_decibels_with_their_spread():
    """Against the standard library's mean and stdev (n - 1) of the same numbers."""
    rows = [[80.0, 82.5, 79.0], [81.0, 80.5, 84.0], [79.5, 83.0, 80.0], [80.0, 80.0, 80.0]]
    average = average_seatings([one(row, [100, 1000, 10000]) for row in rows])
    for k, column in enumerate(zip(*rows, strict=True)):
        assert average.response.magnitude[k, 0] == pytest.approx(statistics.fmean(column), abs=1e-12)
        assert average.spread[k, 0] == pytest.approx(statistics.stdev(column), abs=1e-12)
        assert average.range[k, 0] == pytest.approx(max(column) - min(column), abs=1e-12)
    assert average.seatings == 4
    assert average.response.phase is None


def test_mean_of_the_power():
    """By hand: the mean of 1 and 100 is 50.5, 17.0329 dB; in dB it is 10."""
    seatings = [one([0, 0, 0], [100, 1000, 10000]), one([20, 20, 20], [100, 1000, 10000])]
    assert average_seatings(seatings, mean="power").response.magnitude == pytest.approx(17.03291, abs=1e-5)
    assert average_seatings(seatings).response.magnitude == pytest.approx(10)
    with pytest.raises(ValueError, match="mean must be"):
        average_seatings(seatings, mean="median")


def test_a_single_seating_has_no_spread():
    average = average_seatings([one(np.zeros(len(OCTAVES)))])
    assert np.isnan(average.spread).all()
    assert (average.range == 0).all()


def test_seatings_on_other_grids_meet_on_the_finest_within_the_common_range():
    """A slope of 3 dB an octave is the same straight line on every grid."""
    coarse = 50 * 2.0 ** np.arange(0, 9)
    fine = 20 * 2.0 ** np.arange(0, 9, 1 / 24)
    average = average_seatings([one(3 * np.log2(coarse), coarse), one(3 * np.log2(fine) + 2, fine)])
    frequency = average.response.frequency
    assert frequency[0] >= 50
    assert frequency[-1] <= fine[-1]
    assert set(frequency) <= set(fine)
    assert average.response.magnitude[:, 0] == pytest.approx(3 * np.log2(frequency) + 1, abs=1e-9)
    assert average.spread == pytest.approx(np.sqrt(2), abs=1e-9)
    assert "seatings on different grids: read on the finest, from 50 to" in average.response.remarks[-1]


def test_rigs_and_channels_are_never_mixed():
    flat = np.zeros(3)
    mono = one(flat, [100, 1000, 10000], rig="ear simulator 1", sources=("a.txt",))
    other = one(flat, [100, 1000, 10000], rig="ear simulator 2", sources=("b.txt",))
    pair = one(np.zeros((3, 2)), [100, 1000, 10000], channels=("left", "right"), sources=("c.txt",))
    with pytest.raises(BlindtestError, match=r"b\.txt: responses of different rigs are never combined"):
        average_seatings([mono, other])
    with pytest.raises(BlindtestError, match=r"c\.txt: this seating has other channels than the first one"):
        average_seatings([mono, pair])
    with pytest.raises(BlindtestError, match="no common range of frequencies"):
        average_seatings([one(flat, [10, 20, 30]), one(flat, [100, 200, 300])])
    with pytest.raises(BlindtestError, match="no seatings to average"):
        average_seatings([])
    assert average_seatings([mono, mono]).response.rig == "ear simulator 1"


def test_channel_mean_is_in_decibels():
    pair = one(np.array([[80.0, 82.0], [70.0, 90.0], [60, 61]]), [100, 1000, 10000], channels=("left", "right"))
    mean = channel_mean(pair)
    assert mean.channels == ("both",)
    assert mean.magnitude[:, 0].tolist() == [81, 80, 60.5]


@pytest.mark.parametrize("case", ORACLE["cases"], ids=lambda case: case["name"])
def test_between_the_points_the_curve_is_that_of_the_sections(case):
    """Oracle: 48 points an octave of a chain of sections, its exact level at other frequencies, within 0.001 dB."""
    k = np.arange(case["points"])
    response = one(case["magnitude_db"], case["first_frequency"] * 2 ** (k / case["points_per_octave"]))
    got = interpolated(response, case["frequency"])[:, 0]
    assert got == pytest.approx(case["expected"]["magnitude_db"], abs=0.001)


@given(st.lists(st.floats(-40, 40), min_size=2, max_size=12), st.lists(st.floats(1, 30000), min_size=1))
def test_a_curve_never_overshoots_its_points_and_holds_its_ends(levels, at):
    """Law of monotone interpolation (Fritsch and Butland 1984)."""
    frequency = np.geomspace(30, 12000, len(levels))
    got = level_at(frequency, levels, at)
    for f, level in zip(at, got, strict=True):
        k = np.clip(np.searchsorted(frequency, f), 1, len(levels) - 1)
        low, high = sorted((levels[k - 1], levels[k]))
        assert low - 1e-9 <= level <= high + 1e-9
    assert level_at(frequency, levels, [0, 1e6]) == pytest.approx([levels[0], levels[-1]])


def test_mean_level_between_two_frequencies():
    """By hand: a slope of 6 dB an octave has its mean at the geometric mean; beyond the ends the level is held."""
    frequency = np.array([125.0, 250, 500, 1000, 2000, 4000])
    slope = 6 * np.log2(frequency / 1000)
    assert level_between(frequency, slope, 300, 3000) == pytest.approx(6 * np.log2(np.sqrt(0.9)), abs=1e-9)
    assert level_between(frequency, slope, 2000, 16000) == pytest.approx((9 + 12 + 12) / 3, abs=1e-9)
    assert level_between(frequency, slope, 31.25, 125) == pytest.approx(-18)
    assert level_between(frequency, slope, 8000, 16000) == pytest.approx(12)
    assert level_between(frequency, slope, 1000, 1000) == pytest.approx(0)
    assert level_between(frequency, np.stack([slope, slope + 1], 1), 300, 3000).shape == (2,)
    with pytest.raises(ValueError, match="0 < lo <= hi"):
        level_between(frequency, slope, 0, 100)


def test_mean_level_agrees_with_fine_sampling():
    levels = 5 * np.sin(np.arange(len(OCTAVES)))
    edges = np.geomspace(37, 9100, 200_001)
    middle = np.sqrt(edges[1:] * edges[:-1])
    assert level_between(OCTAVES, levels, 37, 9100) == pytest.approx(level_at(OCTAVES, levels, middle).mean(), abs=1e-6)


@pytest.mark.parametrize("fraction", [1 / 48, 1 / 12, 1 / 3, 1])
def test_smoothing_a_slope(fraction):
    """Closed form: the mean power of a dB an octave over w octaves is sinh(x)/x, x = a w ln(10)/20."""
    frequency = 20 * 2.0 ** np.arange(0, 10, 1 / 480)
    got = smooth(one(6 * np.log2(frequency), frequency), fraction)
    x = 6 * fraction * np.log(10) / 20
    inside = (frequency > 45) & (frequency < 9000)
    expected = 6 * np.log2(frequency) + 10 * np.log10(np.sinh(x) / x)
    assert got.magnitude[inside, 0] == pytest.approx(expected[inside], abs=1e-4)
    assert got.magnitude[[0, -1], 0] == pytest.approx(6 * np.log2(frequency[[0, -1]]))


def test_one_point_is_its_own_mean():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert smooth(
            Response(frequency=[1000.0], magnitude=[[3.0, 4.0]], channels=("left", "right")), 1 / 3
        ).magnitude.tolist() == [[3, 4]]


def test_smoothing_is_a_mean_of_power_over_log_frequency():
    """Another route: the same curve (straight in power between points) sampled densely and averaged."""
    rng = np.random.default_rng(3)
    frequency = np.sort(20 * 1000 ** rng.random(150))
    levels = rng.normal(0, 6, 150)
    got = smooth(one(levels, frequency), 1 / 6)
    x = np.log2(frequency)
    for k in range(20, 130, 9):
        half = min(1 / 12, x[k] - x[0], x[-1] - x[k])
        dense = np.linspace(x[k] - half, x[k] + half, 40_001)
        power = np.interp(dense, x, 10 ** (levels / 10))
        assert got.magnitude[k, 0] == pytest.approx(10 * np.log10(power.mean()), abs=1e-3)
    assert got.remarks[-1] == "smoothed over 1/6 octave, mean power"


@settings(deadline=None)
@given(st.lists(st.floats(-100, 100), min_size=3, max_size=40), st.floats(1 / 48, 1), st.floats(-50, 50))
def test_smoothing_stays_within_the_levels_and_moves_with_a_gain(levels, fraction, gain):
    frequency = np.geomspace(20, 20000, len(levels))
    got = smooth(one(levels, frequency), fraction).magnitude
    assert got.min() >= min(levels) - 1e-9
    assert got.max() <= max(levels) + 1e-9
    moved = smooth(one(np.array(levels) + gain, frequency), fraction).magnitude
    assert moved == pytest.approx(got + gain, abs=1e-6)


@pytest.mark.parametrize("fraction", [0, -1, 1.1, 1 / 49])
def test_smoothing_widths_outside_the_range_are_refused(fraction):
    with pytest.raises(ValueError, match="fraction must be 1/48 to 1 octave"):
        smooth(one(np.zeros(len(OCTAVES))), fraction)


def test_a_response_is_read_only_and_its_shapes_are_checked():
    response = one(np.zeros(3), np.array([1.0, 2, 3]))
    with pytest.raises(ValueError, match="read-only"):
        response.magnitude[0, 0] = 1
    with pytest.raises(ValueError, match="magnitude must be"):
        Response(frequency=[1, 2], magnitude=[[0], [0], [0]])
    with pytest.raises(ValueError, match="phase must be"):
        Response(frequency=[1, 2], magnitude=[[0], [0]], phase=[0, 0])
    with pytest.raises(ValueError, match="strictly ascending"):
        Response(frequency=[2, 1], magnitude=[[0], [0]])


def test_the_front_door_brings_in_nothing_slow():
    code = "import sys, blindtest.device; print([m for m in sys.modules if m.startswith(('scipy.', 'pandas'))])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_smoothing_narrows_towards_the_ends_alike_on_both_sides():
    """No point beyond either end is known: the first and the last level stay, and turned round it is the same."""
    level = np.array([0.0, 6.0, -3.0, 4.0, 10.0, -8.0, 2.0, 5.0, 1.0])
    frequency = 1000 * 2.0 ** (np.arange(9) / 6)
    one = smooth(Response(frequency=frequency, magnitude=level[:, None]), 0.5).magnitude[:, 0]
    other = smooth(Response(frequency=frequency, magnitude=level[::-1, None]), 0.5).magnitude[::-1, 0]
    assert (one[0], one[-1]) == pytest.approx((0.0, 1.0))
    assert one == pytest.approx(other, abs=1e-9)


@pytest.mark.parametrize("frequency", [[0.0, 100.0], [-5.0, 100.0], [100.0, 100.0], [100.0, 50.0]])
def test_frequencies_are_positive_and_ascend(frequency):
    with pytest.raises(ValueError, match="frequency must be positive and strictly ascending"):
        Response(frequency=np.array(frequency), magnitude=np.zeros((2, 1)))
