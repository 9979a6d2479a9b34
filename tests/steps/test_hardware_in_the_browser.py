"""Two pages of one assisted sitting, as its listener and its operator have them: a real server, two browsers apart."""

import importlib.util
import re
import time
from pathlib import Path

import pytest

pytestmark = [pytest.mark.browser, pytest.mark.slow]

HERE = Path(__file__).parent
ARTIFACTS = HERE.parent.parent / ".artifacts"


def _module(name, path):
    spec = importlib.util.spec_from_file_location(name, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


OWN = _module("own_files", HERE / "test_own_files_in_the_browser.py")
FOLDER = _module("hardware_folder", HERE.parent / "study" / "hardware_folder.py")
browser = OWN.browser
TEXTS = re.compile(r"/(facts|view|event|connection)$")
SWITCH_S = float(re.search(r"switch_s = (\d+)", FOLDER.OPERATOR)[1])
CHANGES = 'use = "abx"\n[protocol.changes]\npractice.trials = 1\ntest.trials = 16'


@pytest.fixture
def listening(tmp_path):
    text = FOLDER.OPERATOR.replace('use = "abx"', CHANGES).replace("margin = 0.5", "margin = 0.7")
    FOLDER.write(tmp_path / "s", text, seconds=1.0)
    begun = OWN.Listening(tmp_path, "s", "--listener", "L-own", "--play", "browser")
    yield begun
    if begun.process.poll() is None:
        begun.kill()


def link_of(listening):
    for line in listening.process.stderr:
        if found := re.search(r"The listener's page: (\S+)", line):
            return found[1]
    raise AssertionError("no link for the listener")


def connects(operator):
    """Do what the operator's page says, and return what was connected."""
    operator.get_by_role("heading", name="Connect now").wait_for(timeout=OWN.PATIENCE_MS)
    place = operator.locator("strong.connect").inner_text()
    operator.keyboard.press("Enter")
    operator.get_by_role("heading", name="Connected: leave it").wait_for(timeout=OWN.PATIENCE_MS)
    return place


def until_heard(page, count):
    """Wait until so many slots count as heard and the page is ready for the next."""
    deadline = time.monotonic() + OWN.PATIENCE_MS / 1000
    while len(OWN.saved(page)["heard"]) < count:
        assert time.monotonic() < deadline, OWN.saved(page)
        page.wait_for_timeout(100)
    page.locator("button.slot:not([aria-disabled=true])").first.wait_for(timeout=OWN.PATIENCE_MS)


def hears(page, operator, key):
    """Select a sound by its key, have it connected, and wait until it sounds; return what was connected."""
    before = OWN.saved(page)["heard"]
    pressed = time.monotonic()
    page.keyboard.press(key)
    page.get_by_text("Being connected.").wait_for(timeout=OWN.PATIENCE_MS)
    place = connects(operator)
    until_heard(page, len(before) + 1)
    assert time.monotonic() - pressed >= SWITCH_S, "not before its time, however soon it was connected"
    return place


def test_the_listener_waits_for_the_operator_and_neither_reads_the_other(browser, listening):
    operator = browser.new_context(viewport={"width": 1000, "height": 700}, bypass_csp=True).new_page()
    operator.goto(listening.link)
    operator.get_by_role("heading", name="Nothing to connect now").wait_for(timeout=OWN.PATIENCE_MS)
    page = browser.new_context(viewport={"width": 1000, "height": 900}, bypass_csp=True).new_page()
    told = []
    page.on("response", lambda one: told.append(one.text()) if TEXTS.search(one.url) else None)
    page.goto(link_of(listening))
    page.get_by_text("Real units are heard.").wait_for(timeout=OWN.PATIENCE_MS)
    OWN.press_button(page, "Begin")
    OWN.press_button(page, "Start the sound")
    page.get_by_text("Being connected.").wait_for(timeout=OWN.PATIENCE_MS)
    assert connects(operator) in ("input 1", "input 2")
    page.get_by_role("button", name="Stop the sound").wait_for(timeout=OWN.PATIENCE_MS)
    OWN.press_button(page, "My level is set")
    page.get_by_role("heading", name="Trial 1 of").wait_for(timeout=OWN.PATIENCE_MS)
    page.locator("button.slot:not([aria-disabled=true])").first.wait_for(timeout=OWN.PATIENCE_MS)
    places = {name: hears(page, operator, key) for name, key in (("A", "1"), ("B", "2"))}
    assert set(places.values()) == {"input 1", "input 2"}
    ARTIFACTS.mkdir(exist_ok=True)
    page.keyboard.press("3")
    operator.get_by_role("heading", name="Connect now").wait_for(timeout=OWN.PATIENCE_MS)
    operator.screenshot(path=str(ARTIFACTS / "operator-connect.png"))
    page.screenshot(path=str(ARTIFACTS / "assisted-trial.png"))
    from axe_playwright_python.sync_playwright import Axe

    for each in (operator, page):
        assert Axe().run(each).response["violations"] == []
    places["X"] = connects(operator)
    until_heard(page, 3)
    assert "Sound" not in operator.locator("#page").inner_text()
    page.keyboard.press("j")
    page.keyboard.press("c")
    page.get_by_role("heading", name=re.compile("Trial 1 of 17: (right|not right)")).wait_for(timeout=OWN.PATIENCE_MS)
    # Practice tells what was right: it is what the operator had connected.
    right = page.locator(".told strong").inner_text()
    assert right == f"X is {'A' if places['X'] == places['A'] else 'B'}"
    seen = " ".join(told)
    assert seen.count('"ready"') > 10
    for secret in ("input", "Heron", "Plover", "heron-amp", "plover-amp"):
        assert secret not in seen
    listening.process.send_signal(2)
    assert listening.result(code=130)["answered"] == 1
