import hashlib

import numpy as np
import pytest

from blindtest.audio import integrated_loudness
from blindtest.render.drafts import dither, loudness

RATE = 48_000


def test_a_recording_far_under_the_gate_has_a_loudness(bench):
    frames = bench.pink(1.0)
    assert integrated_loudness(frames * 1e-4, RATE) == -np.inf
    assert loudness(frames * 1e-4, RATE) == pytest.approx(loudness(frames, RATE) - 80.0, abs=0.01)
    assert loudness(np.zeros((RATE, 2)), RATE) == -np.inf


def test_dither_follows_from_its_key():
    first = dither("a", 100, 2)
    assert first.shape == (100, 2)
    assert np.array_equal(first, dither("a", 100, 2))
    assert not np.array_equal(first, dither("b", 100, 2))
    # SHAKE-256 (FIPS 202) of the standard library, the key and the difference of two uniforms spelled out once more.
    drawn = hashlib.shake_256(b"blindtest dither\x00a").digest(800)
    one, other = (int.from_bytes(drawn[i : i + 2], "little") for i in (12, 14))
    assert first[1, 1] == (one - other) / 65536
