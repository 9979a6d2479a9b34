"""The tests of playback in the browser: by keyboard, at 320 px, without a finding of axe; each sound once.

Sources: WCAG 2.2 (2.1.1 keyboard, 1.4.10 reflow at 320 CSS px, 4.1.3 status messages); axe-core's rules.
"""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from blindtest.design import screening_truth
from blindtest.session.store import Store

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.fixture
def panel_at(panel_template, tmp_path):
    """`panel_at(lines of [panel])`: folder and public link of a panel that is served."""
    running = []

    def serve(lines):
        folder = Path(shutil.copytree(panel_template, tmp_path / "study"))
        path = folder / "study.toml"
        path.write_text(path.read_text(encoding="utf-8").replace("public = true\n", lines), encoding="utf-8")
        process = subprocess.Popen(
            [sys.executable, "-m", "blindtest", "panel", str(folder), "--quiet"],
            stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True,
        )  # fmt: skip
        running.append(process)
        for line in process.stderr:
            if found := re.search(r"http://\S+/#\S+", line):
                return folder, found.group(0)
        raise AssertionError("the panel printed no link")

    yield serve
    for process in running:
        process.kill()
        process.wait(60)
        process.stderr.close()


def to_the_volume(someone, link):
    page = someone.page
    page.goto(link)
    someone.hears("What you agree to")
    someone.press("I agree and take part")
    someone.hears("Your own link")
    someone.press("Go on")
    someone.hears("Some questions first")
    for group in page.locator("fieldset").all():
        group.locator("input").first.check()
    someone.press("Go on")
    someone.hears("What plays here")
    someone.press("Go on")
    someone.hears("It begins very softly")


def set_the_volume(someone):
    someone.press("Start the noise")
    someone.hears("The noise comes in slowly")
    someone.press("Louder")
    someone.hears("−38 dB")
    someone.press("The volume is set")


def answers(someone, choice):
    someone.hears("It is played once")
    someone.press("Play the sound")
    someone.hears("Answer now")
    someone.tab_to("On the left|The first")
    for _ in range(choice):
        someone.page.keyboard.press("ArrowDown")
    if choice == 0:
        someone.page.keyboard.press("Space")
    someone.press("This is my answer")


def no_findings(page, where):
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page).response["violations"]
    assert not found, (where, [(one["id"], one["nodes"][0]["html"]) for one in found])
    assert page.evaluate("document.documentElement.scrollWidth") <= 320, where


def test_a_sound_is_heard_and_answered_by_keyboard_at_320_px(launch, panel_at, listener_on):
    _, link = panel_at("public = true\nchannels = true\n")
    context = launch(viewport={"width": 320, "height": 800}, bypass_csp=True, reduced_motion="reduce")
    someone = listener_on(context.new_page())
    to_the_volume(someone, link)
    no_findings(someone.page, "volume")
    set_the_volume(someone)
    someone.hears("Test 1 of 1, sound 1 of 6")
    assert someone.page.locator("input[type=radio]").first.is_disabled(), "nothing is answered unheard"
    answers(someone, 1)
    someone.hears("sound 2 of 6")
    no_findings(someone.page, "a sound")
    # Opened anew the volume is set anew: what follows this computer may have changed.
    someone.page.reload()
    someone.hears("It begins very softly")


@pytest.mark.long
def test_what_is_wrong_with_the_channels_is_told_after_the_last_sound(launch, panel_at, listener_on):
    folder, link = panel_at("public = true\nchannels = true\n")
    context = launch(viewport={"width": 320, "height": 800}, bypass_csp=True)
    someone = listener_on(context.new_page())
    to_the_volume(someone, link)
    set_the_volume(someone)
    for number in range(6):
        someone.hears(f"Test 1 of 1, sound {number + 1} of 6")
        answers(someone, 1)
    # All in the middle: told after the last one, and offered once more; never which of them was wrong.
    someone.hears("All noises seemed to come from one place")
    someone.hears("sound 1 of 6")
    no_findings(someone.page, "told")
    name = someone.page.locator("#pseudonym").inner_text()
    with Store(folder / "study.db", entropy=os.urandom) as store:
        kept = store.panel.panelist(name).kept["screening"]["answers"]
    assert [one["choice"] for one in kept] == ["middle"] * 6
    assert all(one["interruptions"] == 0 for one in kept)


@pytest.mark.long
def test_headphone_tests_lead_to_the_sitting_or_away(launch, panel_at, listener_on):
    folder, link = panel_at('public = true\nheadphones = "both"\nscreening_fail = "end"\n')
    context = launch(viewport={"width": 320, "height": 800}, bypass_csp=True)
    someone = listener_on(context.new_page())
    to_the_volume(someone, link)
    set_the_volume(someone)
    name = someone.page.locator("#pseudonym").inner_text()
    with Store(folder / "study.db", entropy=os.urandom) as store:
        draws = store_draws(store, name)
    for part, test in ((1, "antiphase"), (2, "dichotic")):
        for number in range(6):
            someone.hears(f"Test {part} of 2, sound {number + 1} of 6")
            right = int(screening_truth(draws, test, 0, number).right) - 1
            # Five of six in the first, which is enough; four of six in the second, which isn't.
            answers(someone, (right + 1) % 3 if number < part else right)
    someone.hears("Thank you for coming")
    no_findings(someone.page, "away")


def store_draws(store, name):
    from blindtest.design import Draws

    return Draws(store.panel.panelist(name).seed)
