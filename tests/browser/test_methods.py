"""Every method in the browser: by keyboard and by what the accessibility tree says; ratings killed and taken up again.

Sources: WCAG 2.2 (2.1.1 keyboard, 2.4.3 focus order, 2.5.7 dragging movements, 1.4.10 reflow at 320 CSS px); ITU-R
BS.1534-3, 5.3 (at most 12 signals) and 5.4 (only the scale of the signal that sounds can be moved); axe-core's rules.
"""

import os
import re
from itertools import pairwise

import pytest

from blindtest.design import plan_from_record
from blindtest.session import restored
from blindtest.session.store import Store

BIRDS = ("heron", "plover", "curlew", "bittern", "dunlin")

pytestmark = [pytest.mark.browser, pytest.mark.slow]

UNRATED = "not rated"


def _scales(someone) -> dict[str, tuple[str, bool]]:
    """Return by name what the tree says of each scale: its value in words, and whether it can be moved."""
    found = re.findall(
        r'slider "Rating(?: of )?([^"]*)"( \[active\])?( \[disabled\])?[^\n]*\n\s+- text: (.+)', someone.tree()
    )
    return {name: (words.strip('"'), not disabled) for name, _, disabled, words in found}


def _hears_values(someone, **values) -> None:
    """Wait until the tree says these values, by name without 'Sound '."""
    for name, value in values.items():
        someone.hears(rf'slider "Rating of (Sound )?{name.lstrip("_")}\b[^\n]*\n\s+- text: "?{value}\b')


def _saved(someone, number: int) -> None:
    someone.hears("Confirm your answer, or choose again")
    someone.key("c")
    someone.hears(r"Saved\.")


def _chooses(slots: str, key: str):
    def answer(someone, unheard):
        someone.hears(f"Still to be heard before you can confirm: {unheard}")
        someone.key(slots)
        someone.hears("Choose your answer")
        someone.key(key)

    return answer


def _rates_side_by_side(someone, labelled=""):
    """By single keys, by arrow keys on the slider, by the buttons: each once."""
    someone.hears("Still to be heard before you can confirm: 1, 2, 3, 4")
    assert all(scale == (UNRATED, False) for scale in _scales(someone).values())
    someone.key("1hj")
    _hears_values(someone, _1="56, Fair")
    someone.key("2")
    someone.tab_to("Rating of Sound 2.*")
    for key in ("ArrowLeft", "PageUp", "ArrowLeft"):
        someone.page.keyboard.press(key)
    _hears_values(someone, _2="58, Fair")
    someone.key("3")
    assert re.match("Rating of Sound 3", someone.focused()), "focus goes along with the selection"
    someone.press("−5")
    someone.press("−1")
    _hears_values(someone, _3="44, Fair")
    someone.hears("Still to be heard before you can confirm: 4")
    someone.key("4")
    someone.hears("Not rated yet: 4")
    someone.tab_to("Confirm.*")
    someone.page.keyboard.press("Enter")
    someone.page.wait_for_timeout(100)
    someone.hears("Not rated yet: 4")
    someone.key("fj")
    someone.hears("Confirm your answer")
    someone.key("ff")
    _hears_values(someone, _4="40, Fair")
    someone.key("u")
    _hears_values(someone, _1="56", _2="58", _3="44", _4="45")


SIDE_BY_SIDE = [56, 58, 44, 45]


@pytest.mark.long
def test_pairs_without_a_tie(listener):
    someone = listener(parts={"preference": 2})
    someone.to_the_trials()
    tree = someone.hears("Which of the two would you rather listen to")
    assert "Blind trials: these answers count. You are not told what sounds." in tree
    assert "No preference" not in tree
    answer = _chooses("12", "j")
    answer(someone, "1, 2")
    _saved(someone, 1)
    someone.hears("Trial 2 of 2")
    _chooses("12", "k")(someone, "1, 2")
    someone.key("u")
    someone.hears("Choose your answer")
    someone.key("k")
    _saved(someone, 2)
    _ends(someone, [(0, "1"), (1, "2")])


