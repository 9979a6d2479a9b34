"""Real units on outputs of their own: one programme, routed inside the stream, captured and compared sample by sample.

No sound card is needed: ALSA's file plugin in front of its null device takes four channels as well as two.
"""

import json
import os
import runpy
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from blindtest.session import Route, dithered, on_outputs, trimmed

HERE = Path(__file__).parent
FADE = 240
RISE = (0.5 - 0.5 * np.cos(np.pi * (np.arange(FADE) + 0.5) / FADE)).astype(np.float32)[:, None]
UNPACED = """
pcm.capfile {{ type file slave {{ pcm "nul" }} file "{raw}" format "raw" }}
pcm.nul {{ type null }}
pcm.default {{ type plug slave.pcm "capfile" }}
"""


def test_a_trim_is_a_gain_rounded_to_the_last_bit():
    samples = np.array([[1000, -2000], [2**23 - 1, -(2**23)]], dtype=np.int32)
    # By hand: 10^(-6.0206 / 20) is a half, to seven digits.
    assert trimmed(samples, -6.020599913279624).tolist() == [[500, -1000], [4194304 - 0, -4194304]]
    assert np.array_equal(trimmed(samples, 0.0), samples)
    with pytest.raises(ValueError, match="never turns up"):
        trimmed(samples, 0.1)


@given(st.integers(-(2**23), 2**23 - 1), st.floats(-20, 0))
def test_a_trim_is_within_half_a_bit(sample, trim_db):
    [[brought]] = trimmed(np.array([[sample]]), trim_db).tolist()
    assert abs(brought - sample * 10 ** (trim_db / 20)) <= 0.5


def test_channels_go_to_their_outputs_and_nowhere_else():
    frames = np.array([[1, 2], [3, 4]], dtype=np.float32)
    assert on_outputs(frames, (4, 3), 4).tolist() == [[0, 0, 2, 1], [0, 0, 4, 3]]
    assert on_outputs(frames[:, :1], (1, 2), 4).tolist() == [[1, 1, 0, 0], [3, 3, 0, 0]]
    assert on_outputs(frames, (), 2) is frames
    for outputs in ((1, 2, 3), (4, 5)):
        with pytest.raises(ValueError, match="don't fit"):
            on_outputs(frames, outputs, 4)


@pytest.fixture
def portaudio(require):
    try:
        import sounddevice  # noqa: F401
    except OSError as error:
        require("sound", False, f"PortAudio can't be loaded: {error}")


@pytest.mark.sound
def test_each_unit_gets_the_programme_on_its_own_outputs_bit_for_bit(tmp_path, portaudio):
    played = runpy.run_path(str(HERE / "play_captured.py"))
    routed = runpy.run_path(str(HERE / "play_routed.py"))
    slots, routes, width = played["SLOTS"], routed["ROUTES"], routed["STREAM_CHANNELS"]
    raw = tmp_path / "out.raw"
    (tmp_path / "asound.conf").write_text(UNPACED.format(raw=raw))
    done = subprocess.run(
        [sys.executable, str(HERE / "play_routed.py"), "capfile", "9"],
        env={**os.environ, "ALSA_CONFIG_PATH": str(tmp_path / "asound.conf")},
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    log = json.loads(done.stdout)["log"]
    captured = np.fromfile(raw, dtype="<f4")
    captured = captured[: len(captured) // width * width].reshape(-1, width)
    clip = played["samples"]("A")

    def heard(slot):
        route: Route = routes[slot]
        whole = dithered(trimmed(clip, route.trim_db), played["noise"](slot)).astype(np.float32) / np.float32(2**23)
        place = np.zeros((len(whole), width), dtype=np.float32)
        for channel, output in enumerate(route.outputs):
            place[:, output - 1] = whole[:, channel]
        return place

    sounds = {slot: heard(slot) for slot in slots}
    at, slot, position = log[1]
    needle = sounds[slots[slot]][position + FADE : position + FADE + 64]
    column = int(np.flatnonzero(needle.any(axis=0))[0])
    starts = np.flatnonzero(captured[:, column] == needle[0, column])
    offset = next(s for s in starts if np.array_equal(captured[s : s + 64], needle)) - FADE - at
    compared = dict.fromkeys(slots, 0)
    for number in range(1, len(log) - 1):
        at, slot, position = log[number]
        length = min(log[number + 1][0] - at, len(clip) - position)
        part = captured[at + offset : at + offset + length]
        expected = sounds[slots[slot]][position : position + length].copy()
        expected[:FADE] *= RISE
        expected[-FADE:] *= RISE[::-1]
        assert np.array_equal(part, expected), f"stretch {number}"
        compared[slots[slot]] += length
    # Each was compared for a while, and one position ran through all of them.
    assert min(compared.values()) > played["RATE"] // 4
    # Never do both pairs sound: 5 ms out, then 5 ms in (ITU-R BS.1534-3, 5.3: no cross-fade).
    assert not (captured[:, :2].any(axis=1) & captured[:, 2:].any(axis=1)).any()
