"""A sitting whose sound leaves through PortAudio, with the page as its desk: by keyboard, captured without a card.

ALSA's file plugin in front of its null device takes whatever is played; it goes on as fast as the callback does.
"""

import importlib.util
import os
import shutil
from pathlib import Path

import numpy as np
import pytest

pytestmark = [pytest.mark.browser, pytest.mark.sound, pytest.mark.slow]

SPEC = importlib.util.spec_from_file_location("own_files", Path(__file__).parent / "test_own_files_in_the_browser.py")
OWN = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(OWN)
browser = OWN.browser

UNPACED = """
pcm.capfile {{ type file slave {{ pcm "nul" }} file "{raw}" format "raw" }}
pcm.nul {{ type null }}
pcm.default {{ type plug slave.pcm "capfile" }}
"""


@pytest.fixture
def device(require, monkeypatch, tmp_path):
    try:
        import sounddevice  # noqa: F401
    except OSError as error:
        require("sound", False, f"PortAudio can't be loaded: {error}")
    raw = tmp_path / "out.raw"
    (tmp_path / "asound.conf").write_text(UNPACED.format(raw=raw))
    monkeypatch.setitem(os.environ, "ALSA_CONFIG_PATH", str(tmp_path / "asound.conf"))
    return raw


@pytest.fixture
def listen(tmp_path):
    """Start `blindtest listen`; whatever still runs at the end is killed: an unpaced device keeps a processor busy."""
    begun = []

    def start(*arguments):
        begun.append(OWN.Listening(tmp_path, *arguments))
        return begun[-1]

    yield start
    for listening in begun:
        if listening.process.poll() is None:
            listening.kill()


def test_the_page_is_the_desk_and_the_device_plays(browser, device, listen, tmp_path, own_rendered):
    shutil.copytree(own_rendered, tmp_path / "my-study")
    listening = listen("my-study", "--listener", "L-desk", "--device", "capf")
    assert any("Playing on capfile (ALSA)" in line for line in listening.said)
    page = browser.new_context().new_page()
    fetched, orders = [], []
    page.on("request", lambda request: fetched.append(request.url))
    page.on("response", lambda response: orders.append(response) if "/player" in response.url else None)
    page.goto(listening.link)
    page.get_by_text("capfile (ALSA)").wait_for(timeout=OWN.PATIENCE_MS)
    OWN.press_button(page, "Begin")
    OWN.set_level(page)
    page.get_by_role("heading", name="Trial 1 of").wait_for(timeout=OWN.PATIENCE_MS)
    seen = OWN.saved(page)
    while seen["step"] == "trial" and seen["saved"] < 4:
        seen = OWN.answer_trial(page, "j")
    assert seen["saved"] == 4
    assert not [url for url in fetched if "/sound/" in url]
    # What the page is told of a trial's sounds is the same for all of them.
    told = {tuple(sorted(response.json())) for response in orders}
    assert told == {("frames", "rate"), ("position_s",)}
    page.keyboard.press("1")
    page.wait_for_timeout(300)
    listening.process.send_signal(2)
    assert listening.result(code=130)["answered"] == 4
    captured = np.fromfile(device, dtype="<f4").reshape(-1, 2)
    assert np.abs(captured).max() > 1e-4
    # Given back in silence: nothing is cut off in the middle of a sound.
    assert not captured[-100:].any()
    again = listen("my-study", "--listener", "L-desk", "--play", "browser")
    assert any("Going on with sitting 1" in line for line in again.said)


def test_a_device_that_is_not_there_is_named_and_nothing_is_sealed(device, listen, tmp_path, own_rendered):
    shutil.copytree(own_rendered, tmp_path / "my-study")
    refused = OWN.blindtest(
        "listen", "my-study", "--listener", "L-x", "--device", "capfiel", "--no-browser", cwd=tmp_path
    )
    assert refused.returncode == 3
    assert "no such sound device" in refused.stderr
    assert "capfile" in refused.stderr
    assert "Traceback" not in refused.stderr
    assert not [line for line in refused.stderr.splitlines() if "Sealed" in line]
    # Nothing stands in the register: the next one is the first.
    begun = listen("my-study", "--listener", "L-x", "--play", "browser")
    assert any("Sealed sitting 1 of L-x" in line for line in begun.said)
