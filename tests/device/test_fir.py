"""Filters against chains of sections whose phase is known, and against algebra."""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blindtest.device import LengthCheck, check_length, checked_fir, minimum_phase_fir, minimum_phase_impulse, taps_for

ORACLE = json.loads(
    (Path(__file__).parents[1] / "references" / "device" / "minimum_phase.json").read_text(encoding="utf-8")
)
CASES = {case["name"]: case for case in ORACLE["cases"]}


def curve(case):
    k = np.arange(case["points"])
    return case["first_frequency"] * 2 ** (k / case["points_per_octave"]), np.array(case["magnitude_db"])


def off_by(fir, case):
    """Worst error in dB and degrees against the chain's exact response."""
    expected = case["expected"]
    exact = 10 ** (np.array(expected["magnitude_db"]) / 20) * np.exp(1j * np.deg2rad(expected["phase_deg"]))
    at = np.array(case["frequency"])
    got = np.exp(-2j * np.pi * np.outer(at, np.arange(len(fir))) / case["rate"]) @ fir
    ratio = got / exact
    return np.abs(20 * np.log10(np.abs(ratio))).max(), np.abs(np.rad2deg(np.angle(ratio))).max()


@pytest.mark.parametrize("taps", [8192, 32768])
@pytest.mark.parametrize("name", CASES)
def test_phase_and_level_of_a_chain_of_sections_are_found_from_its_level(name, taps):
    """Oracle: products of cookbook sections, tolerance 0.01 dB and 0.1 degree at 8192 taps or more."""
    case = CASES[name]
    level, phase = off_by(minimum_phase_fir(*curve(case), case["rate"], taps), case)
    assert level < 0.01
    assert phase < 0.1


@pytest.mark.parametrize(("zeros", "minimum"), [([0.5, 1.0], [1.0, 0.5]), ([1.0, -1.25], [1.25, -1.0])])
def test_a_zero_outside_the_circle_is_reflected(zeros, minimum):
    """Algebra: |H| is unchanged when a zero is reflected into the circle (Oppenheim and Schafer); tolerance 1e-9."""
    levels = 20 * np.log10(np.abs(np.fft.rfft(zeros, 4096)))
    assert minimum_phase_impulse(levels)[:2] == pytest.approx(minimum, abs=1e-9)
    grid = np.fft.rfftfreq(4096, 1 / 48000)
    fir = minimum_phase_fir(grid, levels, 48000, 64)
    assert fir[:2] == pytest.approx(minimum, abs=1e-9)
    assert np.abs(fir[2:]).max() < 1e-9


@pytest.mark.parametrize("case", ORACLE["short"]["cases"], ids=lambda case: case["name"])
def test_short_filters_come_back(case):
    """Oracle, `short`: algebra; on the grid of a transform the curve is taken as it is."""
    expected = case.get("minimum", case["fir"])
    levels = 20 * np.log10(np.abs(np.fft.rfft(case["fir"], 8192)))
    fir = minimum_phase_fir(np.fft.rfftfreq(8192, 1 / 48000), levels, 48000, 8)
    assert fir[: len(expected)] == pytest.approx(expected, abs=1e-9)


def test_fading_the_tail_gains_nothing():
    """The figure in the docstring of `minimum_phase_fir`: six curves, 8192 taps, raised cosine over a quarter."""
    fade = np.ones(8192)
    fade[-2048:] = 0.5 * (1 + np.cos(np.pi * (np.arange(2048) + 0.5) / 2048))
    for case in CASES.values():
        fir = minimum_phase_fir(*curve(case), case["rate"], 8192)
        cut, faded = off_by(fir, case), off_by(fir * fade, case)
        assert abs(cut[0] - faded[0]) < 2e-5
        assert abs(cut[1] - faded[1]) < 1e-4
        errors = [check_length(one, *curve(case), case["rate"]).error_db for one in (fir, fir * fade)]
        assert abs(errors[0] - errors[1]) < 2e-5


