"""The page in another language: chosen by keyboard, then a whole sitting in it; the rows are those of any language.

Sources: WCAG 2.2 (3.1.1 language of page, 3.1.2 language of parts, 2.1.1 keyboard, 1.4.10 reflow); axe-core's rules.
Pictures of every method in every language: test_pictures.py.
"""

import re
from concurrent.futures import ThreadPoolExecutor

import pytest

from blindtest.web.operator_app import make_operator_app
from blindtest.web.serving import Server, hosts_of, open_port

pytestmark = [pytest.mark.browser, pytest.mark.slow]


@pytest.mark.long
def test_a_sitting_in_german_by_keyboard(launch, serving, listener_on):
    from axe_playwright_python.sync_playwright import Axe

    server = serving(parts={"abx": 2})
    page = launch(viewport={"width": 320, "height": 640}, reduced_motion="reduce", bypass_csp=True).new_page()
    someone = listener_on(page, "de")

    def look():
        found = Axe().run(page)
        assert found.violations_count == 0, found.generate_report()
        assert page.evaluate("document.documentElement.scrollWidth") <= 320
        assert page.evaluate("document.documentElement.lang") == "de"

    page.goto(server.link)
    someone.hears("Before you listen")
    assert page.evaluate("document.documentElement.lang") == "en", "the browser's own"
    someone.press("Deutsch")
    someone.hears("Bevor Sie h\u00f6ren")
    look()
    someone.to_the_trials()
    someone.hears("Durchgang 1 von 2")
    someone.hears("Noch zu h\u00f6ren, bevor Sie best\u00e4tigen k\u00f6nnen: A, B, X")
    someone.key("123")
    someone.hears("W\u00e4hlen Sie Ihre Antwort")
    someone.key("j")
    someone.hears("Best\u00e4tigen Sie Ihre Antwort")
    look()
    someone.key("s")
    someone.hears(r"Durchgang 1 von 2\. Klang X\. Gew\u00e4hlt: X ist A\.")
    # Changed in the middle of a trial: what was heard and chosen is still there.
    someone.press("English")
    someone.hears(r'radio "X is A" \[checked\]')
    someone.hears("Confirm your answer, or choose again")
    someone.press("Deutsch")
    someone.hears(r'radio "X ist A" \[checked\]')
    someone.press("Best\u00e4tigen.*")
    someone.hears(r"Gespeichert\.")
    someone.hears("Durchgang 2 von 2")
    someone.key("123k")
    someone.hears("Best\u00e4tigen Sie Ihre Antwort")
    someone.press("Best\u00e4tigen.*")
    someone.hears("Vielen Dank")
    look()
    server.processes[-1].wait(60)
    someone.server = server
    assert someone.rows()[1] == "finished"
    assert [value for _, value in someone.rows()[0]] == ["A", "B"]


def test_a_browser_that_asks_for_german_gets_it(launch, serving, listener_on):
    page = launch(locale="de-AT").new_page()
    someone = listener_on(page, "de")
    page.goto(serving(parts={"small-impairment": 1}).link)
    someone.to_the_trials()
    # Numbers as German writes them (CLDR: a comma).
    someone.hears(r"5,0 Nicht wahrnehmbar")
    someone.key("o1hh")
    someone.hears(r'slider "Bewertung von Klang B[^\n]*\n\s+- text: "?3,2, Etwas st\u00f6rend')
    assert re.search(r"\u22120,5", someone.tree())


@pytest.mark.long
def test_the_operators_page_in_german(launch, toy, assisted, artifacts):
    """What is to be connected, made and left, at 320 px; changed to English in between."""
    from axe_playwright_python.sync_playwright import Axe

    # Requests of the listener go in a thread of their own: in this one runs the browser's loop.
    thread = ThreadPoolExecutor(1)
    sat = thread.submit(assisted.Sat, toy, toy.plan()).result()
    opened = open_port()
    port = opened.getsockname()[1]
    app = make_operator_app(sat.service, hosts=hosts_of(port), link_token="tok", cookie_secret="x", language="de")
    end = Server(app, opened).run_in_thread()
    page = launch(viewport={"width": 320, "height": 640}, reduced_motion="reduce", bypass_csp=True).new_page()

    def look(what):
        page.screenshot(path=artifacts / f"operator-de-{what}.png", full_page=True)
        found = Axe().run(page)
        assert found.violations_count == 0, found.generate_report()
        assert page.evaluate("document.documentElement.scrollWidth") <= 320

    page.goto(f"http://127.0.0.1:{port}/#tok")
    page.get_by_role("heading", name="Jetzt ist nichts anzuschlie\u00dfen").wait_for()
    look("waiting")
    thread.submit(sat.listener.event, "began").result()
    level = thread.submit(sat.listener.view).result()["level"]
    thread.submit(sat.ask, level).result()
    page.get_by_role("heading", name="Jetzt anschlie\u00dfen").wait_for()
    look("connect")
    page.get_by_role("button", name="Angeschlossen").click()
    page.get_by_role("heading", name="Angeschlossen: so lassen").wait_for()
    look("connected")
    page.get_by_role("button", name="English").click()
    page.get_by_role("heading", name="Connected: leave it").wait_for()
    end()
    thread.shutdown()
