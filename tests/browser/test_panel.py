"""A panel in the browser: by keyboard, by what the accessibility tree says, at 320 px; gone on with on another device.

Sources: WCAG 2.2 (2.1.1 keyboard, 1.4.10 reflow at 320 CSS px, 2.4.3 focus order); axe-core's rules stand for what a
machine can check of it.
"""

import shutil
from pathlib import Path

import pytest

from blindtest import steps
from blindtest.web import Server, hosts_of, make_panel_app, open_port, organiser_routes

pytestmark = [pytest.mark.browser, pytest.mark.slow]

LOOKS = {
    "1280-light": ({"width": 1280, "height": 800}, "light"),
    "320-dark": ({"width": 320, "height": 640}, "dark"),
    "200-percent": ({"width": 640, "height": 400}, "light"),
}


@pytest.fixture
def panel(panel_template, tmp_path):
    """(link, panel): a panel that is served in a thread, and its public link."""
    folder = Path(shutil.copytree(panel_template, tmp_path / "study"))
    text = (folder / "study.toml").read_text(encoding="utf-8")
    (folder / "study.toml").write_text(text.replace("public = true", 'public = true\nown_result = "at once"'))
    with steps.open_panel(folder) as opened:
        listening = open_port()
        port = listening.getsockname()[1]
        organiser = organiser_routes(opened, secret="the-secret", port=str(port), is_secure=lambda request: False)
        server = Server(make_panel_app(opened, hosts=hosts_of(port), further=organiser), listening)
        end = server.run_in_thread()
        yield f"http://127.0.0.1:{port}/#{opened.public_token()}", opened
        end()


def clean(page, what):
    """Hold the page against axe-core's rules and against reflow."""
    from axe_playwright_python.sync_playwright import Axe

    width = page.viewport_size["width"]
    assert page.evaluate("document.documentElement.scrollWidth") <= width, f"{what}: scrolls sideways at {width} px"
    found = Axe().run(page)
    assert found.violations_count == 0, f"{what}\n{found.generate_report()}"


def choose(someone, name):
    someone.tab_to(name)
    someone.page.keyboard.press("Space")


def to_the_sitting(someone, seen=lambda page, what: None):
    """From the invitation to the cautions of the sitting, by keyboard; `seen(page, what)` looks at each page."""
    page = someone.page
    tree = someone.hears("Tilt or no tilt")
    assert "gentle <b>tilt</b>" in tree, "the organiser's words are text"
    assert someone.focused() == "Tilt or no tilt (invented)"
    seen(page, "invitation")
    someone.press("I agree and take part")
    someone.hears("Your own link")
    own = page.get_by_label("Your link").input_value()
    seen(page, "link")
    someone.press("Go on")
    someone.hears("How old are you")
    seen(page, "questions")
    someone.press("Go on")
    someone.hears("Still without an answer: How old are you")
    choose(someone, "under 18 years")
    page.keyboard.press("ArrowDown")
    choose(someone, "headphones")
    someone.press("Go on")
    tree = someone.hears("What plays here")
    assert "Hz" in tree
    assert "What this page cannot know" in tree
    seen(page, "output")
    someone.press("Go on")
    someone.hears("Before you listen")
    seen(page, "cautions")
    return own


def to_the_end(someone, seen=lambda page, what: None):
    someone.press("Begin")
    tree = someone.hears("It begins very softly")
    assert "a noise as loud as what you will hear" in tree
    seen(someone.page, "level")
    someone.press("Start the sound")
    someone.hears("The noise comes in slowly")
    someone.press("My level is set")
    someone.answers(1, 6)
    someone.hears("Trial 1 of 6: (right|not right)")
    someone.press("Next")
    seen(someone.page, "trial")
    for number in range(2, 7):
        someone.answers(number, 6) if number < 6 else last(someone)
    someone.hears("Thank you")
    tree = someone.hears("of your 5 answers (was|were) right")
    assert "report says" in tree
    seen(someone.page, "thanks")


