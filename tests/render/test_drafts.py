import hashlib

import numpy as np
import pytest

from blindtest.audio import integrated_loudness, noise_length
from blindtest.render.drafts import dither_noise, loudness

RATE = 48_000


def test_a_recording_far_under_the_gate_has_a_loudness(bench):
    frames = bench.pink(1.0)
    assert integrated_loudness(frames * 1e-4, RATE) == -np.inf
    assert loudness(frames * 1e-4, RATE) == pytest.approx(loudness(frames, RATE) - 80.0, abs=0.01)
    assert loudness(np.zeros((RATE, 2)), RATE) == -np.inf


def test_dither_follows_from_its_key():
    first = dither_noise("a", 100, 2)
    assert len(first) == noise_length(100, 2)
    assert first == dither_noise("a", 100, 2)
    assert first != dither_noise("b", 100, 2)
    # SHAKE-256 (FIPS 202) of the standard library, the key spelled out here once more.
    assert first == hashlib.shake_256(b"blindtest dither\x00a").digest(len(first))
