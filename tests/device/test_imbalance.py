"""What left and right differ by."""

import numpy as np
import pytest

from blindtest.device import Response, average_seatings, channel_imbalance
from blindtest.errors import BlindtestError

HZ = np.array([100.0, 1000.0, 10_000.0])


def of(levels, *channels, frequency=HZ, rig=""):
    magnitude = np.array(levels, dtype=float).reshape(len(frequency), -1)
    return Response(frequency=frequency, magnitude=magnitude, channels=channels or ("both",), rig=rig)


def test_half_of_the_difference_goes_to_each_ear():
    found = channel_imbalance(of([[90, 91], [80, 80], [70, 67]], "left", "right"))
    assert found.difference_db.tolist() == [-1, 0, 3]
    at = found.at(np.array([1000.0, 10_000.0, 20_000.0]))
    assert at == pytest.approx(np.array([[0, 0], [1.5, -1.5], [1.5, -1.5]]))
    assert found.spread_db is None


def test_channels_go_by_their_names():
    found = channel_imbalance(of([[91, 90], [80, 80], [67, 70]], "right", "left"))
    assert found.difference_db.tolist() == [-1, 0, 3]
    two = channel_imbalance(of([90, 80, 70]), of([91, 80, 67]))
    assert two.difference_db.tolist() == [-1, 0, 3]


def test_seatings_say_how_sure_it_is():
    """By hand: left 1, 2, 3 dB (SD 1), right 0, 4 dB (SD 2.83): standard error sqrt(1/3 + 8/2)."""
    left = [of([level] * 3, "left") for level in (1, 2, 3)]
    right = [of([level] * 3, "right") for level in (0, 4)]
    found = channel_imbalance(average_seatings(left), average_seatings(right))
    assert found.difference_db == pytest.approx([0, 0, 0])
    assert found.spread_db == pytest.approx([np.sqrt(1 / 3 + 4)] * 3)
    assert channel_imbalance(left, right).difference_db == pytest.approx([0, 0, 0])


def test_ears_seated_together_say_it_by_their_own_difference():
    """By hand: differences of 1, 2, 3 dB (SD 1) under shifts common to both of 0, 5, 9 dB: 1/sqrt 3."""
    seatings = [of([[both + difference, both]] * 3, "left", "right") for both, difference in ((0, 1), (5, 2), (9, 3))]
    found = channel_imbalance(average_seatings(seatings))
    assert found.difference_db == pytest.approx([2, 2, 2])
    assert found.spread_db == pytest.approx([1 / np.sqrt(3)] * 3)
    assert found.rms_error_db(200, 5000) == pytest.approx(1 / np.sqrt(3))


def test_smoothing_is_the_same_for_left_and_right():
    frequency = np.geomspace(100, 10_000, 200)
    ripple = 3 * np.sin(40 * np.log2(frequency))
    one = of(np.stack([ripple, -ripple], axis=1), "left", "right", frequency=frequency)
    other = of(np.stack([-ripple, ripple], axis=1), "left", "right", frequency=frequency)
    smoothed = channel_imbalance(one, smoothing=1 / 3).difference_db
    assert smoothed == pytest.approx(-channel_imbalance(other, smoothing=1 / 3).difference_db, abs=1e-12)
    assert np.std(smoothed[50:150]) < 0.5 * np.std(2 * ripple[50:150])


def test_the_mean_size_counts_octaves_alike():
    """A difference that grows from 0 to 6 dB along log f: 6/sqrt(3) r.m.s."""
    found = channel_imbalance(of([[0, 0], [6, 0]], "left", "right", frequency=np.array([100.0, 200.0])))
    assert found.rms_db(100, 200) == pytest.approx(6 / np.sqrt(3), rel=0.01)


def test_one_channel_is_none():
    with pytest.raises(BlindtestError, match="an imbalance needs a left and a right channel, got '1 channel'"):
        channel_imbalance(of([1, 2, 3]))
    with pytest.raises(BlindtestError, match="different rigs"):
        channel_imbalance(of([1, 2, 3], "left", rig="one"), of([1, 2, 3], "right", rig="two"))