def last(someone):
    someone.hears(r"Trial 6 of 6\b")
    someone.key("123j")
    someone.hears("Confirm your answer")
    someone.key("c")


def test_a_reader_takes_part_by_keyboard_at_320_px(launch, listener_on, panel):
    link, opened = panel
    page = launch(viewport={"width": 320, "height": 640}, reduced_motion="reduce", bypass_csp=True).new_page()
    page.route("**/panel/open", lambda route: route.abort(), times=1)
    page.goto(link)
    someone = listener_on(page)
    someone.hears("Nothing is lost: try again in a while")
    clean(page, "not reached")
    someone.press("Try again")
    to_the_sitting(someone, clean)
    assert link.partition("#")[2] not in page.url, "nobody copies a link from the address"
    to_the_end(someone, lambda page, what: clean(page, what) if what == "thanks" else None)
    assert opened.counts().finished == 1
    page.goto(link.partition("#")[0] + "#not-whole")
    someone.hears("This link is not known")
    page.reload()
    someone.hears("This link is not known")


@pytest.mark.long
def test_a_consent_whose_answer_is_lost_is_sent_again_for_the_same_place(launch, listener_on, panel):
    link, opened = panel
    someone = listener_on(launch().new_page())
    page = someone.page
    lost = []

    def arrives_and_is_lost(route):
        lost.append(route.fetch().status)
        route.abort()

    page.route("**/panel/consent", arrives_and_is_lost)
    page.goto(link)
    tree = someone.hears("What you agree to")
    assert "that link is the only way back to your place" in tree
    someone.press("I agree and take part")
    someone.hears("Nothing is lost")
    assert lost == [200]
    # Also by a page that was opened anew: the browser keeps what it drew.
    page.unroute("**/panel/consent")
    page.context.clear_cookies()
    page.goto("about:blank")
    page.goto(link)
    someone.press("I agree and take part")
    someone.hears("Your own link")
    assert opened.counts().listeners == 1
    drawn = page.evaluate("localStorage.getItem('blindtest-agreed-by')")
    assert len(drawn) == 27
    someone.press("Withdraw and have everything erased.*")
    someone.press("Erase everything")
    someone.hears("Everything is erased")
    assert page.evaluate("localStorage.getItem('blindtest-agreed-by')") is None


@pytest.mark.long
def test_a_changed_consent_text_is_read_and_agreed_to_by_keyboard(launch, listener_on, panel_template, tmp_path):
    folder = Path(shutil.copytree(panel_template, tmp_path / "study"))
    (link,) = steps.invite(folder, 1, url="https://listen.example.org").links
    token = link.partition("#")[2]
    with steps.open_panel(folder) as before:
        before.agreed(token, before.opened(token, "").state["consent_sha256"])
    (folder / "consent.md").write_text("Your answers are kept until 2040.\n", encoding="utf-8")
    with steps.open_panel(folder) as panel:
        listening = open_port()
        port = listening.getsockname()[1]
        end = Server(make_panel_app(panel, hosts=hosts_of(port)), listening).run_in_thread()
        try:
            page = launch(viewport={"width": 320, "height": 640}).new_page()
            page.goto(f"http://127.0.0.1:{port}/#{token}")
            someone = listener_on(page)
            assert "kept until 2040" in someone.hears("What you agree to has changed")
            assert someone.focused() == "What you agree to has changed"
            clean(page, "changed consent")
            someone.press("I agree and go on")
            someone.hears("How old are you")
        finally:
            end()


def test_another_device_goes_on_and_the_old_page_is_told(launch, listener_on, panel):
    link, opened = panel
    here = listener_on(launch("here").new_page())
    here.page.goto(link)
    own = to_the_sitting(here)
    here.press("Begin")
    there = listener_on(launch("there").new_page())
    there.page.goto(own)
    assert "another device or in another browser" in there.hears("What plays here")
    there.press("Go on")
    there.hears("Before you listen")
    here.hears("It begins very softly")
    here.press("Start the sound")
    here.hears("The noise comes in slowly")
    here.press("My level is set")
    here.hears("Gone on elsewhere")
    to_the_end(there)
    assert opened.counts().finished == 1