@pytest.mark.parametrize(
    ("rate", "taps"), [(44100, 32768), (48000, 32768), (88200, 65536), (96000, 65536), (192000, 131072)]
)
def test_length_is_the_next_power_of_two_of_four_tenths_of_a_second(rate, taps):
    """By hand: 0.4 x 44 100 = 17 640 <= 32 768, and so on."""
    assert taps_for(rate) == taps


def test_a_plain_curve_keeps_the_length_rule_and_a_narrow_bass_feature_does_not():
    """A resonance of Q at f0 decays by 60 dB in 2.2 Q/f0 s: Q 60 at 20 Hz rings 6.6 s, far beyond 0.68 s."""
    case = CASES["bass and ear gain"]
    taps = taps_for(48000)
    check = check_length(minimum_phase_fir(*curve(case), 48000, taps), *curve(case), 48000)
    assert check.holds
    assert check.fault() is None
    assert check.tail_db < -100
    frequency = np.geomspace(5, 24000, 6000)
    s, q, gain = 1j * frequency / 20, 60, 10 ** (12 / 40)
    level = 20 * np.log10(np.abs((s * s + s * gain / q + 1) / (s * s + s / (gain * q) + 1)))
    fir = minimum_phase_fir(frequency, level, 48000, taps)
    check = check_length(fir, frequency, level, 48000)
    assert not check.holds
    assert check.error_hz == pytest.approx(20, abs=2)
    assert "a filter of 32768 taps at 48000 Hz is too short for this curve" in str(check.fault("condition"))
    assert "(allowed: tail under -100 dB of the energy, error under 0.01 dB from 10 Hz up)" in str(check.fault())


def test_doubling_the_length_makes_the_rule_hold():
    frequency = np.geomspace(5, 24000, 3000)
    s, q, gain = 1j * frequency / 60, 12, 10 ** (8 / 40)
    level = 20 * np.log10(np.abs((s * s + s * gain / q + 1) / (s * s + s / (gain * q) + 1)))
    held = [
        check_length(minimum_phase_fir(frequency, level, 48000, taps), frequency, level, 48000).holds
        for taps in (8192, 65536)
    ]
    assert held == [False, True]


def test_the_difference_of_two_filters_is_the_difference_of_their_curves():
    """The law of rendering: filter of A minus filter of B equals curve A minus curve B, 0.01 dB, 20 Hz to 20 kHz."""
    a, b = CASES["bass and ear gain"], CASES["narrow notch"]
    first, second = (minimum_phase_fir(*curve(case), 48000, 32768) for case in (a, b))
    (frequency, level), (_, other) = curve(a), curve(b)
    inside = (frequency >= 20) & (frequency <= 20000)
    at = frequency[inside][::7]
    waves = np.exp(-2j * np.pi * np.outer(at, np.arange(32768)) / 48000)
    rendered = 20 * np.log10(np.abs(waves @ first) / np.abs(waves @ second))
    assert rendered == pytest.approx((level - other)[inside][::7], abs=0.01)


def test_levels_far_under_the_highest_are_raised_to_the_floor():
    frequency = np.geomspace(20, 20000, 400)
    level = np.where(frequency > 12000, -200.0, 90.0)
    fir = minimum_phase_fir(frequency, level, 48000, 32768)
    wave = np.exp(-2j * np.pi * 18000 * np.arange(32768) / 48000)
    assert 20 * np.log10(abs(wave @ fir)) == pytest.approx(10, abs=0.5)


