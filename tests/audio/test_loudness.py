"""Loudness against the standards, the oracle and laws."""

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blindtest.audio import (
    a_weighted_level,
    integrated_loudness,
    k_weighting,
    loudness_range,
    momentary_loudness,
    rms_level,
    short_term_loudness,
)


def test_loudness_is_that_of_the_oracle(oracle_case, oracle_signal):
    # tests/references/audio/expected.json, key `integrated`: BS.1770-5 formulas in float64; 0.001 LU at every rate.
    rate, frames = oracle_signal(oracle_case["signal"])
    assert len(frames) == oracle_case["frames"]
    measured = integrated_loudness(frames, rate)
    if oracle_case["integrated"] is None:
        assert measured == -math.inf
    else:
        assert measured == pytest.approx(oracle_case["integrated"], abs=0.001)
    if oracle_case["rms_db"] is None:
        assert rms_level(frames) == -math.inf
    else:  # also shows that numpy draws the same programmes
        assert rms_level(frames) == pytest.approx(oracle_case["rms_db"], abs=0.001)


def test_loudness_range_is_that_of_the_oracle(oracle_case, oracle_signal):
    # expected.json, key `lra`: Tech 3342 with a window every 0.1 s; 0.01 LU.
    rate, frames = oracle_signal(oracle_case["signal"])
    if "lra" in oracle_case:
        assert loudness_range(frames, rate) == pytest.approx(oracle_case["lra"], abs=0.01)
    elif len(frames) < 3 * rate or oracle_case["integrated"] is None:
        assert math.isnan(loudness_range(frames, rate))
    else:
        assert loudness_range(frames, rate) >= 0.0


@pytest.mark.parametrize("case", [1, 2, 3, 4, 5, 6])
def test_minimum_requirements_of_tech_3341_integrated(case, oracle_signal):
    # EBU Tech 3341 (2016), table 1, cases 1-6: -23.0 (case 2: -33.0) +-0.1 LUFS.
    rate, frames = oracle_signal(f"ebu3341({case})")
    assert integrated_loudness(frames, rate) == pytest.approx(-33.0 if case == 2 else -23.0, abs=0.1)


def test_minimum_requirements_of_tech_3341_short_term(oracle_signal):
    # EBU Tech 3341, case 9: S = -23.0 +-0.1 LUFS, constant after 3 s.
    rate, frames = oracle_signal("ebu3341(9)")
    values = short_term_loudness(frames, rate)
    assert len(values) == 121  # 15 s: windows of 3 s begin at 0, 0.1 ... 12.0 s
    assert values == pytest.approx(-23.0, abs=0.1)


def test_minimum_requirements_of_tech_3341_momentary(oracle_signal):
    # EBU Tech 3341, case 12: M = -23.0 +-0.1 LUFS, constant after 1 s.
    rate, frames = oracle_signal("ebu3341(12)")
    values = momentary_loudness(frames, rate)
    assert len(values) == 97  # 10 s: windows of 0.4 s begin at 0, 0.1 ... 9.6 s
    assert values[10:] == pytest.approx(-23.0, abs=0.1)


@pytest.mark.parametrize(("case", "expected"), [(1, 10.0), (2, 5.0), (3, 20.0), (4, 15.0)])
def test_minimum_requirements_of_tech_3342(case, expected, oracle_signal):
    # EBU Tech 3342 (2016), table 1: +-1 LU.
    rate, frames = oracle_signal(f"ebu3342({case})")
    assert loudness_range(frames, rate) == pytest.approx(expected, abs=1.0)


def test_k_weighting_at_48_khz_is_the_standards_table():
    # ITU-R BS.1770-5, annex 1, tables 1 and 2.
    table = [
        [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241, 0.73248077421585],
        [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621],
    ]
    assert k_weighting(48_000) == pytest.approx(np.array(table), abs=1e-13)


def _response(rate: float, frequency: np.ndarray) -> np.ndarray:
    z = np.exp(-2j * np.pi * frequency / rate)
    sections = k_weighting(rate)
    powers = np.stack([np.ones_like(z), z, z * z])
    return np.prod([(s[:3] @ powers) / (s[3:] @ powers) for s in sections], axis=0)


@pytest.mark.parametrize("rate", [44_100, 88_200, 96_000, 176_400, 192_000])
def test_k_weighting_at_other_rates_keeps_the_response(rate):
    # BS.1770-5 asks for the same response at other rates; 0.008 dB is what the scaled transform reaches up to 192 kHz
    # (calculation of this project, 20 Hz to 20 kHz).
    frequency = np.geomspace(20, 20_000, 200)
    difference = 20 * np.log10(np.abs(_response(rate, frequency) / _response(48_000, frequency)))
    assert np.abs(difference).max() < 0.008


