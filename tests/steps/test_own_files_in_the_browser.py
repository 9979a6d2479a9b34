"""The README's third block, as a user would do it: own files, real commands, a real browser, answers by keyboard."""

import json
import re
import shutil
import signal
import subprocess
import sys
import time

import pytest

pytestmark = [pytest.mark.browser, pytest.mark.slow]

FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--autoplay-policy=no-user-gesture-required",
)  # fmt: skip
PATIENCE_MS = 60_000


@pytest.fixture(scope="module")
def browser(require):
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        require("browser", False, "Playwright for Python isn't installed (pip install playwright)")
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    require("browser", chromium is not None, "chromium isn't installed (Debian: apt-get install chromium)")
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=chromium, headless=True, args=list(FLAGS))
        yield opened
        opened.close()


def blindtest(*arguments, cwd):
    return subprocess.run(
        [sys.executable, "-m", "blindtest", *arguments], cwd=cwd, capture_output=True, text=True, check=False
    )


class Listening:
    """A running `blindtest listen`, and what it says."""

    def __init__(self, cwd, *arguments):
        self.process = subprocess.Popen(
            [sys.executable, "-m", "blindtest", "listen", *arguments, "--no-browser", "--json"],
            cwd=cwd, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        self.said = []
        self.link = self._link()

    def _link(self):
        for line in self.process.stderr:
            self.said.append(line)
            found = re.search(r"http://127\.0\.0\.1:\d+/#\S+", line)
            if found:
                return found[0]
        raise AssertionError("no link: " + "".join(self.said))

    def kill(self):
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(60)

    def result(self, code=0):
        out, err = self.process.communicate(timeout=60)
        assert self.process.returncode == code, err
        return json.loads(out)


def press_button(page, name):
    """Reach a button by Tab alone, and press it by Enter."""
    page.wait_for_function(
        "name => [...document.querySelectorAll('button')].some(b => b.innerText.trim().startsWith(name) "
        "&& b.getAttribute('aria-disabled') !== 'true' && !b.disabled)",
        arg=name,
        timeout=PATIENCE_MS,
    )
    for _ in range(80):
        focused = page.evaluate("document.activeElement?.innerText ?? ''")
        if focused.strip().startswith(name):
            page.keyboard.press("Enter")
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"{name} can't be reached by Tab")


def set_level(page):
    press_button(page, "Start the sound")
    page.get_by_role("button", name="Stop the sound").wait_for(timeout=PATIENCE_MS)
    press_button(page, "My level is set")


def saved(page):
    """Return what the server shows, or None if it has ended, as it does soon after the last answer."""
    view = "fetch('/view', {cache: 'no-store'}).then((r) => r.json()).then((r) => r.view, () => null)"
    return page.evaluate(f"() => {view}")


def shown(page, view):
    """Wait until the page itself shows the step and trial of `view`: its own reply may come later than ours."""
    ends = ":" if view["step"] == "feedback" else "$"
    heading = re.compile(rf"^Trial {view['number']} of [^:]*{ends}")
    if view["step"] in ("trial", "feedback"):
        page.locator("h1").filter(has_text=heading).wait_for(timeout=PATIENCE_MS)


def answer_trial(page, key):
    """Listen to each sound, choose by a key, confirm by a key; feedback and breaks are passed on."""
    before = saved(page)
    shown(page, before)
    page.wait_for_function(
        "() => document.querySelectorAll('button.slot:not([aria-disabled=true]):not([disabled])').length === 3",
        timeout=PATIENCE_MS,
    )
    page.keyboard.type(f"123{key}")
    page.locator("button.main:not([aria-disabled=true])", has_text="Confirm").wait_for(timeout=PATIENCE_MS)
    page.keyboard.press("c")
    now = until(page, lambda view: view["saved"] > before["saved"])
    if now["step"] == "feedback":
        shown(page, now)
        page.keyboard.press("n")
        now = until(page, lambda view: view["step"] != "feedback")
    return now


def until(page, holds):
    """Wait until what the server shows is so, or the sitting is over, and return it."""
    deadline = time.monotonic() + PATIENCE_MS / 1000
    while (view := saved(page)) is not None and not holds(view):
        assert time.monotonic() < deadline, view
        page.wait_for_timeout(60)
    if view is None:
        page.get_by_role("heading", name="Thank you").wait_for(timeout=PATIENCE_MS)
        return {"step": "finished"}
    return view


