"""Field curves against a worked result that uses every value of both tables."""

import numpy as np
import pytest

from blindtest.device import diffuse_field_curve, free_field_curve

A_WEIGHTING_DB = np.array(
    [
        -19.1,
        -16.1,
        -13.4,
        -10.9,
        -8.6,
        -6.6,
        -4.8,
        -3.2,
        -1.9,
        -0.8,
        0.0,
        0.6,
        1.0,
        1.2,
        1.3,
        1.2,
        1.0,
        0.5,
        -0.1,
        -1.1,
        -2.5,
    ]
)
"""IEC 61672-1, table of A-weightings, 100 Hz to 10 kHz in third octaves (from memory)."""


def total(levels):
    return 10 * np.log10(np.sum(10 ** (levels / 10)))


def test_field_level_of_seventy_decibels_in_each_band_at_the_eardrum():
    """The project's check value 59 (computed there from ISO 11904-1 and IEC 61672-1): 70 dB in each third-octave
    band from 100 Hz to 10 kHz is 81.73 dB(A) at the eardrum, 75.15 dB(A) referred to the diffuse field, 78.11 dB(A)
    referred to the free field. A wrong value in a band that carries the level moves it."""
    diffuse, free = diffuse_field_curve(), free_field_curve()
    bands = diffuse.frequency <= 10_000
    assert bands.sum() == 21
    eardrum = 70 + A_WEIGHTING_DB
    assert total(eardrum) == pytest.approx(81.73, abs=0.006)
    assert total(eardrum - diffuse.magnitude[bands, 0]) == pytest.approx(75.15, abs=0.006)
    assert total(eardrum - free.magnitude[bands, 0]) == pytest.approx(78.11, abs=0.006)


def test_the_bands_are_the_preferred_frequencies():
    """ISO 266: third-octave bands lie at 1000 x 10^(n/10) Hz, rounded to three digits or less (by up to 1.6 %)."""
    exact = 1000 * 10 ** (np.arange(-10, 13) / 10)
    for curve in (diffuse_field_curve(), free_field_curve()):
        assert curve.frequency == pytest.approx(exact, rel=0.016)
        assert curve.channels == ("both",)


def test_the_curves_say_what_they_are_and_what_is_from_memory():
    for curve, field in ((diffuse_field_curve(), "diffuse field"), (free_field_curve(), "frontal free field")):
        assert curve.sources == ("ISO 11904-1:2002",)
        assert field in curve.remarks[0]
        assert "from memory" in curve.remarks[0]
