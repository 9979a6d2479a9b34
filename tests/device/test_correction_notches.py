"""How far down a dip is followed: laws of the floor, and dips of known width."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from blindtest.device.notches import ALLOWED_DB, notch_floor_db, smooth_minimum, surroundings_db

GRID = 100 * 2.0 ** (np.arange(400) / 96)
CURVES = arrays(np.float64, 60, elements=st.floats(-40, 20)).map(
    lambda points: np.interp(np.arange(400), np.linspace(0, 399, 60), points)
)


@settings(max_examples=40, deadline=None)
@given(CURVES, st.floats(-100, 100))
def test_laws_of_the_floor(curve, constant):
    """Filled up to it, a curve dips nowhere by more than allowed; it never rises over the curve's highest level."""
    floor = notch_floor_db(GRID, curve)
    filled = np.maximum(curve, floor)
    assert np.all(surroundings_db(GRID, filled) - filled <= ALLOWED_DB + 0.02)
    assert np.all(floor <= curve.max() + 1e-9)
    assert notch_floor_db(GRID, curve + constant) == pytest.approx(floor + constant, abs=1e-6)


@pytest.mark.parametrize("slope", [-36.0, -6.0, 0.0, 12.0, 36.0])
def test_a_slope_is_no_dip(slope):
    """The median over an octave of a straight line is the line; the mean power of a steep one is higher."""
    line = slope * np.log2(GRID / 1000)
    inner = slice(48, -48)  # the median needs its half octave on both sides
    assert surroundings_db(GRID, line)[inner] == pytest.approx(line[inner], abs=1e-9)
    assert np.all(notch_floor_db(GRID, line)[inner] <= line[inner] - ALLOWED_DB + 1e-6)


def test_the_flank_of_a_peak_is_no_dip():
    """What the median is for: the mean alone would lift the floor over the curve beside a narrow peak."""
    peak = 12 * np.exp(-((np.log2(GRID / 800) * 8) ** 2))
    assert np.all(notch_floor_db(GRID, peak) < peak)


@pytest.mark.parametrize(
    ("gain", "q", "filled"), [(-12, 1, 11.8), (-6, 2, 5.4), (-20, 10, 4.0), (-30, 30, 2.6), (-6, 8, 2.1)]
)
def test_how_far_known_dips_are_filled(sections, gain, q, filled):
    """Regression of our rule, as the module's docstring says it; values measured here on 2026-11-25."""
    level = sections((500, gain, q)).level(GRID)
    at = int(np.argmin(level))
    assert -max(level[at], notch_floor_db(GRID, level)[at]) == pytest.approx(filled, abs=0.1)


@given(st.floats(-50, 50), st.floats(-50, 50), st.floats(0, 10))
def test_the_smooth_minimum(a, b, knee):
    """Never above either, exact beyond the knee, a quarter of the knee lower where both are equal."""
    got = float(smooth_minimum(a, b, knee))
    assert got <= min(a, b) + 1e-12
    assert got >= min(a, b) - knee / 4 - 1e-12
    if abs(a - b) >= knee:
        assert got == min(a, b)
    assert float(smooth_minimum(a, a, knee)) == pytest.approx(a - knee / 4)


def test_refusals():
    with pytest.raises(ValueError, match="equal steps on log f"):
        surroundings_db(np.linspace(100, 1000, 50), np.zeros(50))
    with pytest.raises(ValueError, match="3 bins or more"):
        surroundings_db([100.0, 200.0], [0.0, 0.0])
    with pytest.raises(ValueError, match="knee must not be negative, got -1"):
        smooth_minimum(0.0, 0.0, -1.0)