def test_own_files_from_new_to_report(browser, tmp_path, fill_in):
    assert blindtest("new", "my-study", "--protocol", "abx", cwd=tmp_path).returncode == 0
    folder = tmp_path / "my-study"
    assert blindtest("check", "my-study", cwd=tmp_path).returncode == 1
    # Few trials that still can refute and be refuted, a rest among them.
    fill_in(folder, trials=9, practice=1)
    with (folder / "study.toml").open("a", encoding="utf-8") as file:
        file.write("test.margin = 0.9\ntest.break_after = 6\n")
    checked = blindtest("check", "my-study", cwd=tmp_path)
    assert checked.returncode == 0, checked.stderr
    rendered = blindtest("render", "my-study", cwd=tmp_path)
    assert rendered.returncode == 0, rendered.stderr
    assert "4 stimuli made" in rendered.stdout

    listening = Listening(tmp_path, "my-study", "--listener", "L-own")
    context = browser.new_context()
    page = context.new_page()
    page.goto(listening.link)
    press_button(page, "Begin")
    set_level(page)
    for trial in range(5):
        view = answer_trial(page, "jk"[trial % 2])
    assert view["saved"] == 5

    # Killed at once, both of them; the same command goes on, and asks no trial again.
    listening.kill()
    context.close()
    listening = Listening(tmp_path, "my-study", "--listener", "L-own")
    assert any("Going on with sitting 1" in line for line in listening.said)
    context = browser.new_context()
    page = context.new_page()
    page.goto(listening.link)
    # Not those of the shell, which are there before the page is let in.
    page.locator("#page button").first.wait_for(timeout=PATIENCE_MS)
    view = saved(page)
    assert view["saved"] == 5
    if view["step"] == "ready":
        press_button(page, "Go on")
        view = until(page, lambda view: view["step"] != "ready")
    if view["step"] == "level":
        set_level(page)
        view = until(page, lambda view: view["step"] != "level")
    assert view["trial"] == 5
    rests = 0
    while view["step"] != "finished":
        if view["step"] == "break":
            rests += 1
            press_button(page, "Go on")
            view = until(page, lambda view: view["step"] != "break")
            continue
        view = answer_trial(page, "j")
    ended = listening.result()
    context.close()
    assert (ended["state"], ended["answered"], ended["planned"], rests) == ("finished", 10, 10, 1)

    analysed = json.loads(blindtest("analyze", "my-study", "--json", cwd=tmp_path).stdout)
    (claim,) = analysed["claims"]
    assert claim["heard"]["conclusion"]["trials"] == 9
    assert claim["heard"]["listeners"][0]["listener"] == "L-own"
    assert blindtest("report", "my-study", cwd=tmp_path).returncode == 0
    page_text = (folder / "report" / "report.html").read_text(encoding="utf-8")
    assert f"{claim['heard']['conclusion']['correct']} of 9" in page_text
    verified = json.loads(
        blindtest(
            "verify", "my-study", "--json", "--published", ended["commitment"], "--published", ended["head"],
            "--published", analysed["study_seal"], cwd=tmp_path,
        ).stdout
    )  # fmt: skip
    assert verified["grade"] == "anchored"


def test_two_files_start_at_once(browser, tmp_path):
    import numpy as np
    import soundfile

    rng = np.random.default_rng(12)
    noise = rng.standard_normal((44_100 * 2, 2)) * 0.1
    soundfile.write(tmp_path / "one.wav", noise, 44_100, subtype="PCM_16")
    soundfile.write(tmp_path / "other.flac", np.cumsum(noise, axis=0)[:80_000] * 0.02, 44_100)
    listening = Listening(tmp_path, "one.wav", "other.flac")
    context = browser.new_context()
    page = context.new_page()
    page.goto(listening.link)
    press_button(page, "Begin")
    set_level(page)
    view = answer_trial(page, "j")
    assert view["saved"] == 1
    context.close()
    listening.process.send_signal(signal.SIGINT)
    ended = listening.result(code=130)
    assert (ended["state"], ended["answered"]) == ("open", 1)
    assert ended["nonce"] is None
    assert (tmp_path / "one-against-other" / "study.toml").is_file()
