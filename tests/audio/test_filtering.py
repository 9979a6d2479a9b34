"""Overlap-save against direct convolution."""

import tracemalloc

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blindtest.audio import apply_firs


def _direct(frames: np.ndarray, fir: np.ndarray, before: np.ndarray | None = None) -> np.ndarray:
    """The definition of convolution, by numpy's time-domain routine."""
    whole = frames if before is None else np.vstack([before, frames])
    columns = np.broadcast_to(fir[:, None] if fir.ndim == 1 else fir, (len(fir), whole.shape[1]))
    result = np.stack([np.convolve(x, h)[: len(whole)] for x, h in zip(whole.T, columns.T, strict=True)], axis=1)
    return result[len(whole) - len(frames) :]


@settings(max_examples=50, deadline=None)
@given(
    seed=st.integers(0, 2**32),
    n=st.integers(1, 20_000),
    channels=st.integers(1, 3),
    taps=st.lists(st.integers(1, 700), min_size=1, max_size=3),
    ahead=st.none() | st.integers(0, 1500),
    own_columns=st.booleans(),
)
def test_the_result_is_direct_convolution(seed, n, channels, taps, ahead, own_columns):
    rng = np.random.default_rng(seed)
    frames = rng.standard_normal((n, channels))
    before = None if ahead is None else rng.standard_normal((ahead, channels))
    firs = [rng.standard_normal((m, channels) if own_columns else m) for m in taps]
    results = apply_firs(frames, firs, before=before)
    assert len(results) == len(firs)
    for fir, result in zip(firs, results, strict=True):
        assert result.shape == frames.shape
        assert result.dtype == np.float64
        assert result == pytest.approx(_direct(frames, fir, before), abs=1e-10)


def test_many_blocks_of_a_long_filter():
    rng = np.random.default_rng(3)
    frames, fir = rng.standard_normal((150_000, 2)), rng.standard_normal(16_384)
    from scipy.signal import oaconvolve

    expected = oaconvolve(frames, fir[:, None], axes=0)[: len(frames)]
    assert np.abs(apply_firs(frames, [fir])[0] - expected).max() < 1e-11


def test_a_unit_impulse_passes_the_clip_untouched():
    frames = np.random.default_rng(4).uniform(-1, 1, (100_000, 2))
    impulse = np.zeros(16_384)
    impulse[0] = 1.0
    # Far under half a step of 24 bits (6e-8).
    assert np.abs(apply_firs(frames, [impulse])[0] - frames).max() < 1e-14


def test_one_column_serves_all_channels():
    frames = np.random.default_rng(5).standard_normal((999, 2))
    fir = np.array([0.5, -0.25, 0.125])
    assert np.array_equal(apply_firs(frames, [fir])[0], apply_firs(frames, [fir[:, None]])[0])


def test_only_the_programme_within_reach_ahead_counts():
    rng = np.random.default_rng(6)
    frames, fir, near = rng.standard_normal((500, 1)), rng.standard_normal(64), rng.standard_normal((63, 1))
    far = np.vstack([1e6 * rng.standard_normal((4000, 1)), near])
    assert np.array_equal(apply_firs(frames, [fir], before=far)[0], apply_firs(frames, [fir], before=near)[0])


def test_cutting_a_clip_and_joining_it_again_gives_the_same():
    rng = np.random.default_rng(7)
    frames, fir = rng.standard_normal((20_000, 2)), rng.standard_normal(500)
    whole = apply_firs(frames, [fir])[0]
    second = apply_firs(frames[7000:], [fir], before=frames[:7000])[0]
    assert second == pytest.approx(whole[7000:], abs=1e-11)


def test_edges_of_sizes():
    assert apply_firs(np.zeros((10, 2)), []) == []
    assert apply_firs(np.zeros((0, 2)), [[1.0]])[0].shape == (0, 2)
    assert apply_firs([[2.0]], [[0.5, 9.0]])[0].tolist() == [[1.0]]


def test_the_arguments_are_not_written_into_and_need_no_layout():
    frames = np.random.default_rng(8).standard_normal((2, 5000)).T  # columns apart in memory
    frames.flags.writeable = False
    fir = np.ones(3)
    assert apply_firs(frames, [fir])[0] == pytest.approx(_direct(frames, fir), abs=1e-12)


def test_memory_beside_the_results_stays_small():
    frames, firs = np.zeros((2_000_000, 2)), [np.ones(16_384)] * 2
    apply_firs(frames[:100], firs)
    tracemalloc.start()
    try:
        results = apply_firs(frames, firs)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    # A block is 81 920 frames: 16 bytes a frame for the piece, twice that for its spectrum and the product, and the
    # filters' spectra; and each result is rounded up to whole blocks.
    assert peak - sum(result.nbytes for result in results) < 12e6


@pytest.mark.parametrize(
    ("frames", "firs", "before", "message"),
    [
        (np.zeros(5), [[1.0]], None, r"frames must be \(n, channels\), got shape \(5,\)"),
        (np.zeros((5, 2)), [np.ones((3, 3))], None, r"\(taps,\), \(taps, 2\) or \(taps, 2, 2\), got shape \(3, 3\)"),
        (np.zeros((5, 2)), [[]], None, r"got shape \(0,\)"),
        (np.zeros((5, 2)), [[1.0]], np.zeros((5, 1)), "before has 1 channels, frames 2"),
    ],
)
def test_wrong_shapes_are_refused(frames, firs, before, message):
    with pytest.raises(ValueError, match=message):
        apply_firs(frames, firs, before=before)
