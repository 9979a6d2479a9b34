"""True peak against EBU Tech 3341, the oracle, a brute-force route and laws."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blindtest.audio import true_peak
from blindtest.audio.peak import _phases

# Above 0.45 of the rate a peak is the interpolator's choice: the oracle allows these white or clipped signals -0.5 dB.
FULL_BAND = ("edge('just above the gate')", "edge('just below the gate')", "programme(9)")


def test_true_peak_is_that_of_the_oracle(oracle_case, oracle_signal):
    # tests/references/audio/expected.json, key `true_peak`: 16x FFT of the whole signal and a parabola, near exact.
    rate, frames = oracle_signal(oracle_case["signal"])
    measured = true_peak(frames, rate)
    if oracle_case["true_peak"] is None:
        assert measured == -math.inf
        return
    under = 0.5 if oracle_case["signal"] in FULL_BAND else 0.2
    assert oracle_case["true_peak"] - under <= measured <= oracle_case["true_peak"] + 0.1


@pytest.mark.parametrize(("case", "expected"), [(15, -6.0), (16, -6.0), (17, -6.0), (18, -6.0), (19, 3.0)])
def test_minimum_requirements_of_tech_3341(case, expected, oracle_signal):
    # EBU Tech 3341 (2016), table 1, cases 15-19: +0.2/-0.4 dBTP.
    rate, frames = oracle_signal(f"ebu3341({case})")
    assert expected - 0.4 <= true_peak(frames, rate) <= expected + 0.2


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000, 192_000])
@pytest.mark.parametrize("share", [0.01, 0.1, 0.25, 1 / 3, 0.4, 0.45])
@pytest.mark.parametrize("degrees", [0.0, 22.5, 45.0])
def test_a_tone_of_any_phase_reads_its_amplitude(rate, share, degrees):
    # Closed form: a steady tone's true peak is its amplitude. Faded, so that its ends don't ring.
    n = 8_000
    fade = np.minimum(1.0, np.minimum(np.arange(n), np.arange(n)[::-1]) / 2000)
    tone = 0.5 * np.sin(2 * np.pi * share * np.arange(n) + np.deg2rad(degrees)) * fade
    assert true_peak(tone[:, None], rate) == pytest.approx(-6.0206, abs=0.06)


def _by_brute_force(frames: np.ndarray, oversampling: int) -> float:
    """Every place of a grid, by plain convolution: no chunks, nothing left out, nothing refined."""
    taps = _phases()[:: 32 // oversampling]
    return max(float(np.abs(np.convolve(channel, phase[::-1])).max()) for channel in frames.T for phase in taps)


def _hard_cases():
    rng = np.random.default_rng(77)
    yield "white", rng.standard_normal((5_000, 2))
    yield "one click", np.eye(1, 999, 500).T
    yield "first frame", np.eye(1, 999, 0).T
    yield "last frame", np.eye(1, 999, 998).T
    yield "one frame", np.array([[-0.25, 0.5]])
    yield "alternating", np.tile([[1.0], [-1.0]], (300, 1))
    yield "bursts", rng.standard_normal((20_000, 1)) * (np.arange(20_000) % 5000 < 90)[:, None]
    yield "laplace", rng.laplace(size=(33_333, 2))


@pytest.mark.parametrize(("name", "frames"), list(_hard_cases()), ids=[name for name, _ in _hard_cases()])
def test_leaving_chunks_out_loses_nothing(name, frames):
    found = 10 ** (true_peak(frames, 48_000) / 20)
    assert found >= _by_brute_force(frames, 4) * (1 - 1e-12)
    # The fine grid is looked at only around the highest places of the coarse one: 0.01 dB.
    every = _by_brute_force(frames, 32)
    assert every * 10 ** (-0.01 / 20) <= found <= every * (1 + 1e-12)


def test_the_interpolator_passes_samples_and_constants():
    taps = _phases()
    assert taps[0] == pytest.approx(np.eye(48)[23], abs=1e-15)
    assert taps.sum(axis=1) == pytest.approx(np.ones(32), abs=1e-14)
    # Half a frame later is half a frame earlier, reversed.
    assert taps[16] == pytest.approx(taps[16][::-1], abs=1e-15)


def test_a_square_wave_overshoots():
    # Samples +1 +1 -1 -1: a tone at a quarter of the rate with amplitude sqrt(2), +3.01 dBTP over samples of 0 dBFS.
    square = np.tile([[1.0], [1.0], [-1.0], [-1.0]], (500, 1)) * np.hanning(2000)[:, None]
    assert np.abs(square).max() <= 1.0
    assert true_peak(square, 48_000) == pytest.approx(3.0103, abs=0.02)


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 2**32), gain=st.floats(-40, 40), n=st.integers(1, 3000))
def test_laws(seed, gain, n):
    noise = np.random.default_rng(seed).standard_normal((n, 2))
    peak = true_peak(noise, 48_000)
    assert peak >= 20 * np.log10(np.abs(noise).max()) - 1e-12
    assert true_peak(noise * 10 ** (gain / 20), 48_000) == pytest.approx(peak + gain, abs=1e-9)
    assert true_peak(noise[:, ::-1], 48_000) == pytest.approx(peak, abs=1e-9)
    assert true_peak(np.vstack([np.zeros((n % 50, 2)), noise]), 48_000) == pytest.approx(peak, abs=0.01)


def test_silence_and_nothing_are_minus_infinity():
    assert true_peak(np.zeros((100, 2)), 48_000) == -math.inf
    assert true_peak(np.zeros((0, 2)), 48_000) == -math.inf


def test_shape_and_rate_are_looked_at():
    with pytest.raises(ValueError, match="must be finite"):
        true_peak(np.array([[0.5], [np.nan], [0.1]]), 48_000)
    with pytest.raises(ValueError, match=r"\(n, channels\), got shape \(5,\)"):
        true_peak(np.zeros(5), 48_000)
    with pytest.raises(ValueError, match="rate must be positive, got 0"):
        true_peak(np.zeros((5, 1)), 0)