def test_pairs_with_ties(listener):
    someone = listener(parts={"ties": 2})
    someone.to_the_trials()
    _chooses("12", "l")(someone, "1, 2")
    someone.hears(r'radio "No preference" \[checked\]')
    _saved(someone, 1)
    someone.hears("Trial 2 of 2")
    _chooses("21", "k")(someone, "1, 2")
    _saved(someone, 2)
    _ends(someone, [(0, "none"), (1, "2")])


def test_ratings_side_by_side(listener):
    someone = listener(parts={"rating": 1}, practice={"rating": 1})
    someone.to_the_trials()
    someone.hears("Practice: these answers are not counted. You are not told what sounds.")
    _rates_side_by_side(someone)
    _saved(someone, 1)
    someone.hears("Your answer: 1: 56, 2: 58, 3: 44, 4: 45")
    someone.press("Next")
    someone.hears("Trial 2 of 2")
    someone.hears("A new part begins")
    _rates_side_by_side(someone)
    _saved(someone, 2)
    _ends(someone, [(trial, value) for trial in (0, 1) for value in SIDE_BY_SIDE])


@pytest.mark.long
def test_one_rating_at_a_time(listener):
    someone = listener(parts={"single": 2})
    someone.to_the_trials()
    for number in (1, 2):
        someone.hears(f"Trial {number} of 2")
        someone.hears("Still to be heard before you can confirm: the sound")
        someone.hears(r'slider "Rating" \[disabled\]')
        someone.press("Play")
        someone.hears("Not rated yet: the sound")
        someone.tab_to("Rating")
        someone.page.keyboard.press("End" if number == 1 else "Home")
        someone.key("g" if number == 1 else "hh")
        _saved(someone, number)
    _ends(someone, [(0, 99), (1, 2)])


@pytest.mark.long
def test_which_one_was_it(listener):
    someone = listener(parts={"recognition": 2})
    someone.to_the_trials()
    tree = someone.hears("Which one is this")
    assert "You are not told what sounds" in tree
    for name in ("Heron 2", "Plover 3", "Curlew 4", "Bittern 5"):
        assert f'radio "{name}"' in tree
    _chooses("1", "m")(someone, "the sound")
    someone.hears(r'radio "Bittern 5" \[checked\]')
    _saved(someone, 1)
    someone.hears("Trial 2 of 2")
    _chooses("1", "j")(someone, "the sound")
    _saved(someone, 2)
    _ends(someone, [(0, "4"), (1, "1")])


def test_multi_stimulus(listener):
    """ITU-R BS.1534-3: R is given and not rated; at least one gets 100 (attachment 1), which the page says in time."""
    someone = listener(parts={"multi-stimulus": 1})
    someone.to_the_trials()
    someone.hears("Still to be heard before you can confirm: 1, 2, 3, 4, R")
    assert sorted(_scales(someone)) == ["Sound 1", "Sound 2", "Sound 3", "Sound 4"], "R has no scale"
    someone.key("oj")
    someone.hears("Still to be heard before you can confirm: 1, 2, 3, 4")
    assert all(scale == (UNRATED, False) for scale in _scales(someone).values()), "R is in hand: nothing can be moved"
    someone.key("1f2g3h4j")
    someone.hears("At least one has to get 100: one of them is R again")
    someone.key("c")
    someone.page.wait_for_timeout(200)
    someone.hears("At least one has to get 100")
    someone.key("3")
    someone.tab_to("Rating of Sound 3.*")
    someone.page.keyboard.press("End")
    _hears_values(someone, _1="45, Fair", _2="49, Fair", _3="100, Excellent", _4="55, Fair")
    _saved(someone, 1)
    _ends(someone, [(0, 45), (0, 49), (0, 100), (0, 55)])


