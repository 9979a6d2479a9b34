"""The loudest stretch of a sound, against the standards' cases, brute force and laws."""

import math

import numpy as np
import pytest

from blindtest.audio import (
    LouderEar,
    a_weighted_level,
    k_weighting,
    louder_ear,
    loudest_momentary,
    loudest_short_term,
    momentary_loudness,
)


def tone(seconds, rate=48_000, frequency=1000.0, dbfs=-23.0, channels=2):
    sine = 10 ** (dbfs / 20) * np.sin(2 * np.pi * frequency * np.arange(round(seconds * rate)) / rate)
    return np.repeat(sine[:, None], channels, axis=1)


def within_silence(sound, rate, before, after):
    silence = [np.zeros((round(seconds * rate), sound.shape[1])) for seconds in (before, after)]
    return np.concatenate([silence[0], sound, silence[1]])


@pytest.mark.parametrize(
    ("measure", "seconds", "late"), [(loudest_short_term, 3.0, 0.15), (loudest_momentary, 0.4, 0.02)]
)
def test_minimum_requirements_of_tech_3341_for_the_highest_values(measure, seconds, late):
    # EBU Tech 3341 (2016), table 1, cases 10 and 13: max S and max M = -23.0 +-0.1 LUFS in each of 20 files, which
    # differ in how late a stereo tone of 1 kHz, -23 dBFS, begins (steps of 150 and 20 ms from memory).
    for number in (0, 1, 3, 19):
        frames = within_silence(tone(seconds), 48_000, number * late, 1.0)
        assert measure(frames, 48_000) == pytest.approx(-23.0, abs=0.1)


def test_the_highest_values_of_successive_sounds_are_those_of_tech_3341():
    # EBU Tech 3341, case 14: max M goes -38.0, -37.0 ... -19.0 +-0.1 LUFS from one tone to the next (here each sixth).
    frames = np.zeros((0, 2))
    for step in range(0, 20, 6):
        after = 0.4 - 0.02 * step
        frames = np.concatenate([frames, within_silence(tone(0.4, dbfs=step - 38.0), 48_000, 0.02 * step, after)])
        assert loudest_momentary(frames, 48_000) == pytest.approx(step - 38.0, abs=0.1)


@pytest.mark.parametrize(("rate", "channels"), [(48_000, 1), (44_100, 2), (11_025, 6)])
def test_every_window_counts(rate, channels):
    """Brute force: BS.1770's sum over each window that begins at a frame, with one filter for each channel."""
    from scipy.signal import sosfilt

    rng = np.random.Generator(np.random.PCG64(2211))
    envelope = np.repeat(rng.uniform(0.0, 0.5, 25), rate // 10)[:, None]
    frames = envelope * rng.standard_normal((len(envelope), channels))
    weights = {1: [1.0], 2: [1.0, 1.0], 6: [1.0, 1.0, 1.0, 0.0, 1.41, 1.41]}[channels]
    squares = np.square(sosfilt(k_weighting(rate), frames, axis=0)) @ np.array(weights)
    width = round(0.4 * rate)
    highest = max(squares[at : at + width].sum() for at in range(0, len(squares) - width, rate // 100))
    least = -0.691 + 10 * math.log10(highest / width)
    found = loudest_momentary(frames, rate)
    assert least - 1e-9 <= found <= least + 0.1  # windows that begin between those tried may hold a little more
    assert found >= momentary_loudness(frames, rate).max() - 1e-3  # a block of 11,025 Hz is not always whole


@pytest.mark.parametrize("measure", [loudest_momentary, loudest_short_term])
def test_too_short_and_silent_sounds_have_no_highest_value(measure):
    assert measure(np.ones((10_000, 2)), 48_000) == -math.inf
    assert measure(np.zeros((200_000, 2)), 48_000) == -math.inf


@pytest.mark.parametrize("measure", [loudest_momentary, loudest_short_term, louder_ear])
def test_what_is_no_number_is_no_silence(measure):
    frames = np.full((200_000, 2), 0.1)
    frames[150_000, 1] = np.nan
    with np.errstate(invalid="ignore"), pytest.raises(ValueError, match="must be finite"):
        measure(frames, 48_000)


@pytest.mark.parametrize(("left", "right", "more"), [(1.0, 1.0, 0.0), (0.0, 1.0, 3.0103), (0.5, 1.0, 2.0412)])
def test_a_lone_sound_stands_over_the_whole_by_its_share_of_it(left, right, more):
    # Energy (law): 400 ms of 10 s are 10 lg 25 = 13.98 dB over the whole, and the louder ear has
    # 10 lg 2 = 3.01 dB over the mean of both where it has all of it, 10 lg(2/1.25) = 2.04 where the other has a half.
    frames = within_silence(tone(0.4, rate=22_050) * [left, right], 22_050, 3.037, 6.563)
    found = louder_ear(frames, 22_050)
    assert found.momentary_db == pytest.approx(10 * math.log10(25.0) + more, abs=0.02)
    assert found.whole_db == pytest.approx(more, abs=0.001)


def test_what_the_weighting_leaves_out_hides_no_loud_sound():
    """Bass that A-weighting takes 30.2 dB from (IEC 61672-1, table 3: 50 Hz) under a sound of 1 kHz 10 dB lower."""
    rate = 48_000
    bass = tone(10.0, frequency=50.0, dbfs=-10.0)
    frames = bass + within_silence(tone(0.4, dbfs=-20.0), rate, 5.011, 4.589)
    loudest = a_weighted_level(frames[round(5.011 * rate) :][: round(0.4 * rate)], rate)
    assert loudest == pytest.approx(-23.0, abs=0.1)
    assert a_weighted_level(frames, rate) + louder_ear(frames, rate).momentary_db == pytest.approx(loudest, abs=0.05)


@pytest.mark.parametrize("seconds", [0.3, 0.4, 4.0, 9.3])
def test_a_steady_sound_is_no_louder_than_itself(seconds):
    assert louder_ear(tone(seconds), 48_000).momentary_db == pytest.approx(0.0, abs=0.03)
    assert louder_ear(np.zeros((round(seconds * 48_000), 2)), 48_000) == LouderEar(whole_db=0.0, momentary_db=0.0)
