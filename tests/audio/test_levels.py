"""A meter behind a filter, against making the filtered sound and measuring that."""

import math
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import fftconvolve, sosfilt

from blindtest.audio import (
    Meter,
    a_weighted_level,
    apply_and_sum,
    apply_firs,
    gated_loudness,
    hop_edges,
    integrated_loudness,
    k_weighting,
    rms_level,
)


def _music(seconds: float, rate: int, seed: int = 1, channels: int = 2) -> np.ndarray:
    """Noise that falls with frequency, under an envelope that opens and shuts the relative gate."""
    rng = np.random.default_rng(seed)
    count = round(seconds * rate)
    spectrum = np.fft.rfft(rng.standard_normal((count, channels)), axis=0)
    spectrum[1:] /= np.sqrt(np.arange(1, len(spectrum)))[:, None]
    frames = np.fft.irfft(spectrum, count, axis=0)
    knots = np.arange(0.0, seconds + 0.5, 0.25)
    level = np.interp(np.arange(count) / rate, knots, rng.uniform(-35.0, 0.0, len(knots)))
    return 0.5 * frames / np.abs(frames).max() * 10 ** (level / 20)[:, None]


def _ringing(rate: int, seconds: float = 0.5, seed: int = 2) -> np.ndarray:
    """A minimum-phase-like response: a direct sound and three modes that die away."""
    rng = np.random.default_rng(seed)
    time = np.arange(round(seconds * rate)) / rate
    fir = sum(
        0.05 * np.exp(-time / rng.uniform(0.002, 0.02)) * np.sin(2 * np.pi * rng.uniform(30, 4000) * time)
        for _ in range(3)
    )
    fir[0] += 1.0
    return fir


@pytest.mark.parametrize("rate", [11_025, 44_100, 48_000, 96_000])
@pytest.mark.parametrize("seconds", [0.4, 1.2345, 5.0])
def test_levels_are_those_of_the_filtered_sound(rate, seconds):
    frames, fir = _music(seconds, rate), _ringing(rate)
    measured = Meter(rate, fir).levels(frames)
    # By scipy.signal.fftconvolve, in full, and the meters of this room that are held against the standards.
    whole = fftconvolve(frames, fir[:, None], axes=0)
    # The measuring filter may be shortened at the cost of 0.001 dB at any one frequency.
    assert measured.heard == pytest.approx(integrated_loudness(whole[: len(frames)], rate), abs=0.001)
    assert measured.file == pytest.approx(integrated_loudness(frames, rate), abs=1e-5)  # single precision
    longer = 10 * np.log10(len(whole) / len(frames))  # what rings after the end counts, over the length of the file
    assert measured.rms == pytest.approx(rms_level(whole) + longer, abs=0.001)
    assert measured.a_weighted == pytest.approx(a_weighted_level(whole, rate) + longer, abs=0.001)


def test_without_a_filter_it_is_the_sound_itself():
    frames = _music(3.3, 48_000)
    measured = Meter(48_000).levels(frames)
    assert measured.heard == measured.file == pytest.approx(integrated_loudness(frames, 48_000), abs=1e-5)
    assert measured.rms == pytest.approx(rms_level(frames), abs=1e-5)
    assert measured.a_weighted == pytest.approx(a_weighted_level(frames, 48_000), abs=1e-5)


def test_tones_through_a_gain_read_as_calculated():
    # ITU-R BS.1770-5, annex 1: 997 Hz at 0 dBFS in one front channel reads -3.01 LKFS. 6.0206 dB less in two channels,
    # behind a gain of 2 and 7 samples of delay, is 3.01 more.
    tone = 0.5 * np.sin(2 * np.pi * 997 * np.arange(96_000) / 48_000)
    fir = np.zeros(8)
    fir[7] = 2.0
    measured = Meter(48_000, fir).levels(np.stack([tone, tone], axis=1))
    assert measured.heard == pytest.approx(0.0, abs=0.005)
    assert measured.file == pytest.approx(-6.0206, abs=0.005)
    assert measured.rms == pytest.approx(-3.0103, abs=0.001)
    # IEC 61672-1, table 3: A-weighting at 1 kHz is 0 dB.
    assert measured.a_weighted == pytest.approx(-3.0103, abs=0.01)


@pytest.mark.parametrize("frequency", [20.0, 31.5, 63.0, 100.0, 1000.0, 10_000.0])
def test_a_tone_where_the_filter_has_a_corner_is_not_misread(frequency):
    """A level curve with kinks, whose impulse response is long: the shortened filter is within 0.001 dB there, too."""
    from blindtest.device import minimum_phase_fir

    fir = minimum_phase_fir([20, 99.9, 100, 101, 1000, 20_000], [9.0, 0.0, 0.0, 0.3, -6.0, 3.0], 48_000, 32_768)
    n = 192_000
    fade = np.minimum(1.0, np.minimum(np.arange(n), np.arange(n)[::-1]) / 24_000)
    frames = (0.3 * np.sin(2 * np.pi * frequency * np.arange(n) / 48_000) * fade)[:, None]
    measured = Meter(48_000, fir).levels(frames)
    assert measured.heard == pytest.approx(integrated_loudness(apply_firs(frames, [fir])[0], 48_000), abs=0.001)