def test_k_weighting_decibels():
    # Response of the standard's 48 kHz table at 20, 100, 997, 2000, 10 000 Hz, computed from it directly.
    level = 20 * np.log10(np.abs(_response(48_000, np.array([20.0, 100.0, 997.0, 2000.0, 10_000.0]))))
    assert level == pytest.approx([-13.275, -1.133, 0.691, 3.071, 4.042], abs=6e-4)


def test_mono_counts_as_one_channel(oracle_signal):
    rate, frames = oracle_signal("edge('mono')")
    both = np.repeat(frames, 2, axis=1)
    # BS.1770-5: powers of channels add up, so two alike are 10 lg 2 louder.
    assert integrated_loudness(both, rate) - integrated_loudness(frames, rate) == pytest.approx(3.0103, abs=1e-4)


def test_three_columns_are_left_right_centre(oracle_signal):
    rate, frames = oracle_signal("ebu3341(1)")
    centre = np.column_stack([np.zeros((len(frames), 2)), frames[:, 0]])
    assert integrated_loudness(centre, rate) == pytest.approx(-22.9933 - 3.0103, abs=1e-3)


def test_surround_columns_weigh_1_41(oracle_signal):
    rate, frames = oracle_signal("ebu3341(1)")
    surround = np.zeros((len(frames), 5))
    surround[:, 3] = frames[:, 0]
    # BS.1770-5, annex 1, table 3.
    assert integrated_loudness(surround, rate) == pytest.approx(-22.9933 - 3.0103 + 10 * math.log10(1.41), abs=1e-3)


def test_silence_is_minus_infinity_and_no_error():
    silence = np.zeros((48_000 * 4, 2))
    assert integrated_loudness(silence, 48_000) == -math.inf
    assert np.all(momentary_loudness(silence, 48_000) == -math.inf)
    assert np.all(short_term_loudness(silence, 48_000) == -math.inf)
    assert rms_level(silence) == a_weighted_level(silence, 48_000) == -math.inf


def sine_of(loudness, seconds=4):
    """BS.1770-5, annex 1: a full-scale sine of 997 Hz in one front channel reads -3.01 LKFS."""
    return 10 ** ((loudness + 3.01) / 20) * np.sin(2 * np.pi * 997 * np.arange(48_000 * seconds) / 48_000)[:, None]


def test_the_absolute_gate_lies_at_minus_70():
    """BS.1770-5, annex 1, and Tech 3342: blocks at or under -70 LKFS are left out."""
    assert integrated_loudness(sine_of(-69.9), 48_000) == pytest.approx(-69.9, abs=0.01)
    assert integrated_loudness(sine_of(-70.1), 48_000) == -math.inf
    assert loudness_range(sine_of(-69.9), 48_000) == pytest.approx(0.0, abs=0.01)
    assert math.isnan(loudness_range(sine_of(-70.1), 48_000))


def test_no_frames_are_silence():
    assert rms_level(np.zeros((0, 2))) == a_weighted_level(np.zeros((0, 2)), 48_000) == -math.inf


@pytest.mark.parametrize("count", [0, 1, 19_199])
def test_shorter_than_one_block_is_minus_infinity(count):
    tone = 0.1 * np.sin(np.arange(count))[:, None]
    assert integrated_loudness(tone, 48_000) == -math.inf
    assert momentary_loudness(tone, 48_000).shape == (0,)
    assert math.isnan(loudness_range(tone, 48_000))


@pytest.mark.parametrize("channels", [0, 4, 7, 8])
def test_a_layout_nobody_named_is_refused(channels):
    with pytest.raises(ValueError, match=f"1, 2, 3, 5 or 6 columns, got {channels}"):
        integrated_loudness(np.zeros((48_000, channels)), 48_000)


def test_frames_must_be_two_dimensional():
    with pytest.raises(ValueError, match=r"\(n, channels\), got shape \(9,\)"):
        integrated_loudness(np.zeros(9), 48_000)


def test_a_rate_given_in_khz_is_refused():
    with pytest.raises(ValueError, match="at least 4000 Hz, got 48"):
        integrated_loudness(np.zeros((48_000, 1)), 48)


def test_cutting_into_chunks_changes_nothing(monkeypatch, oracle_signal):
    # An independent route: the whole clip through the filter at once.
    rate, frames = oracle_signal("programme(1)")
    expected = momentary_loudness(frames, rate)
    monkeypatch.setattr("blindtest.audio.loudness.CHUNK_HOPS", 100_000)
    assert momentary_loudness(frames, rate) == pytest.approx(expected, abs=1e-9)


