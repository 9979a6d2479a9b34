"""Targets: shelves and tilts by closed forms, averages by hand, field curves from the published table."""

import numpy as np
import pytest

from blindtest.device import (
    Response,
    field_target,
    flat_target,
    interpolated,
    shaped_target,
    target_of_devices,
)
from blindtest.errors import BlindtestError


def line(level, low=10.0, high=30_000.0, rig=""):
    return Response(frequency=np.array([low, high]), magnitude=np.full((2, 1), level), rig=rig)


def at(response, *hz):
    return interpolated(response, np.array(hz, dtype=float))[:, 0]


def test_a_tilt_is_a_straight_line_over_octaves():
    tilted = shaped_target(line(3.0), tilt_db_per_octave=-0.8)
    assert at(tilted, 1000, 2000, 250, 16_000) == pytest.approx([3, 2.2, 4.6, -0.2], abs=1e-6)
    assert tilted.remarks == ("tilt -0.8 dB/octave",)


def test_shelves_have_all_half_and_none_of_their_gain():
    """Closed forms of the cookbook's shelf: all of the gain far on its side, half of it at its frequency, else none."""
    target = shaped_target(flat_target(), bass_db=6, bass_hz=100, treble_db=-4, treble_hz=5000)
    assert at(target, 5, 100, 700, 5000, 40_000) == pytest.approx([6, 3, 0, -2, -4], abs=0.02)
    levels = at(target, *np.geomspace(5, 40_000, 300))
    assert np.all(np.diff(levels) < 1e-9)  # no overshoot with Q 0.707


def test_nothing_to_add_is_the_same_target():
    base = line(1.0)
    assert shaped_target(base) is base


def test_several_devices_are_averaged_in_db_after_alignment():
    """By hand: 0 dB on average from 300 Hz to 3 kHz each; one with a slope of 2 dB an octave, one flat."""
    octaves = np.log2(10_000 / 20)
    sloped = Response(frequency=np.array([20.0, 10_000.0]), magnitude=np.array([[70.0], [70.0 + 2 * octaves]]))
    middle = np.sqrt(300 * 3000)
    found = target_of_devices([sloped, line(-20.0)])
    assert at(found, middle, 2 * middle, 100) == pytest.approx([0, 1, np.log2(100 / middle)], abs=1e-6)
    assert found.remarks[-1] == "mean of 2 devices"
    with pytest.raises(BlindtestError, match="responses of different rigs are never combined, got 'two'"):
        target_of_devices([line(0.0, rig="one"), line(0.0, rig="two")])


def test_field_targets_are_the_published_table():
    """ISO 11904-1:2002: at 3.15 kHz 15.7 dB in the diffuse, 14.9 dB in the free field; held under 100 Hz."""
    assert at(field_target("diffuse"), 20, 1000, 3150, 20_000) == pytest.approx([0.0, 4.1, 15.7, 0.7])
    assert at(field_target("free"), 1000, 3150) == pytest.approx([2.7, 14.9])
    assert "from memory" in " ".join(field_target("free").remarks)
    with pytest.raises(ValueError, match="field must be 'diffuse' or 'free', got 'near'"):
        field_target("near")