def test_a_grid_from_zero_hertz_is_read_and_a_broken_one_is_a_programmers_mistake():
    flat = minimum_phase_fir([0, 100, 1000], [6, 6, 6], 48000, 1024)
    assert flat[0] == pytest.approx(10 ** (6 / 20), rel=1e-12)
    assert np.abs(flat[1:]).max() < 1e-12
    with pytest.raises(ValueError, match="ascending"):
        minimum_phase_fir([100, 100], [0, 0], 48000, 64)
    with pytest.raises(ValueError, match="taps must be positive"):
        minimum_phase_fir([100, 200], [0, 0], 48000, 0)
    with pytest.raises(ValueError, match=r"must be \(bins,\)"):
        minimum_phase_fir([100, 200], [[0], [0]], 48000, 64)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.floats(-15, 15), min_size=4, max_size=20),
    st.floats(-30, 30),
    st.sampled_from([44100, 48000, 96000]),
)
def test_a_gain_scales_the_filter_and_the_energy_comes_early(levels, gain, rate):
    """Law: ln|H| + c has the cepstrum c[0] + c; and the first tap is the geometric mean of |H| over frequency."""
    frequency = np.geomspace(30, 15000, len(levels))
    one = minimum_phase_fir(frequency, levels, rate, 4096)
    other = minimum_phase_fir(frequency, np.array(levels) + gain, rate, 4096)
    assert other == pytest.approx(one * 10 ** (gain / 20), rel=1e-9, abs=1e-9)
    assert np.sum(one[:2048] ** 2) >= np.sum(one[2048:] ** 2)


@pytest.mark.parametrize(
    ("tail_db", "error_db", "holds"),
    [(-101, 0.009, True), (-99, 0.009, False), (-101, 0.011, False), (-100, 0.009, False), (-101, 0.01, False)],
)
def test_both_parts_of_the_length_rule_have_to_hold(tail_db, error_db, holds):
    check = LengthCheck(taps=64, rate=48_000, tail_db=tail_db, error_db=error_db, error_hz=20.0, from_hz=10.0)
    assert check.holds is holds
    assert (check.fault() is None) is holds


def test_what_was_cut_off_one_pole_is_counted():
    """Algebra: of the energy of a^n, n from 0 on, a^(2 N) lies behind the first N."""
    frequency = np.fft.rfftfreq(8192, 1 / 48_000)
    level = -20 * np.log10(np.abs(1 - 0.5 * np.exp(-2j * np.pi * frequency / 48_000)))
    fir = minimum_phase_fir(frequency, level, 48_000, 8)
    assert fir == pytest.approx(0.5 ** np.arange(8), abs=1e-9)
    assert check_length(fir, frequency, level, 48_000).tail_db == pytest.approx(160 * np.log10(0.5), abs=1e-6)


def test_below_the_first_frequency_a_straight_line_leads_to_zero_hertz():
    """6 dB at 0 Hz and 0 dB from 1 kHz on: 3 dB at 500 Hz, 4.5 dB at 250 Hz."""
    fir = minimum_phase_fir([0, 1000, 24_000], [6, 0, 0], 48_000, 16_384)
    waves = np.exp(-2j * np.pi * np.outer([250, 500], np.arange(len(fir))) / 48_000)
    assert 20 * np.log10(np.abs(waves @ fir)) == pytest.approx([4.5, 3.0], abs=0.01)


def test_a_coarse_grid_of_a_transform_is_read_like_any_other():
    coarse = np.fft.rfftfreq(16, 1 / 48_000)
    assert len(minimum_phase_fir(coarse, np.linspace(6, 0, len(coarse)), 48_000, 64)) == 64
    with pytest.raises(ValueError, match="ascending from 0 or above"):
        minimum_phase_fir([-10.0, 100.0], [0.0, 0.0], 48_000, 64)


@pytest.mark.parametrize("taps", [512, 4096])
def test_designed_and_checked_in_one_go_nothing_differs(taps):
    frequency, levels = curve(next(iter(CASES.values())))
    fir, check = checked_fir(frequency, levels, 48_000, taps)
    apart = minimum_phase_fir(frequency, levels, 48_000, taps)
    assert fir.tobytes() == apart.tobytes()
    assert check == check_length(apart, frequency, levels, 48_000)
    with pytest.raises(ValueError, match="taps must be positive"):
        checked_fir(frequency, levels, 48_000, 0)
