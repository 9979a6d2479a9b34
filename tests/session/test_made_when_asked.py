"""Sounds made when they are asked for: the same bytes as those made beforehand, and nothing kept."""

import numpy as np
import pytest

from blindtest.errors import BlindtestError
from blindtest.session import BrowserPlayer, MadeWhenAsked, Sound


def sound(token, made):
    def samples():
        made.append(token)
        return np.arange(-400, 400, dtype=np.int32).reshape(400, 2)

    return Sound(token=token, samples=samples, rate=48_000, dither=lambda n: bytes(k % 251 for k in range(n)))


def test_the_same_file_as_one_made_beforehand_and_made_anew_each_time():
    made, before = [], []
    lazy, eager = MadeWhenAsked(), BrowserPlayer()
    lazy.prepare(sound(token, made) for token in ("a", "b"))
    eager.prepare(sound(token, before) for token in ("a", "b"))
    assert made == []
    assert before == ["a", "b"]
    assert lazy.wav("b") == eager.wav("b")
    lazy.wav("b")
    assert made == ["b", "b"], "the second time costs what the first did"


def test_what_is_not_offered_now_is_not_served():
    lazy = MadeWhenAsked()
    lazy.prepare([sound("a", [])])
    lazy.prepare([sound("b", [])])
    for token in ("a", "c"):
        with pytest.raises(BlindtestError, match="no sound is served under this name now"):
            lazy.wav(token)