@pytest.mark.long
def test_small_impairment(listener):
    """ITU-R BS.1116-3: grades from 1.0 to 5.0 with one decimal; at least one of B and C gets 5.0."""
    someone = listener(parts={"small-impairment": 2})
    someone.to_the_trials()
    someone.hears("Still to be heard before you can confirm: A, B, C")
    someone.hears(r"5\.0 Imperceptible")
    someone.key("o1hh2f")
    _hears_values(someone, _B=r"3\.2, Slightly annoying", _C=r"2\.5, Slightly annoying")
    someone.hears(r"At least one has to get 5\.0: one of them is A again")
    someone.tab_to("Rating of Sound C.*")
    someone.page.keyboard.press("End")
    _hears_values(someone, _C=r"5\.0, Imperceptible")
    _saved(someone, 1)
    someone.hears("Trial 2 of 2")
    someone.key("o12h1")
    someone.tab_to("Rating of Sound B.*")
    someone.page.keyboard.press("End")
    someone.press(r"−0\.5")
    someone.press(r"\+0\.5")
    _saved(someone, 2)
    _ends(someone, [(0, 3.2), (0, 5.0), (1, 5.0), (1, 3.1)])


def test_labelled(listener):
    someone = listener(parts={"named-pairs": 1, "labelled": 1})
    someone.to_the_trials()
    tree = someone.hears("Named trials: you read what sounds; these answers count")
    assert "You are not told" not in tree
    assert sorted(re.findall(r'button "[12] (\w+) \d"', tree)) == ["Heron", "Plover"], (
        "the name stands under the slot's"
    )
    _chooses("12", "j")(someone, "1, 2")
    _saved(someone, 1)
    someone.hears("From here on another question: How good is the sound of each")
    names = list(_scales(someone))
    assert sorted(name.split(", ")[1] for name in names) == ["Bittern 5", "Curlew 4", "Heron 2", "Plover 3"]
    _rates_side_by_side(someone)
    someone.key("2s")
    someone.hears(rf"Trial 2 of 2\. {names[1]}\. Sound 1, .*: 56, Fair; ")
    _saved(someone, 2)
    _ends(someone, [(0, "1"), *((1, value) for value in SIDE_BY_SIDE)])


def test_worn(listener):
    someone = listener(parts={"worn": 2})
    tree = someone.hears("Before you begin")
    assert "Nothing sounds in this page" in tree
    assert "the sound begins softly" not in tree
    someone.press("Begin")
    tree = someone.hears("Trial 1 of 2")
    assert "The real thing: you play each clip on it yourself" in tree
    clips = re.findall(r"strong: (Wind in reeds|Still water)", tree)
    for words in ('Play"', "Pause", "From the start", "Loop", "Start the sound"):
        assert words not in tree
    scales = _scales(someone)
    assert sorted(scales) == ["Bittern 5", "Curlew 4", "Heron 2", "Plover 3"]
    assert all(movable for _, movable in scales.values()), "nothing sounds: all can be moved"
    assert (
        someone.page.evaluate("performance.getEntriesByType('resource').filter((r) => /sound/.test(r.name)).length")
        == 2
    )
    first, second, third, fourth = scales
    someone.key("jj2")
    someone.hears(f"status: {second}. Not rated")
    someone.key("f")
    someone.hears(f"status: {second}. 45")
    someone.tab_to(f"Rating of {third}")
    someone.page.keyboard.press("ArrowRight")
    _hears_values(someone, **{first: 60, second: 45, third: 51})
    someone.hears(f"Not rated yet: {fourth}")
    someone.key("4h")
    _saved(someone, 1)
    clips += re.findall(r"strong: (Wind in reeds|Still water)", someone.hears("Trial 2 of 2"))
    assert sorted(clips) == ["Still water", "Wind in reeds"]
    someone.key("1h2h3h4h")
    _saved(someone, 2)
    _ends(someone, [*((0, value) for value in (60, 45, 51, 51)), *((1, 51),) * 4])