@settings(max_examples=30, deadline=None)
@given(
    seed=st.integers(0, 2**32),
    n=st.integers(0, 9_000),
    taps=st.integers(1, 900),
    channels=st.sampled_from([1, 2, 3, 5]),
)
def test_energies_are_those_of_the_definition(seed, n, taps, channels):
    """Convolved in the time domain, K-weighted by scipy.signal.sosfilt, squared and summed."""
    rng = np.random.default_rng(seed)
    frames, fir, rate = rng.standard_normal((n, channels)), rng.standard_normal(taps), 8_000
    got = Meter(rate, fir).energies(frames)
    weights = np.array({1: [1], 2: [1, 1], 3: [1, 1, 1], 5: [1, 1, 1, 1.41, 1.41]}[channels])
    assert len(got) == n // 800
    if len(got):
        heard = np.stack([np.convolve(column, fir)[:n] for column in frames.T], axis=-1)
        square = sosfilt(k_weighting(rate), heard, axis=0) ** 2 @ weights
        expected = square[: len(got) * 800].reshape(-1, 800).sum(axis=1)
        assert got == pytest.approx(expected, rel=2e-6)
        edges = hop_edges(n, rate)
        assert gated_loudness(got, edges) == pytest.approx(integrated_loudness(heard, rate), abs=1e-5) or math.isinf(
            integrated_loudness(heard, rate)
        )


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 2**32), n=st.integers(0, 3_000), taps=st.integers(1, 200), cuts=st.integers(0, 20))
def test_sums_between_edges_are_those_of_the_result(seed, n, taps, cuts):
    rng = np.random.default_rng(seed)
    frames, before = rng.standard_normal((n, 2)), rng.standard_normal((taps, 2))
    first, second = rng.standard_normal(taps), rng.standard_normal(max(1, taps // 2))
    edges = np.unique(rng.integers(0, n + 1, cuts + 1))
    third = rng.standard_normal((taps, 2))  # an odd number of filters: they are taken two at a time
    results, sums = apply_and_sum(frames, [first], [second, first, third], edges, before=before)
    assert len(sums) == 3
    assert np.allclose(results[0], apply_firs(frames, [first], before=before)[0])
    for fir, got in zip((second, first, third), sums, strict=True):
        whole = np.vstack([before, frames])
        columns = fir.T if fir.ndim == 2 else (fir, fir)
        sides = zip(whole.T, columns, strict=True)
        sound = np.stack([np.convolve(column, own)[taps : taps + n] for column, own in sides], axis=-1)
        expected = [np.square(sound[a:b]).sum(axis=0) for a, b in pairwise(edges)]
        assert got == pytest.approx(np.array(expected).reshape(-1, 2), rel=2e-6, abs=1e-5)


def test_whole_numbers_are_measured_by_their_full_scale():
    samples = np.rint(_music(1.0, 48_000) * 2**23).astype(np.int32)
    meter = Meter(48_000, _ringing(48_000))
    assert meter.levels(samples, full_scale=2.0**23) == meter.levels(samples / 2.0**23)
    assert integrated_loudness(samples, 48_000, full_scale=2.0**23) == integrated_loudness(samples / 2.0**23, 48_000)


def test_weighted_after_is_one_filter_for_three():
    rate, frames = 48_000, _music(1.0, 48_000)
    meter, fir = Meter(rate, _ringing(rate)), _ringing(rate, 0.3, seed=9)
    edges = hop_edges(len(frames), rate)
    energies = apply_and_sum(frames, [], [meter.weighted_after(fir)], edges)[1][0].sum(axis=1)
    assert energies == pytest.approx(meter.energies(apply_firs(frames, [fir])[0]), rel=2e-6)


def test_silence_and_what_is_too_short_have_no_level():
    meter = Meter(48_000, _ringing(48_000))
    assert meter.levels(np.zeros((48_000, 2))).heard == -math.inf
    assert meter.levels(np.zeros((48_000, 2))).rms == -math.inf
    short = meter.levels(0.1 * np.ones((19_199, 2)))
    assert short.heard == short.file == -math.inf
    assert math.isfinite(short.rms)
    assert meter.levels(np.zeros((0, 2))).a_weighted == -math.inf


def test_one_meter_serves_many_threads():
    meter, clips = Meter(48_000, _ringing(48_000)), [_music(2.0, 48_000, seed=seed) for seed in range(4)]
    alone = [meter.levels(frames) for frames in clips]
    with ThreadPoolExecutor(4) as pool:
        assert list(pool.map(meter.levels, clips)) == alone


def test_blocks_shared_out_among_threads_are_measured_alike():
    """To the last bit, whichever block is done first."""
    meter, frames = Meter(48_000, _ringing(48_000)), _music(8.0, 48_000)
    with ThreadPoolExecutor(3) as pool:
        assert meter.levels(frames, spread=lambda tasks: pool.map(lambda task: task(), tasks)) == meter.levels(frames)


def test_wrong_shapes_are_refused():
    with pytest.raises(ValueError, match=r"a filter must be \(taps,\), got shape \(3, 2\)"):
        Meter(48_000, np.ones((3, 2)))
    with pytest.raises(ValueError, match=r"frames must be \(n, channels\), got shape \(5,\)"):
        Meter(48_000).levels(np.zeros(5))