@pytest.mark.long
def test_withdrawing_by_keyboard(launch, listener_on, panel):
    link, opened = panel
    someone = listener_on(launch(viewport={"width": 320, "height": 640}, bypass_csp=True).new_page())
    someone.page.goto(link)
    someone.press("I agree and take part")
    someone.hears("Your own link")
    someone.press("Withdraw and have everything erased.*")
    someone.hears("Erase everything\\?")
    clean(someone.page, "withdrawing")
    someone.press("Erase everything")
    someone.hears("Everything is erased")
    assert opened.counts().listeners == 0


@pytest.mark.long
def test_every_page_has_its_picture_taken(launch, listener_on, artifacts, panel):
    folder = artifacts / "panel"
    folder.mkdir(exist_ok=True)
    page = launch(viewport={"width": 1280, "height": 800}, reduced_motion="reduce", bypass_csp=True).new_page()

    def look(page, what):
        for name, (size, scheme) in LOOKS.items():
            page.emulate_media(color_scheme=scheme)
            page.set_viewport_size(size)
            page.wait_for_timeout(80)
            page.screenshot(path=folder / f"{what}-{name}.png", full_page=True)
            clean(page, f"{what}, {name}")

    page.goto(panel[0])
    someone = listener_on(page)
    to_the_sitting(someone, look)
    to_the_end(someone, look)
    page.goto(panel[0].partition("#")[0] + "#nonsense")
    someone.hears("This link is not known")
    look(page, "unknown")
    page.goto(panel[0].partition("#")[0] + "organiser#the-secret")
    tree = someone.hears("a durable write took")
    assert "the-secret" not in page.url
    assert "The plan is fixed" in tree
    look(page, "organiser")


@pytest.mark.long
def test_a_reader_takes_part_in_german(launch, listener_on, panel, artifacts):
    link, opened = panel
    page = launch(viewport={"width": 320, "height": 640}, reduced_motion="reduce", bypass_csp=True).new_page()
    folder = artifacts / "panel-de"
    folder.mkdir(exist_ok=True)

    def look(what):
        page.screenshot(path=folder / f"{what}.png", full_page=True)
        clean(page, what)

    page.goto(link)
    someone = listener_on(page, "de")
    someone.hears("I agree and take part")
    # The link is still in the address, so the page opened anew has it.
    someone.press("Deutsch")
    someone.hears("Wozu Sie einwilligen")
    look("invitation")
    someone.press("Ich willige ein und nehme teil")
    someone.hears("Ihr eigener Link")
    assert "English" not in someone.tree(), "shown once: here the page can't be opened anew"
    look("link")
    someone.press("Weiter")
    someone.hears("How old are you")
    look("questions")
    choose(someone, "unter 18 years")
    choose(someone, "headphones")
    someone.press("Weiter")
    someone.hears("Was hier spielt")
    look("output")
    someone.press("Weiter")
    someone.hears("Bevor Sie h\u00f6ren")
    look("cautions")
    someone.press("Beginnen")
    someone.hears("ein Rauschen, so laut wie das, was Sie h\u00f6ren werden")
    someone.hears("Am Anfang ist es sehr leise")
    look("level")
    someone.press("Klang starten")
    someone.hears("Das Rauschen setzt langsam ein")
    someone.press("Mein Pegel steht")
    for number in range(1, 7):
        someone.hears(rf"Durchgang {number} von 6\b")
        someone.hears("Noch zu h\u00f6ren")
        someone.key("123j")
        someone.hears("Best\u00e4tigen Sie Ihre Antwort")
        someone.key("c")
        if number == 1:
            someone.hears("Durchgang 1 von 6: (richtig|nicht richtig)")
            someone.press("Weiter")
    someone.hears("Vielen Dank")
    someone.hears("Ihrer 5 Antworten waren richtig")
    look("thanks")
    assert opened.counts().finished == 1