def _ends(someone, rows):
    someone.hears("Thank you")
    someone.server.processes[-1].wait(60)
    assert someone.rows() == (rows, "finished")


def test_each_part_says_what_it_asks(listener):
    """As in a sitting that asks first whether a difference is heard, then which is preferred."""
    someone = listener(parts={"abx": 2, "preference": 1})
    someone.to_the_trials()
    someone.hears("Switch between the sounds as often as you like, then choose your answer")
    someone.answers(1, 3)
    assert "From here on" not in someone.hears("Trial 2 of 3")
    assert "Switch between" not in someone.tree()
    someone.answers(2, 3)
    someone.hears("From here on another question: Which of the two would you rather listen to")
    described = someone.page.evaluate("document.activeElement.getAttribute('aria-describedby')")
    assert described == "intro", "who hears the page read out is told with the focus"


def test_how_sure_and_a_remark(listener):
    """WCAG 2.1.4: letters of a remark are letters; 2.1.1: all by keyboard. The words of the levels are ours."""
    someone = listener(parts={"abx-sure": 2})
    someone.to_the_trials()
    tree = someone.hears("Still to be heard before you can confirm: A, B, X")
    assert 'group "How sure are you of it?"' in tree
    someone.key("123ej")
    someone.hears("Confirm your answer, or choose again")
    someone.hears(r'radio "Certain" \[checked\]')
    someone.key("u")
    someone.hears("Choose your answer")
    someone.key("k")
    someone.hears("Say how sure you are")
    someone.key("c")
    someone.page.wait_for_timeout(100)
    someone.hears("Trial 1 of 2")
    someone.key("b")
    someone.hears(r'radio "Unsure" \[checked\]')
    someone.press("Remark")
    someone.tab_to("On this trial.*")
    someone.page.keyboard.type("jk1c: a ring, <b>faint</b>")
    someone.tab_to("Say where I am.*")
    someone.key("s")
    someone.hears("Chosen: X is B. How sure you are: Unsure")
    _saved(someone, 1)
    tree = someone.hears("Trial 2 of 2")
    assert "a ring" not in tree
    assert "[checked]" not in tree, "each trial begins without an answer"
    someone.hears("Still to be heard before you can confirm: A, B, X")
    someone.key("123ja")
    _saved(someone, 2)
    _ends(someone, [(0, "B"), (1, "A")])
    with Store(someone.server.folder / "study.db", entropy=os.urandom) as store:
        assert [row["confidence"] for row in store.rows(1)] == [2, 1]
        said = [held["text"] for held in store.events(1) if held["event"] == "commented"]
    assert said == ["jk1c: a ring, <b>faint</b>"]


def _right_key(server, number):
    """Return the key of the right answer, from the plan drawn again with the answers so far: the test may cheat."""
    with Store(server.folder / "study.db", entropy=os.urandom) as store:
        opened = store.sealed(store.sittings()[0].commitment)
        plan = plan_from_record(opened.record, opened.nonce)
        sitting = restored(plan, store.rows(1), study="toy", listener="L01")
    planned = sitting.planned(number)
    values = [value for value, _ in sitting.question(number).options]
    return "jkl"[values.index(planned.drawn.right["choice"])], planned