def test_a_rate_whose_tenth_is_no_whole_number():
    # 11 025 Hz: 100 ms are 1102.5 frames; hops alternate between 1102 and 1103. The steady state by the filter's
    # response (the bilinear transform bends the shelf at so low a rate: 0.1 dB at 997 Hz).
    tone = np.sin(2 * np.pi * 997 * np.arange(11_025 * 4) / 11_025)[:, None]
    expected = -0.691 + 20 * np.log10(np.abs(_response(11_025, np.array([997.0]))[0])) + 10 * np.log10(0.5)
    assert integrated_loudness(tone, 11_025) == pytest.approx(expected, abs=0.005)
    assert len(momentary_loudness(tone, 11_025)) == 37


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32), gain=st.floats(-20, 20))
def test_a_gain_moves_loudness_by_as_much(seed, gain):
    # Law: true well above the absolute gate, since the relative gate moves along.
    noise = 0.05 * np.random.default_rng(seed).standard_normal((48_000, 2))
    moved = integrated_loudness(noise * 10 ** (gain / 20), 48_000) - integrated_loudness(noise, 48_000)
    assert moved == pytest.approx(gain, abs=1e-9)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_exchanging_or_inverting_channels_changes_nothing(seed):
    noise = np.random.default_rng(seed).standard_normal((30_000, 2)) * [0.1, 0.02]
    loudness = integrated_loudness(noise, 44_100)
    assert integrated_loudness(noise[:, ::-1], 44_100) == pytest.approx(loudness, abs=1e-10)
    assert integrated_loudness(-noise, 44_100) == pytest.approx(loudness, abs=1e-10)


def test_nothing_is_written_into_the_frames():
    frames = np.random.default_rng(1).standard_normal((48_000, 2))
    kept = frames.copy()
    frames.flags.writeable = False
    integrated_loudness(frames, 48_000)
    a_weighted_level(frames, 48_000)
    assert np.array_equal(frames, kept)


# IEC 61672-1:2013, table 3, A column at exact base-ten frequencies 10^(n/10): nominal Hz -> dB (printed to 0.1 dB).
A_TABLE = {
    31.5: (15, -39.4),
    63: (18, -26.2),
    125: (21, -16.1),
    250: (24, -8.6),
    500: (27, -3.2),
    1000: (30, 0.0),
    2000: (33, 1.2),
    4000: (36, 1.0),
    8000: (39, -1.1),
    16000: (42, -6.6),
}


@pytest.mark.parametrize(("step", "expected"), A_TABLE.values(), ids=[f"{f} Hz" for f in A_TABLE])
def test_a_weighting_is_that_of_iec_61672(step, expected):
    # Values typed from memory of IEC 61672-1, table 3; formula and table come from different clauses.
    frequency = 10 ** (step / 10)
    # Windowed: an abrupt end is a click, which the weighting rightly lets through.
    tone = (np.hanning(192_000) * np.sin(2 * np.pi * frequency * np.arange(192_000) / 96_000))[:, None]
    assert a_weighted_level(tone, 96_000) - rms_level(tone) == pytest.approx(expected, abs=0.06)


def test_levels_of_known_signals():
    square = np.ones((1000, 2))
    square[::2] = -1
    assert rms_level(square) == 0.0
    n = 48_000
    sine = np.sin(2 * np.pi * 1000 * np.arange(n) / n)[:, None]
    assert rms_level(sine) == pytest.approx(10 * math.log10(Fraction(1, 2)), abs=1e-9)
    assert rms_level(np.zeros((0, 2))) == -math.inf
    assert a_weighted_level(np.zeros((0, 2)), n) == -math.inf


@pytest.mark.parametrize("wrong", [np.nan, np.inf])
@pytest.mark.parametrize("measure", [integrated_loudness, momentary_loudness, loudness_range])
def test_what_is_no_number_is_no_silence(measure, wrong):
    """A gate drops what doesn't compare, and half a programme would pass for the whole."""
    frames = np.full((4 * 48_000, 2), 0.1)
    frames[100_000, 1] = wrong
    with np.errstate(invalid="ignore"), pytest.raises(ValueError, match="must be finite"):
        measure(frames, 48_000)


def test_a_rate_of_nothing_is_refused():
    with pytest.raises(ValueError, match="rate must be positive, got 0"):
        integrated_loudness(np.zeros((48_000, 1)), 0)


@pytest.mark.parametrize(("measure", "seconds"), [(momentary_loudness, 0.4), (short_term_loudness, 3.0)])
def test_what_a_lone_sound_between_two_blocks_loses(measure, seconds):
    """A tone as long as the block, half a step late: all but 50 ms of it are in one block, 10 lg of that share."""
    tone = 0.1 * np.sin(2 * np.pi * 1000.0 * np.arange(round(seconds * 48_000)) / 48_000)[:, None]
    highest = [
        float(measure(np.concatenate([np.zeros((48_000 + late, 1)), tone, np.zeros((48_000, 1))]), 48_000).max())
        for late in (0, 2400)
    ]
    assert highest[1] - highest[0] == pytest.approx(10.0 * np.log10((seconds - 0.05) / seconds), abs=0.01)
