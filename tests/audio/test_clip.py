"""Clips cut, faded, resampled and aligned."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blindtest.audio import Clip, aligned, excerpt, faded, resampled
from blindtest.errors import BlindtestError

# -- cutting and fading


def test_an_excerpt_is_cut_to_the_nearest_frame():
    clip = Clip(frames=np.arange(1000.0)[:, None], rate=1000, name="c")
    part = excerpt(clip, 0.1004, 0.5)
    assert (part.frames[0, 0], len(part.frames), part.name, part.rate) == (100.0, 400, "c", 1000)
    assert len(excerpt(clip, 0.0, 1.0).frames) == 1000


@pytest.mark.parametrize(
    ("start", "end", "message"),
    [
        (0.5, 0.5, r"c: an excerpt must end after it begins, got '0\.5 to 0\.5 s'"),
        (-1.0, 0.5, "must end after it begins"),
        (0.5, 1.5, r"c: the excerpt reaches past the end of the clip, got .* \(allowed: within 0 to 1\.000 s\)"),
        (0.5, 0.5001, "the excerpt is empty"),
    ],
)
def test_excerpts_that_are_none(start, end, message):
    clip = Clip(frames=np.zeros((1000, 1)), rate=1000, name="c")
    with pytest.raises(BlindtestError, match=message):
        excerpt(clip, start, end)


def test_fades_are_raised_cosines():
    ones = np.ones((1000, 2))
    result = faded(ones, 1000, 0.1)
    # Half way through a raised cosine is one half; fade and its reversal add up to one.
    assert result[49:51, 0].mean() == pytest.approx(0.5)
    assert result[:100] + result[:100][::-1] == pytest.approx(np.ones((100, 2)))
    assert np.array_equal(result[100:900], ones[100:900])
    assert result == pytest.approx(result[::-1])
    assert ones.min() == 1.0
    assert np.array_equal(faded(ones, 1000, 0.0), ones)
    assert faded(np.ones((3, 1)), 1000, 1.0).shape == (3, 1)


# -- resampling


@pytest.mark.parametrize(("start", "end"), [(44_100, 48_000), (48_000, 44_100), (96_000, 48_000)])
def test_resampling_keeps_tones_and_stops_images(start, end):
    # Closed form: a tone stays the same tone. Shared measurements found 20 kHz within 0.01 dB and images under -180 dB.
    t = np.arange(start * 2) / start
    for frequency, worst_db in ((1000.0, 0.001), (18_000.0, 0.005), (20_000.0, 0.02)):
        tone = Clip(frames=0.5 * np.sin(2 * np.pi * frequency * t)[:, None], rate=start)
        moved = resampled(tone, end)
        assert moved.rate == end
        assert abs(len(moved.frames) - 2 * end) <= 1
        middle = moved.frames[end // 2 : end // 2 + end, 0]
        spectrum = np.abs(np.fft.rfft(middle * np.blackman(end))) / (0.42 * end / 2) / 0.5
        assert 20 * np.log10(spectrum[int(frequency)]) == pytest.approx(0.0, abs=worst_db)
        spectrum[int(frequency) - 20 : int(frequency) + 21] = 0.0
        assert spectrum.max() < 1e-5  # the window's own side lobes allow no more


def test_resampling_to_its_own_rate_is_the_clip_itself():
    clip = Clip(frames=np.ones((10, 2)), rate=48_000)
    assert resampled(clip, 48_000) is clip
    with pytest.raises(ValueError, match="rate must be 8000 to 768000 Hz, got 48"):
        resampled(clip, 48)


# -- aligning


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 2**32), shift=st.integers(-400, 400), polarity=st.sampled_from([1, -1]), gain=st.floats(0.05, 4)
)
def test_a_known_shift_is_found(seed, shift, polarity, gain):
    source = np.random.default_rng(seed).standard_normal((4000, 2))
    reference, moved = source[500:3500], source[500 - shift : 3500 - shift] * polarity * gain
    assert aligned(moved, reference, 1000, 0.5) == shift
    assert aligned(reference, moved, 1000, 0.5) == -shift


def test_a_shift_beyond_the_limit_is_not_found():
    click = np.zeros((1000, 1))
    click[500] = 1.0
    assert aligned(np.roll(click, 50, axis=0), click, 1000, 0.06) == 50
    assert abs(aligned(np.roll(click, 50, axis=0), click, 1000, 0.04)) <= 40


def test_silence_and_nothing_lie_at_zero():
    assert aligned(np.zeros((100, 1)), np.zeros((100, 1)), 1000, 0.05) == 0
    assert aligned(np.zeros((0, 1)), np.zeros((100, 1)), 1000, 0.05) == 0
