"""Whole tracks in the browser: the programme runs on, the choice comes after a while and has its consequence."""

import re

import pytest

pytestmark = [pytest.mark.browser, pytest.mark.slow]

LONG = {"seconds": 9.0, "parts": {"free": 2}}
"""Choices are offered after 2 s."""


def _slots(someone):
    """Return by name whether each slot's button is pressed, and whether it can be."""
    found = re.findall(r'button "(\d) \d"|button "(\d)"', someone.tree())
    assert found
    return {
        name: someone.page.get_by_role("group", name="Sounds").get_by_role("button", name=name).evaluate(
            "(node) => [node.getAttribute('aria-pressed') === 'true', node.getAttribute('aria-disabled') !== 'true']"
        )
        for name in ("1", "2")
    }  # fmt: skip


def test_a_choice_plays_the_rest_until_it_is_skipped(listener, artifacts):
    someone = listener(**LONG)
    someone.to_the_trials()
    tree = someone.hears("Press Play. Which sound begins was drawn")
    for words in ("From the start", "Loop"):
        assert words not in tree, "the programme runs on"
    someone.key("12")
    assert _slots(someone) == {"1": [False, False], "2": [False, False]}, "what begins was drawn"
    # How long it has sounded the page counts by its clock, which stands still until this has been looked at.
    someone.page.evaluate("""() => { const real = performance.now.bind(performance), stands = real();
        window.goesOn = () => { performance.now = real; }; performance.now = () => stands; }""")
    someone.press("Play")
    someone.hears("Still to be heard before you can choose")
    (start,) = [name for name, (pressed, _) in _slots(someone).items() if pressed]
    other = {"1": "2", "2": "1"}[start]
    someone.key("jc")
    assert "[checked]" not in someone.tree(), "no choice before its time"
    someone.page.evaluate("goesOn()")
    someone.page.screenshot(path=artifacts / "track-listening.png", full_page=True)
    someone.key(other)
    someone.hears("Choose which one plays the rest")
    assert someone.page.locator("#said").text_content() == "", "nothing is said while sound plays"
    someone.key({"1": "j", "2": "k"}[start])
    someone.hears(rf'radio "{start} plays the rest" \[checked\]')
    someone.page.screenshot(path=artifacts / "track-choice.png", full_page=True)
    someone.tab_to("Confirm.*")
    someone.page.keyboard.press("Enter")
    someone.hears(f"Sound {start} plays the rest of the track")
    assert re.match("Confirm", someone.focused()), "the page stays, and so does the focus"
    assert _slots(someone)[start] == [True, True]
    assert _slots(someone)[other] == [False, False], "the choice has its consequence"
    someone.page.screenshot(path=artifacts / "track-onward.png", full_page=True)
    assert someone.page.locator("#said").text_content() == ""
    someone.key("s")
    someone.hears(rf'status: "?Trial 1 of 2\. Sound {start}\. Sound')
    someone.press("Play")
    someone.page.wait_for_timeout(300)
    someone.key("n")
    someone.hears("Trial 2 of 2")
    # The second runs to its end.
    someone.hears("Press Play")
    someone.key("p")
    someone.hears("Still to be heard before you can choose")
    someone.key("12")
    someone.hears("Choose which one plays the rest")
    someone.key("kc")
    someone.hears("Sound 2 plays the rest")
    someone.hears("Thank you")
    someone.server.processes[-1].wait(60)
    rows, state = someone.rows()
    assert state == "finished"
    first, second = ([value for trial, value in rows if trial == number] for number in (0, 1))
    assert [first[0], first[3], first[5]] == [start, start, "skipped"]
    assert [second[0], second[5]] == ["2", "over"]
    for choice, one, two, _, played, _ in (first, second):
        assert choice in ("1", "2")
        assert 0 <= one < 9
        assert 0 <= two < 9
        assert one + two > 0.2
        assert 0.2 < played < 9
    # All of the second track sounded: what was dwelt on, what came before, and the rest.
    assert second[1] + second[2] + second[4] == pytest.approx(9.0, abs=1.5)


@pytest.mark.long
def test_a_track_that_ends_before_the_choice_says_that_nothing_was_picked(listener):
    someone = listener(parts={"free": 1}, seconds=2.5)
    someone.to_the_trials()
    someone.hears("Press Play")
    someone.key("p")
    someone.hears("Thank you")
    someone.server.processes[-1].wait(60)
    rows, state = someone.rows()
    assert state == "finished"
    values = [value for _, value in rows]
    assert values[:3] == ["", "", ""], "no choice, and one was never heard"
    assert values[3] in ("1", "2")
    assert values[4:] == ["", "over"]


def test_a_page_opened_anew_keeps_the_choice(listener):
    someone = listener(parts={"free": 1}, seconds=20.0)
    someone.to_the_trials()
    someone.hears("Press Play")
    someone.key("p12")
    someone.hears("Choose which one plays the rest")
    someone.key("jc")
    someone.hears("Sound 1 plays the rest")
    someone.page.reload()
    someone.hears("The page was opened anew while the rest of this track was playing. Your choice is saved")
    someone.press("Skip the rest")
    someone.hears("Thank you")
    someone.server.processes[-1].wait(60)
    values = [value for _, value in someone.rows()[0]]
    assert (values[0], values[4:]) == ("1", ["", "interrupted"])