@pytest.mark.long
def test_a_threshold_by_its_rule(listener):
    """Levitt 1971, two down one up: right answers make the next trial harder, a wrong one easier; nothing says so."""
    someone = listener(parts={"staircase": 8})
    someone.to_the_trials()
    levels, rights = [], (True, True, True, True, False, True, True, False)
    for number, right in enumerate(rights):
        tree = someone.hears(f"Trial {number + 1} of 8")
        assert not re.search("right|wrong|level|dunlin|egret", re.sub("(?m)^.*(heading|link).*$", "", tree).lower())
        someone.hears("Still to be heard before you can confirm: 1, 2, 3")
        key, planned = _right_key(someone.server, number)
        levels.append(max(BIRDS.index(slot.condition) for slot in planned.drawn.slots))
        someone.key("123")
        someone.hears("Choose your answer")
        someone.key(key if right else "jkl"[("jkl".index(key) + 1) % 3])
        _saved(someone, number + 1)
    someone.hears("Thank you")
    down = [after < before for before, after in pairwise(levels)]
    up = [after > before for before, after in pairwise(levels)]
    assert levels[0] == 4, "from the largest level on"
    assert down == [False, True, False, levels[3] > 1, False, False, levels[6] > 1]
    assert [place for place, rose in enumerate(up) if rose] == [4]
    with Store(someone.server.folder / "study.db", entropy=os.urandom) as store:
        assert [row["correct"] for row in store.rows(1)] == list(rights)


@pytest.mark.long
def test_controls_look_like_any_trial(listener):
    """Both kinds among the trials that count: same words, same keys, and in the table a phase of their own."""
    someone = listener(parts={"controlled": 4})
    someone.to_the_trials()
    seen = set()
    for number in range(1, 7):
        tree = someone.hears(f"Trial {number} of 6")
        someone.hears("Still to be heard before you can confirm: A, B, X")
        seen.add(tuple(re.findall(r"(?:button|radio|group) (\".*?\")", tree)))
        assert "control" not in tree.lower()
        someone.key("123")
        someone.hears("Choose your answer")
        someone.key("j")
        _saved(someone, number)
    someone.hears("Thank you")
    assert len(seen) == 1
    with Store(someone.server.folder / "study.db", entropy=os.urandom) as store:
        rows = store.rows(1)
    assert sorted(row["phase"] for row in rows) == ["blind"] * 4 + ["control"] * 2
    orders = [set(row["order"].replace("=", "|").split("|")[1::2]) for row in rows if row["phase"] == "control"]
    assert {"plover"} in orders, "heard against itself"
    assert {"curlew", "plover"} in orders, "what surely differs"


# --- ratings in hand -------------------------------------------------------------------------------------------------


def test_only_the_scale_in_hand_can_be_moved(listener):
    """ITU-R BS.1534-3, 5.4; the values of the others stay in sight."""
    someone = listener(parts={"rating": 1}, many=12)
    someone.to_the_trials()
    someone.hears("Still to be heard before you can confirm: 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12")
    someone.key("1j2f")
    _hears_values(someone, _1="55", _2="45")
    assert [name for name, (_, movable) in _scales(someone).items() if movable] == ["Sound 2"]
    someone.press("12")
    someone.hears('button "12" \\[pressed\\]|button "12" \\[active\\] \\[pressed\\]')
    assert [name for name, (_, movable) in _scales(someone).items() if movable] == ["Sound 12"]
    _hears_values(someone, _1="55, Fair", _2="45, Fair")


def test_nothing_is_announced_of_ratings_while_a_sound_plays(listener):
    someone = listener(parts={"rating": 1})
    someone.to_the_trials()
    someone.hears("Still to be heard")
    someone.page.evaluate(
        """() => { window.heard = []; const said = document.getElementById("said");
        new MutationObserver(() => heard.push(said.textContent)).observe(said, { childList: true, subtree: true }); }"""
    )
    someone.key("1hjg2fu2hh")
    someone.is_known({"1": 55, "2": 52})
    assert (
        someone.page.evaluate("document.querySelectorAll('#trial :is(output, [aria-live], [role=status])').length") == 0
    )
    # Asked for, it is said in silence; what was held back until then would come with it.
    someone.key("s")
    words = "Trial 1 of 1. Sound 2. Sound 1: 55, Fair; Sound 2: 52, Fair; Sound 3: not rated; Sound 4: not rated."
    someone.hears(f"status: .?{re.escape(words)}")
    assert [text for text in someone.page.evaluate("heard") if text] == [words]


