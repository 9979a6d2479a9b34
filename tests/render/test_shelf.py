"""Shelves are those of the Audio EQ Cookbook (W3C Working Group Note, 2021), as minimum phase."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import freqz

from blindtest.device import check_length, minimum_phase_fir, taps_for
from blindtest.render import ShelfStage

REFERENCES = json.loads((Path(__file__).parents[1] / "references" / "audio" / "expected.json").read_text())["sections"]
SHELVES = [case for case in REFERENCES["cases"] if case["kind"].endswith("shelf")]


def stage_of(case):
    return ShelfStage(
        type=case["kind"].removesuffix("shelf"), frequency_hz=case["f0"], gain_db=case["gain_db"], q=case["q"]
    )


@pytest.mark.parametrize("case", SHELVES, ids=lambda case: f"{case['kind']}-{case['rate']}-{case['f0']}")
def test_the_magnitude_is_the_notes(case):
    """references/audio: coefficients by the note's formulas, magnitudes checked against sox 14.4.2, four decimals.

    The bilinear transform maps f to tan(pi f / rate): there the digital section equals its prototype exactly.
    """
    f, rate = np.array(REFERENCES["frequency"], float), case["rate"]
    inside = f < rate / 2
    warped = case["f0"] * np.tan(np.pi * f[inside] / rate) / np.tan(np.pi * case["f0"] / rate)
    noted = np.array(case["magnitude_db"])[inside]
    assert stage_of(case).level_db(warped) == pytest.approx(noted, abs=6e-5)


def test_there_are_both_kinds_of_it_in_the_references():
    assert {case["kind"] for case in SHELVES} == {"lowshelf", "highshelf"}


@pytest.mark.parametrize(("kind", "far", "near"), [("low", 20_000, 5), ("high", 5, 100_000)])
def test_it_is_flat_on_both_sides_and_half_at_the_corner(kind, far, near):
    stage = ShelfStage(type=kind, frequency_hz=500, gain_db=3, q=0.7)
    far_db, corner, near_db = stage.level_db(np.array([far, 500.0, near]))
    assert (far_db, corner, near_db) == pytest.approx((0, 1.5, 3), abs=0.01)
    zero, nothing = stage.level_db(np.array([0.0, 1e-9]))
    assert zero == pytest.approx(nothing, abs=1e-9)


@pytest.mark.parametrize("kind", ["low", "high"])
def test_the_filter_made_of_it_is_minimum_phase(kind):
    """Its phase is that of the note's own section, far below half the sample rate, where the two are close."""
    case = {"kind": f"{kind}shelf", "f0": 300.0, "gain_db": 3.0, "q": 0.7}
    stage, rate = stage_of(case), 96_000
    bins = np.arange(1, (1 << 17) + 1) * (rate / (1 << 18))
    fir = minimum_phase_fir(bins, stage.level_db(bins), rate, taps_for(rate))
    assert check_length(fir, bins, stage.level_db(bins), rate).holds
    w0, a = 2 * np.pi * 300 / rate, 10 ** (3 / 40)
    cos, more = np.cos(w0), 2 * np.sqrt(a) * np.sin(w0) / (2 * 0.7)
    sign = 1 if kind == "low" else -1
    b = (a * (a + 1 - sign * (a - 1) * cos + more), sign * 2 * a * (a - 1 - sign * (a + 1) * cos),
         a * (a + 1 - sign * (a - 1) * cos - more))  # fmt: skip
    c = (a + 1 + sign * (a - 1) * cos + more, -sign * 2 * (a - 1 + sign * (a + 1) * cos),
         a + 1 + sign * (a - 1) * cos - more)  # fmt: skip
    at = np.array([60.0, 150, 300, 600, 1500])
    made, noted = freqz(fir, worN=at, fs=rate)[1], freqz(b, c, worN=at, fs=rate)[1]
    assert np.abs(made / noted) == pytest.approx(np.ones(5), abs=0.01)
    assert np.angle(made / noted) == pytest.approx(np.zeros(5), abs=0.01)


def test_impossible_shelves_are_refused_and_facts_are_numbers():
    for wrong in ({"frequency_hz": 0, "q": 1}, {"frequency_hz": 100, "q": 0}):
        with pytest.raises(ValueError, match="above 0"):
            ShelfStage(type="low", gain_db=1, **wrong)
    with pytest.raises(ValueError, match="low or high, got 'mid'"):
        ShelfStage(type="mid", frequency_hz=100, gain_db=1, q=1)
    assert ShelfStage(type="high", frequency_hz=8000, gain_db=3, q=0.7).facts() == {
        "kind": "shelf", "type": "high", "frequency_hz": 8000.0, "gain_db": 3.0, "q": 0.7,
    }  # fmt: skip
