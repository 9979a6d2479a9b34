"""Adjustment in the browser: by keyboard, reading what the accessibility tree says; WCAG by axe-core's rules.

Sources: WCAG 2.2 (2.1.1 keyboard, 2.5.7 dragging movements, 1.4.10 reflow at 320 CSS px)."""

import os
import re
import time

import pytest

from blindtest.session.store import Store

pytestmark = [pytest.mark.browser, pytest.mark.slow]


def dial_of(someone):
    """What the server says of the sound that is set: how far it was moved, and whether an end was reached."""
    return someone.page.evaluate("fetch('/view').then((r) => r.json()).then(({ view: { dial } }) => dial)")


def values_of(someone):
    with Store(someone.server.folder / "study.db", entropy=os.urandom) as store:
        rows = store.rows(1)
    return [{r["slot"]: r["response"] for r in rows if r["trial"] == trial} for trial in (0, 1)]


def test_two_sounds_are_made_equal_and_one_is_set_to_liking(launch, serving, listener_on, artifacts):
    from axe_playwright_python.sync_playwright import Axe

    server = serving(parts={"adjust": 1, "adjust-one": 1})
    context = launch(viewport={"width": 320, "height": 800}, reduced_motion="reduce", bypass_csp=True)
    someone = listener_on(context.new_page())
    someone.server = server
    someone.page.goto(server.link)
    someone.to_the_trials()
    tree = someone.hears("Still to be heard before you can confirm: A, B")
    assert "Set B until it is as loud as A." in tree
    for word in ("slider", "progressbar", "meter", "Heron", "dB"):
        assert word not in tree.replace("Set your level", "")
    assert not re.search(r"\d", tree.split("Set B until")[1].split("Keys")[0]), "no number tells where it stands"

    # A little more by key, a little less by button: each turns to the sound that is set.
    someone.key("1h")
    someone.hears(r'button "B.*" \[pressed\]')
    someone.hears("Confirm your setting")
    someone.press("A little less.*")
    someone.key("h")
    someone.key("u")
    someone.hears("Confirm your setting")
    someone.key("s")
    someone.hears(r"status: Trial 1 of 2. Sound B. Sound B was set")
    # Up to the end: it is told by the move that no sound answers.
    for moves in range(1, 40):  # noqa: B007
        before = dial_of(someone)
        someone.key("j")
        # A move that is under way is not overtaken by the next.
        until = time.monotonic() + 60
        while (now := dial_of(someone)) == before:
            assert time.monotonic() < until, now
            someone.page.wait_for_timeout(20)
        if now["end"] == "more":
            break
    someone.hears("No more than this: here the range of sound B ends.")
    someone.page.screenshot(path=artifacts / "page-adjust-end-320.png", full_page=True)
    found = Axe().run(someone.page)
    assert found.violations_count == 0, found.generate_report()
    assert someone.page.evaluate("document.documentElement.scrollWidth") <= 320
    someone.key("g")
    someone.page.wait_for_function("!document.body.textContent.includes('No more than this')")
    someone.key("c")
    someone.hears(r"Saved\.")

    tree = someone.hears("Set the sound until it is as loud as you like it best.")
    assert "From here on another question" in tree
    someone.hears("Still to be heard before you can confirm: the sound")
    someone.key("f")
    someone.hears("Confirm your setting")
    someone.key("c")
    someone.hears("Thank you")
    someone.server.processes[-1].wait(60)
    first, second = values_of(someone)
    # The toy's ladder of 10 rungs out of 11; one below its end.
    assert first["end"] == ""
    assert first["set"] in ("ruff", "snipe")
    assert first["moves"] > moves > 1
    assert (second["offset"], second["moves"]) == (-2, 1) or second["end"] == "less"