def test_a_scale_can_be_set_without_dragging_and_by_dragging(listener):
    """WCAG 2.5.7: a press on the place, or the buttons. A press in the middle, under the thumb, counts."""
    someone = listener(parts={"rating": 1})
    someone.to_the_trials()
    someone.hears("Still to be heard")
    page = someone.page
    slider = page.get_by_role("slider", name="Rating of Sound 1")
    page.get_by_role("button", name="1", exact=True).click()
    box = slider.bounding_box()
    middle, height = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.click(middle, height)
    _hears_values(someone, _1="50, Fair")
    page.get_by_role("button", name="+5").click()
    page.get_by_role("button", name="−1").click()
    _hears_values(someone, _1="54, Fair")
    box = slider.bounding_box()
    height = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] * 0.54, height)
    page.mouse.down()
    for share in (0.6, 0.7, 0.9):
        page.mouse.move(box["x"] + box["width"] * share, height)
        page.wait_for_timeout(40)
    page.mouse.up()
    dragged = r'slider "Rating of Sound 1"[^\n]*\n\s+- text: "?(89|9[0-3]), Excellent'
    found = re.search(dragged, someone.hears(dragged))
    someone.is_known({"1": int(found[1])})
    # A drag is one change: one step back.
    page.get_by_role("button", name="Undo").click()
    _hears_values(someone, _1="54, Fair")
    # A scale that is not in hand stays where it is.
    other = page.get_by_role("slider", name="Rating of Sound 2").bounding_box()
    page.mouse.click(other["x"] + 40, other["y"] + other["height"] / 2)
    page.wait_for_timeout(100)
    assert _scales(someone)["Sound 2"] == (UNRATED, False)


def test_ratings_killed_half_way_go_on_and_confirmed_ones_stay(listener):
    """kill -9 of the server in mid-trial, with the page open; then of the browser; then of the server again."""
    someone = listener(parts={"rating": 2, "single": 1})
    server = someone.server
    someone.to_the_trials()
    someone.hears("Still to be heard before you can confirm: 1, 2, 3, 4")
    someone.key("1h2jj")
    _hears_values(someone, _1="51", _2="60")
    server.kill()
    someone.key("3f")
    someone.hears("Not saved yet")
    server.start()
    # The words that say so make room for what comes next, sooner than a busy machine reads them.
    someone.page.locator("body:not(.offline)").wait_for(state="attached", timeout=60_000)
    # The page knows what the new server does not, and tells it.
    _hears_values(someone, _1="51", _2="60", _3="45")
    someone.key("4g")
    _saved(someone, 1)
    someone.hears("Trial 2 of 3")
    first = [(0, 51), (0, 60), (0, 45), (0, 49)]
    assert someone.rows() == (first, "open")
    someone.hears("Still to be heard")
    someone.key("1j2j")
    _hears_values(someone, _1="55", _2="55")
    someone.is_known({"1": 55, "2": 55})
    someone.kill_browser()
    again = listener(server=server)
    again.hears("Trial 2 of 3")
    # What the server had heard of the open trial it still knows, the ratings too.
    again.hears("Still to be heard before you can confirm: 3, 4")
    _hears_values(again, _1="55", _2="55")
    again.key("3h4h")
    again.hears("Confirm your answer")
    again.is_known({"1": 55, "2": 55, "3": 51, "4": 51})
    server.kill()
    again.key("c")
    again.hears("Not saved yet")
    again.is_kept()
    again.kill_browser()
    server.start()
    # Server and browser both died with the confirmed ratings under way: they lay in the browser's storage.
    last = listener(server=server)
    last.hears("Trial 3 of 3")
    assert last.rows() == ([*first, (1, 55), (1, 55), (1, 51), (1, 51)], "open")


