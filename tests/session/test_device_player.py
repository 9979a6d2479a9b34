"""Sound through a real PortAudio stream, captured and compared sample by sample; no sound card is needed.

Unpaced: ALSA's file plugin in front of its null device, as fast as the callback goes. Paced: the same in front of a
private PulseAudio server with a null sink, in real time, so that a stalled callback is an underrun.
"""

import json
import os
import runpy
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from blindtest.errors import BlindtestError
from blindtest.session import dithered

pytestmark = pytest.mark.sound
SCRIPT = Path(__file__).parent / "play_captured.py"
PLAYED = runpy.run_path(str(SCRIPT))
RATE, CHANNELS, FRAMES, SLOTS = (PLAYED[name] for name in ("RATE", "CHANNELS", "FRAMES", "SLOTS"))
FADE = 240
RISE = (0.5 - 0.5 * np.cos(np.pi * (np.arange(FADE) + 0.5) / FADE)).astype(np.float32)[:, None]
UNPACED = """
pcm.capfile {{ type file slave {{ pcm "nul" }} file "{raw}" format "raw" }}
pcm.nul {{ type null }}
pcm.default {{ type plug slave.pcm "capfile" }}
"""
PACED = """
pcm.p {{ type pulse }}
pcm.capfile {{ type file slave {{ pcm "p" }} file "{raw}" format "raw" }}
pcm.default {{ type plug slave.pcm "capfile" }}
"""
PULSE = """
load-module module-null-sink sink_name=cap rate=48000 format=float32le channels=2
load-module module-native-protocol-unix auth-anonymous=1
set-default-sink cap
"""


def heard(slot):
    """Return what a slot sounds like: its stored samples with its dither, full scale 1."""
    return dithered(PLAYED["samples"](slot), PLAYED["noise"](slot)).astype(np.float32) / np.float32(2**23)


