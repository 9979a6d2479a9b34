"""Free listening whose sound leaves through a sound device that keeps time, with the page as its desk.

A private sound server with a sink that plays into nothing gives the clock; its own file plugin takes what was played.
The choice comes by the clock, and the slot chosen plays the rest until it is skipped.
"""

import importlib.util
import os
import re
import shutil
import subprocess
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile

from blindtest.session.store import Store

pytestmark = [pytest.mark.browser, pytest.mark.sound, pytest.mark.long]

SPEC = importlib.util.spec_from_file_location("own_files", Path(__file__).parent / "test_own_files_in_the_browser.py")
OWN = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(OWN)
browser = OWN.browser

SERVER = """
load-module module-null-sink sink_name=cap rate=48000 format=float32le channels=2
load-module module-native-protocol-unix auth-anonymous=1
set-default-sink cap
"""
PACED = """
pcm.p {{ type pulse }}
pcm.capfile {{ type file slave {{ pcm "p" }} file "{raw}" format "raw" }}
pcm.default {{ type plug slave.pcm "capfile" }}
"""
STUDY = """\
format = 1
title = "Two versions of a track"
reviewer = "R-test"

[rendering]
over = "worn"
match = "file"

[[condition]]
id = "plain"
stages = []

[[condition]]
id = "tilted"
stages = [{ tilt_db_per_octave = 1.0 }]

[[clip]]
id = "track"
file = "clips/track.wav"

[[claim]]
id = "keeps"
kind = "keeps listening"
device = "plain"
comparator = "tilted"

[protocol]
use = "free-listening"

[protocol.changes]
practice = { trials = 1, choice_after_s = 5 }
test = { trials = 6, choice_after_s = 5, margin = 0.45 }
"""
LONG_S = 20


@pytest.fixture
def device(require, monkeypatch, tmp_path):
    """A device that plays in real time into nothing, on a server of its own, ended by its own process."""
    for program in ("pulseaudio", "parec"):
        require("sound", shutil.which(program) is not None, f"{program} isn't installed (Debian: pulseaudio-utils)")
    place = tmp_path / "sound"
    place.mkdir(mode=0o700)
    (place / "pulse.pa").write_text(SERVER)
    raw = place / "out.raw"
    (place / "asound.conf").write_text(PACED.format(raw=raw))
    for name, value in {
        "XDG_RUNTIME_DIR": place, "HOME": place, "ALSA_CONFIG_PATH": place / "asound.conf", "PULSE_SERVER": "",
    }.items():  # fmt: skip
        monkeypatch.setitem(os.environ, name, str(value))
    monkeypatch.delitem(os.environ, "PULSE_SERVER")
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    server = subprocess.Popen(
        ["pulseaudio", "-n", "-F", str(place / "pulse.pa"), "--exit-idle-time=-1", "--daemonize=no",
         "--use-pid-file=no", "--disable-shm=yes"], **quiet,
    )  # fmt: skip
    until = time.monotonic() + 20
    while not (place / "pulse" / "native").exists():
        assert server.poll() is None, "the sound server ended"
        assert time.monotonic() < until, "the sound server didn't come up"
        time.sleep(0.1)
    reader = subprocess.Popen(["parec", "-d", "cap.monitor", "--latency-msec=10", "--raw"], **quiet)
    yield raw
    for process in (reader, server):
        process.terminate()
        process.wait(60)


def told(page, words):
    """Wait until the page's line of state begins with these words."""
    page.locator("#state").filter(has_text=re.compile(f"^{re.escape(words)}")).wait_for(timeout=OWN.PATIENCE_MS)


def picked(page):
    """Play, switch, and pick sound 1; again where the device stumbled, as it may on a busy machine."""
    for _ in range(8):
        attempt = OWN.saved(page)["attempt"]
        told(page, "Press Play. Which sound begins was drawn")
        page.keyboard.press("p")
        for key in "1212":
            page.wait_for_timeout(400)
            page.keyboard.press(key)
        page.wait_for_timeout(4500)
        for _ in range(60):
            seen = OWN.saved(page)
            if seen["step"] == "onward":
                told(page, "Sound 1 plays the rest of the track")
                return
            if seen["attempt"] != attempt:
                break
            page.keyboard.press("j")
            page.keyboard.press("c")
            page.wait_for_timeout(150)
        assert OWN.saved(page)["attempt"] != attempt, "the choice was not taken"
    raise AssertionError("the device stumbled in eight attempts")


def test_a_track_is_chosen_and_goes_on_by_the_device(browser, device, tmp_path):
    folder = tmp_path / "my-study"
    (folder / "clips").mkdir(parents=True)
    rng = np.random.default_rng(11)
    soundfile.write(folder / "clips" / "track.wav", rng.normal(0, 0.05, (LONG_S * 48_000, 2)), 48_000, "PCM_24")
    (folder / "study.toml").write_text(STUDY)
    checked = OWN.blindtest("check", "my-study", cwd=tmp_path)
    assert checked.returncode == 0, checked.stderr
    assert OWN.blindtest("render", "my-study", cwd=tmp_path).returncode == 0
    listening = OWN.Listening(tmp_path, "my-study", "--listener", "L-track", "--device", "capf")
    try:
        page = browser.new_context().new_page()
        fetched = []
        page.on("request", lambda request: fetched.append(request.url))
        page.goto(listening.link)
        page.get_by_text("capfile (ALSA)").wait_for(timeout=OWN.PATIENCE_MS)
        OWN.press_button(page, "Begin")
        OWN.set_level(page)
        for number in (1, 2, 3):
            page.get_by_role("heading", name=f"Trial {number} of 7").wait_for(timeout=OWN.PATIENCE_MS)
            if number == 2 and OWN.saved(page)["step"] == "feedback":
                page.keyboard.press("n")
            picked(page)
            page.wait_for_timeout(1500)
            page.keyboard.press("n")
        page.get_by_role("heading", name="Trial 4 of 7").wait_for(timeout=OWN.PATIENCE_MS)
        listening.process.send_signal(2)
        ended = listening.result(code=130)
    finally:
        if listening.process.poll() is None:
            listening.kill()
    assert (ended["state"], ended["answered"]) == ("open", 3)
    assert not [url for url in fetched if "/sound/" in url], "the page plays nothing"
    with Store(folder / "study.db", entropy=os.urandom) as store:
        rows = store.rows(1)
    counted = [row for row in rows if row["phase"] == "blind"]
    played = [float(row["response"]) for row in counted if row["slot"] == "played"]
    assert all(1.0 <= seconds < 10 for seconds in played), played
    assert {row["response"] for row in counted if row["slot"] == "ended"} == {"skipped"}
    assert all(row["switches"] >= 4 for row in counted)
    assert device.stat().st_size > 3 * 6 * 48_000 * 4, "three tracks of six seconds and more went through the device"