@pytest.mark.long
def test_worn_ratings_given_while_the_server_is_dead_arrive_later(listener):
    someone = listener(parts={"worn": 2})
    someone.hears("Before you begin")
    someone.press("Begin")
    someone.hears("Trial 1 of 2")
    someone.key("1h2h")
    someone.hears("Not rated yet")
    someone.server.kill()
    someone.key("3h4j")
    someone.hears("Confirm your answer")
    someone.key("c")
    someone.hears("Not saved yet")
    someone.server.start()
    # No level was ever set, so the new server stands at the cautions, which were read: the page goes on from there.
    someone.hears("Trial 2 of 2")
    assert someone.rows()[0] == [(0, 51), (0, 51), (0, 51), (0, 55)]


@pytest.mark.long
def test_killed_between_the_last_answer_and_the_end(listener):
    """The answers are there, the sitting was not closed: the next start closes it, and the page says thank you."""
    someone = listener(parts={"single": 1}, pause_before_ack_s=1.0)
    someone.to_the_trials()
    someone.hears("Still to be heard")
    someone.key("1h")
    someone.hears("Confirm your answer")
    someone.key("c")
    while not someone.rows()[0]:
        someone.page.wait_for_timeout(20)
    someone.server.kill()
    assert someone.rows() == ([(0, 51)], "open")
    someone.server.start()
    someone.hears("Thank you")
    someone.server.processes[-1].wait(60)
    assert someone.rows() == ([(0, 51)], "finished")


# --- how it looks ----------------------------------------------------------------------------------------------------

SIZES = {"1280": (1280, 800), "320": (320, 640)}
PAGES = {
    "preference": ({"parts": {"preference": 1}}, "1", ""),
    "ties": ({"parts": {"ties": 1}}, "12", "l"),
    "rating": ({"parts": {"rating": 1}, "many": 6}, "12345", "ff"),
    "rating-12": ({"parts": {"rating": 1}, "many": 12}, "123", "jjj"),
    "rating-single": ({"parts": {"single": 1}}, "1", "jj"),
    "recognition": ({"parts": {"recognition": 1}}, "1", "k"),
    "labelled": ({"parts": {"labelled": 1}}, "1234", "hh"),
    "named-pairs": ({"parts": {"named-pairs": 1}}, "12", "j"),
    "worn": ({"parts": {"worn": 1}}, "123", "jj"),
    "multi-stimulus": ({"parts": {"multi-stimulus": 1}, "many": 5}, "o1234", "ff"),
    "small-impairment": ({"parts": {"small-impairment": 1}}, "o12", "jh"),
    "attribute": ({"parts": {"attribute": 1}}, "12", "jh"),
    "abx-sure": ({"parts": {"abx-sure": 1}}, "123", "jd"),
}


@pytest.mark.parametrize(
    ("size", "scheme"),
    [
        # All methods, one after another: a minute and more. test_sitting.py has sizes and colours in every run.
        pytest.param("320", "light", marks=pytest.mark.long),
        pytest.param("1280", "light", marks=pytest.mark.long),
        pytest.param("1280", "dark", marks=pytest.mark.long),
        pytest.param("320", "dark", marks=pytest.mark.long),
    ],
)
def test_every_page_is_accessible_and_fits(launch, serving, listener_on, artifacts, size, scheme):
    from axe_playwright_python.sync_playwright import Axe

    width, height = SIZES[size]
    context = launch(
        viewport={"width": width, "height": height}, color_scheme=scheme, reduced_motion="reduce", bypass_csp=True
    )
    for name, (options, slots, keys) in PAGES.items():
        page = context.new_page()
        someone = listener_on(page)
        page.goto(serving(**options).link)

        def look(what, page=page, name=name):
            # As high as the page: what sticks to the window's edge would else stand in the middle of the picture.
            page.set_viewport_size({"width": width, "height": page.evaluate("document.documentElement.scrollHeight")})
            page.wait_for_timeout(80)
            page.screenshot(path=artifacts / f"page-{name}{what}-{size}-{scheme}.png")
            page.set_viewport_size({"width": width, "height": height})
            if name == "rating-12":
                page.screenshot(path=artifacts / f"page-{name}{what}-window-{size}-{scheme}.png")
            found = Axe().run(page)
            assert found.violations_count == 0, f"{name}{what}\n{found.generate_report()}"
            wide = page.evaluate("document.documentElement.scrollWidth")
            assert wide <= width, f"{name}{what} is {wide} px wide at {width} px"

        if name == "worn":
            someone.hears("Before you begin")
            look("-ready")
            someone.press("Begin")
            someone.hears("Not rated yet")
        else:
            someone.to_the_trials()
            someone.hears("Still to be heard")
        look("")
        for slot in slots:
            someone.key(slot + keys)
            page.wait_for_timeout(60)
        look("-begun")
        page.close()


