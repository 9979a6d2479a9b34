"""Decibels."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from blindtest.audio import from_db, to_db


def test_tenfold_is_twenty():
    assert to_db([10.0, 1.0, -0.1, 0.0]).tolist() == [20.0, 0.0, -20.0, -math.inf]
    assert from_db([20.0, 0.0, -math.inf]).tolist() == [10.0, 1.0, 0.0]


@given(st.floats(-300, 300))
def test_there_and_back(level):
    assert float(to_db(from_db(level))) == pytest.approx(level, abs=1e-10)
    assert np.shape(from_db(level)) == ()