def played(folder, config, *arguments, **environment):
    """Run the script in a process of its own; return what it told and what was captured."""
    raw = folder / "out.raw"
    (folder / "asound.conf").write_text(config.format(raw=raw))
    done = subprocess.run(
        [sys.executable, str(SCRIPT), *map(str, arguments)],
        env={**os.environ, "ALSA_CONFIG_PATH": str(folder / "asound.conf"), **environment},
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    captured = np.fromfile(raw, dtype="<f4")
    return json.loads(done.stdout), captured[: len(captured) // CHANNELS * CHANNELS].reshape(-1, CHANNELS)


def as_logged(told, captured):
    """Compare the capture with what the log of switches predicts, from the first switch on; return frames compared.

    The place of the first frame in the capture is found by content: the device may begin with silence of its own.
    """
    sounds, log = {slot: heard(slot) for slot in SLOTS}, told["log"]
    assert len(log) > 3
    at, slot, position = log[1]
    needle = sounds[SLOTS[slot]][position + FADE : position + FADE + 64]
    starts = np.flatnonzero((captured[:, 0] == needle[0, 0]) & (captured[:, 1] == needle[0, 1]))
    # The first time: unpaced, a slot may go round its clip's end and come to the same place again.
    found = next(s for s in starts if np.array_equal(captured[s : s + 64], needle))
    offset = found - FADE - at
    compared = 0
    for number, (at, slot, position) in enumerate(log[1:], start=1):
        length = log[number + 1][0] - at if number + 1 < len(log) else None
        part = captured[at + offset :] if length is None else captured[at + offset : at + offset + length]
        if length is None:
            length = int(np.flatnonzero(part.any(axis=1))[-1]) + 1
            assert not part[length:].any()
        expected = sounds[SLOTS[slot]][position : position + length].copy()
        expected[:FADE] *= RISE
        expected[-FADE:] *= RISE[::-1]
        assert np.array_equal(part[:length], expected), f"stretch {number}"
        compared += length
    return compared


@pytest.fixture
def portaudio(require):
    try:
        import sounddevice  # noqa: F401
    except OSError as error:
        require("sound", False, f"PortAudio can't be loaded: {error}")


def test_what_reaches_the_device_is_the_stimuli_bit_for_bit(tmp_path, portaudio):
    told, captured = played(tmp_path, UNPACED, "capfile", 18)
    assert told["rate"] == RATE
    assert as_logged(told, captured) > 4 * RATE


def test_the_first_sound_comes_in_over_three_seconds(tmp_path, portaudio):
    told, captured = played(tmp_path, UNPACED, "capfile", 4)
    (at, slot, position), (next_at, _, _) = told["log"][:2]
    assert (SLOTS[slot], position) == ("A", 0)
    sound = heard("A")
    end = captured.any(axis=1).argmax()
    level = [np.sqrt(np.mean(captured[end + k : end + k + 4800] ** 2)) for k in (0, 36_000, 72_000, 150_000)]
    whole = np.sqrt(np.mean(sound[:4800] ** 2))
    # Raised cosine over 3 s: 0.3 % of the level within the first 0.1 s, 15 % at 0.75 s, half at 1.5 s.
    assert level[0] < 0.004 * whole
    assert level[1] == pytest.approx(0.165 * whole, rel=0.15)
    assert level[2] == pytest.approx(0.526 * whole, rel=0.1)
    assert level[3] == pytest.approx(whole, rel=0.02)
    assert next_at - at > 3 * RATE


@pytest.fixture
def pulse(tmp_path, portaudio, require):
    """A private sound server with a null sink, kept awake by a reader."""
    there = bool(shutil.which("pulseaudio") and shutil.which("parec"))
    require("sound", there, "no sound server: PulseAudio is missing (Debian: apt-get install pulseaudio)")
    home = tmp_path / "run"
    home.mkdir(mode=0o700)
    (home / "pulse.pa").write_text(PULSE)
    environment = {"XDG_RUNTIME_DIR": str(home), "HOME": str(home), "PULSE_RUNTIME_PATH": str(home / "pulse")}
    server = subprocess.Popen(
        ["pulseaudio", "-n", "-F", str(home / "pulse.pa"), "--exit-idle-time=-1", "--daemonize=no",
         "--use-pid-file=no", "--disable-shm=yes"],
        env={**os.environ, **environment}, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    reader = None
    try:
        for _ in range(100):
            ready = subprocess.run(
                ["pactl", "info"], env={**os.environ, **environment}, capture_output=True, check=False
            )
            if ready.returncode == 0:
                break
            time.sleep(0.1)
        else:
            require("sound", False, "the sound server does not start here")
        reader = subprocess.Popen(
            ["parec", "-d", "cap.monitor", "--latency-msec=10", "--raw"],
            env={**os.environ, **environment}, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        yield environment
    finally:
        for process in (reader, server):
            if process is not None:
                process.kill()
                process.wait()


@pytest.mark.slow
def test_in_real_time_too(tmp_path, pulse):
    for _ in range(4):  # a machine may be too busy; then the underruns are counted, and it is tried again
        told, captured = played(tmp_path, PACED, "capfile", 8, **pulse)
        if not told["underruns"]:
            break
    assert told["underruns"] == 0
    assert as_logged(told, captured) > 1.5 * RATE


@pytest.mark.slow
def test_a_stalled_callback_is_counted_as_an_underrun(tmp_path, pulse):
    told, _ = played(tmp_path, PACED, "capfile", 2, "--stall", 0.5, **pulse)
    assert told["underruns"] >= 1


def test_no_such_device_names_those_there_are(tmp_path, portaudio):
    (tmp_path / "asound.conf").write_text(UNPACED.format(raw=tmp_path / "out.raw"))
    code = (
        "from blindtest.session.device_player import DevicePlayer as P\nP(rates=[48000], channels=2, device='capfle')"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], env={**os.environ, "ALSA_CONFIG_PATH": str(tmp_path / "asound.conf")},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    last = done.stderr.strip().splitlines()[-1]
    assert BlindtestError.__name__ in last
    assert "no such sound device" in last
    assert "capfile" in last
    assert "did you mean" in last