def test_rating_moves_nothing(listener):
    """No layout shift while twelve sounds are selected and rated, whatever there is to say."""
    someone = listener(parts={"rating": 1}, many=12)
    someone.page.set_viewport_size({"width": 320, "height": 640})
    someone.to_the_trials()
    someone.hears("Still to be heard before you can confirm: 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12")
    boxes = """[...document.querySelectorAll("button, input, fieldset, summary")].filter((e) => e.checkVisibility())
      .filter((e) => !e.closest(".steps")).map((e) => { const b = e.getBoundingClientRect();
      return [b.x, b.y + scrollY, b.width, b.height].map(Math.round).join(" "); })"""
    first = someone.page.evaluate(boxes)
    assert len(first) > 30
    for key in "1h2hhhj3f45g61h7h8h9hfu":
        someone.key(key)
        someone.page.wait_for_timeout(30)
        assert someone.page.evaluate(boxes) == first, key
    # A sound turned to by its key comes into the window, above the steps.
    for key in "19":
        someone.key(key)
        inside = """() => { const row = document.querySelector(".in-hand").getBoundingClientRect();
          return row.top >= 0 && row.bottom <= document.querySelector(".steps").getBoundingClientRect().top; }"""
        someone.page.wait_for_function(inside)


def test_slots_and_scales_look_alike(listener):
    """Each selected in turn and rated alike, rows differ in their number and place only."""
    someone = listener(parts={"rating": 1})
    someone.to_the_trials()
    someone.hears("Still to be heard")
    style = """(at) => [".rating", ".rating .slot", ".rating input", ".rating .value"].map((what) => {
      const s = getComputedStyle(document.querySelectorAll(what)[at]);
      return Object.fromEntries([...s].map((k) => [k, s.getPropertyValue(k)])); })"""
    seen = []
    for at in range(4):
        someone.key(f"{at + 1}h")
        someone.page.wait_for_timeout(50)
        seen.append(someone.page.evaluate(style, at))
    assert seen[0] == seen[1] == seen[2] == seen[3]


def test_at_200_percent_twelve_scales_can_still_be_reached(launch, serving, listener_on):
    """WCAG 1.4.4 and 1.4.10: 1280 px at 200 % are 640 CSS px of half the height. 2.4.11: what has focus is in sight."""
    page = launch(viewport={"width": 640, "height": 400}, device_scale_factor=2).new_page()
    page.goto(serving(parts={"rating": 1}, many=12).link)
    someone = listener_on(page)
    someone.to_the_trials()
    someone.hears("Still to be heard")
    assert page.evaluate("document.documentElement.scrollWidth") <= 640
    seen = """() => { const e = document.activeElement, b = e.getBoundingClientRect();
      const there = document.elementFromPoint(b.x + b.width / 2, b.y + b.height / 2);
      return e.contains(there) || there.contains(e) && !there.closest(".steps"); }"""
    for number in (1, 6, 12):
        someone.press(str(number))
        assert page.evaluate(seen), f"button {number} is hidden"
        someone.tab_to(f"Rating of Sound {number}")
        assert page.evaluate(seen), f"scale {number} is hidden"
        page.keyboard.press("ArrowRight")
    _hears_values(someone, _1="51", _6="51", _12="51")
