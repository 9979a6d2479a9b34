"""Each protocol as a user would do it: own files, real commands, a real browser, every answer by keyboard.

What was pressed is written down here and held against what the report publishes.
"""

import csv
import json
import re
import shutil
import subprocess
import sys
import time
from dataclasses import dataclass, field
from importlib.resources import files

import pytest

pytestmark = [pytest.mark.browser, pytest.mark.slow]

FLAGS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--autoplay-policy=no-user-gesture-required",
)  # fmt: skip
PATIENCE_S = 90
SCALE_KEYS = {"down": "g", "up": "h", "down 5": "f", "up 5": "j"}


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


@dataclass
class Desk:
    """A folder with a study in it, and a shell: commands are run as a user runs them."""

    place: object
    sittings: list = field(default_factory=list)

    @property
    def folder(self):
        return self.place / "my-study"

    def run(self, *arguments, code=0):
        done = subprocess.run(
            [sys.executable, "-m", "blindtest", *arguments], cwd=self.place, capture_output=True, text=True, check=False
        )
        assert done.returncode == code, done.stdout + done.stderr
        assert "Traceback" not in done.stderr
        return done.stdout

    def ask(self, *arguments):
        """Return what a command says with --json, held against the schema that is shipped."""
        from jsonschema import Draft202012Validator

        said = json.loads(self.run(*arguments, "--json"))
        schema = json.loads(files("blindtest.cli").joinpath("results.schema.json").read_text(encoding="utf-8"))
        Draft202012Validator(schema).validate(said)
        return said

    def published(self):
        """Return the hashes that a careful user posted: commitments before, last hashes after."""
        return [one[key] for one in self.sittings for key in ("commitment", "head")]

    def table(self):
        with (self.folder / "report" / "trials.csv").open(encoding="utf-8", newline="") as stream:
            return list(csv.DictReader(stream))


@pytest.fixture
def desk(tmp_path):
    return Desk(tmp_path)


class Person:
    """Somebody with a keyboard in front of the page; keeps what was pressed."""

    def __init__(self, page):
        self.page = page
        self.pressed = []
        self.seen = []

    def view(self):
        return self.page.evaluate("async () => (await (await fetch('/view', {cache: 'no-store'})).json()).view")

    def until(self, holds, what):
        deadline = time.monotonic() + PATIENCE_S
        while not holds(view := self.view()):
            assert time.monotonic() < deadline, f"{what}: {view}"
            self.page.wait_for_timeout(40)
        return view

    def press_button(self, name):
        """Reach a button by Tab alone, and press it by Enter."""
        self.page.wait_for_function(
            "name => [...document.querySelectorAll('button')].some(b => b.innerText.trim().startsWith(name) "
            "&& b.getAttribute('aria-disabled') !== 'true' && !b.disabled)",
            arg=name,
            timeout=1000 * PATIENCE_S,
        )
        for _ in range(80):
            if self.page.evaluate("document.activeElement?.innerText ?? ''").strip().startswith(name):
                self.page.keyboard.press("Enter")
                return
            self.page.keyboard.press("Tab")
        raise AssertionError(f"{name} can't be reached by Tab")

    def sits(self, answer):
        """Go through the whole sitting; `answer(view)`: the keys of each answer, slot by slot."""
        view = self.view()
        while view["step"] not in ("finished", "abandoned"):
            step, trial = view["step"], view["trial"]
            if step == "ready":
                self.press_button("Begin")
            elif step == "level":
                self.press_button("Start the sound")
                self.page.get_by_role("button", name="Stop the sound").wait_for(timeout=1000 * PATIENCE_S)
                self.press_button("My level is set")
            elif step == "break":
                self.press_button("Go on")
            elif step == "feedback":
                self._is_shown(view)
                self.page.keyboard.press("n")
            else:
                self._answers(view, answer(view))
            view = self.until(lambda now, was=(step, trial): (now["step"], now["trial"]) != was, "the page goes on")
        return view

    def _is_shown(self, view):
        """Wait until the page itself is at this trial: its own reply may come later than ours."""
        heading = re.compile(rf"^Trial {view['number']} of [^:]*{':' if view['step'] == 'feedback' else '$'}")
        self.page.locator("h1").filter(has_text=heading).wait_for(timeout=1000 * PATIENCE_S)

    def _answers(self, view, keys):
        self._is_shown(view)
        silent = all(not slot["token"] for slot in view["slots"])
        if not silent:
            self.page.wait_for_function(
                "many => document.querySelectorAll('button.slot:not([aria-disabled=true]):not([disabled])').length"
                " === many",
                arg=len(view["slots"]),
                timeout=1000 * PATIENCE_S,
            )
        self.seen.append(view)
        rating = view["question"]["kind"] == "rate"
        for number, slot in enumerate(view["slots"], start=1):
            self.page.keyboard.press(str(number))
            self.page.wait_for_timeout(40)
            for key in keys[slot["name"]] if rating else "":
                self.page.keyboard.press(key)
        if not rating:
            self.page.keyboard.press(keys)
        self.pressed.append((view["phase"], keys))
        deadline = time.monotonic() + PATIENCE_S
        while self.view()["saved"] <= view["saved"]:
            assert time.monotonic() < deadline, self.page.locator("body").aria_snapshot()
            self.page.keyboard.press("c")
            self.page.wait_for_timeout(60)


def listen(desk, browser, answer, *arguments):
    """Run `blindtest listen`, sit through its page, and return the person and what the command printed."""
    process = subprocess.Popen(
        [sys.executable, "-m", "blindtest", "listen", "my-study", *arguments, "--no-browser", "--json"],
        cwd=desk.place, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    said = []
    try:
        link = None
        for line in process.stderr:
            said.append(line)
            if found := re.search(r"http://127\.0\.0\.1:\d+/#\S+", line):
                link = found[0]
                break
        assert link, "".join(said)
        context = browser.new_context()
        page = context.new_page()
        wrong = []
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.goto(link)
        page.locator("#page button").first.wait_for(timeout=1000 * PATIENCE_S)
        person = Person(page)
        person.sits(answer)
        out, err = process.communicate(timeout=PATIENCE_S)
        context.close()
        assert wrong == []
        assert process.returncode == 0, err
    finally:
        if process.poll() is None:
            process.kill()
            process.wait(60)
    ended = json.loads(out)
    assert ended["state"] == "finished"
    desk.sittings.append(ended)
    return person, ended


def turns(*keys):
    """Answer with these keys in turn."""
    given = []

    def answer(view):
        given.append(keys[len(given) % len(keys)])
        return given[-1]

    return answer


def begun(desk, protocol, fill, **filled):
    """From `new` to the study seal, which is returned."""
    desk.run("new", "my-study", "--protocol", protocol)
    desk.run("check", "my-study", code=1)
    fill(desk.folder, **filled)
    assert desk.ask("check", "my-study")["ok"]
    desk.run("render", "my-study")
    return desk.ask("seal", "my-study")["study_seal"]


def ended(desk, seal):
    """From the last answer to the report; return the analysis, and the page that is published."""
    analysed = desk.ask("analyze", "my-study")
    desk.ask("report", "my-study")
    verified = desk.ask("verify", "my-study", *(f"--published={one}" for one in [seal, *desk.published()]))
    assert verified["grade"] == "anchored"
    page = (desk.folder / "report" / "report.html").read_text(encoding="utf-8")
    assert "http://" not in page.replace("http://www.w3.org", "")
    return analysed, page


@pytest.mark.long
def test_short_from_new_to_report(browser, desk, fill_in_protocol):
    """Six pairs, margin .45: all six show it (2 x 2**-6 = .031), reached with .95**6 = .74."""
    changes = ("practice.trials = 1", "test.trials = 6", "test.margin = 0.45")
    seal = begun(desk, "short", fill_in_protocol, changes=changes)
    person, sat = listen(desk, browser, turns("j", "j", "k"), "--listener", "L-night")
    assert (sat["answered"], sat["planned"]) == (7, 7)
    assert all(len(view["slots"]) == 2 and not any(slot["label"] for slot in view["slots"]) for view in person.seen)
    analysed, page = ended(desk, seal)
    rows = desk.table()
    assert [row["response"] for row in rows] == ["1" if keys == "j" else "2" for _, keys in person.pressed]
    wins = sum(f"{row['response']}=first" in row["order"].split("|") for row in rows if row["phase"] == "blind")
    (claim,) = analysed["claims"]
    concluded = claim["preferred"]["conclusion"]
    assert (concluded["wins"], concluded["losses"], concluded["ties"]) == (wins, 6 - wins, 0)
    assert f"{wins} of 6" in page


@pytest.mark.long
def test_preference_with_ties_from_new_to_report(browser, desk, fill_in_protocol):
    changes = (
        "practice.trials = 1",
        "test.trials = 6",
        "test.margin = 0.45",
        "test.ties = true",
        "test.break_after = 3",
    )
    seal = begun(desk, "preference", fill_in_protocol, changes=changes)
    person, sat = listen(desk, browser, turns("j", "l", "k"), "--listener", "L-either")
    assert sat["answered"] == 7
    analysed, page = ended(desk, seal)
    words = {"j": "1", "k": "2", "l": "none"}
    assert [row["response"] for row in desk.table()] == [words[keys] for _, keys in person.pressed]
    concluded = analysed["claims"][0]["preferred"]["conclusion"]
    ties = sum(row["response"] == "none" for row in desk.table() if row["phase"] == "blind")
    assert concluded["ties"] == ties > 0
    assert concluded["wins"] + concluded["losses"] == 6 - ties
    assert analysed["claims"][0]["word"] in page


@pytest.mark.long
def test_tuning_from_new_to_report(browser, desk, fill_in_protocol):
    """Two questions in one sitting. ABX: five of five show it (2**-5 = .031), at margin .9 three are negligible."""
    changes = (
        "practice.trials = 1", "test.trials = 5", "test.margin = 0.9", "liking.trials = 6", "liking.margin = 0.45",
    )  # fmt: skip
    seal = begun(desk, "tuning", fill_in_protocol, changes=changes)
    person, sat = listen(desk, browser, turns("j", "k"), "--listener", "L-tunes")
    assert sat["answered"] == 12
    assert [len(view["slots"]) for view in person.seen] == [3] * 6 + [2] * 6
    analysed, page = ended(desk, seal)
    rows = desk.table()
    words = {("abx", "j"): "A", ("abx", "k"): "B", ("preference", "j"): "1", ("preference", "k"): "2"}
    assert [row["response"] for row in rows] == [
        words[row["method"], keys] for row, (_, keys) in zip(rows, person.pressed, strict=True)
    ]
    heard, liked = analysed["claims"]
    right = sum(row["correct"] == "true" for row in rows if row["block"] == "test")
    assert (heard["heard"]["conclusion"]["correct"], heard["heard"]["conclusion"]["trials"]) == (right, 5)
    concluded = liked["preferred"]["conclusion"]
    wins = sum(f"{row['response']}=corrected" in row["order"].split("|") for row in rows if row["block"] == "liking")
    assert (concluded["wins"], concluded["losses"]) == (wins, 6 - wins)
    assert f"{right} of 5" in page


POINTS = {"first": 30, "second": 0, "low anchor": -40, "high anchor": 40}


def by_scale(points):
    """Return the keys that bring a scale from its middle to 50 + points."""
    five, one = divmod(abs(points), 5)
    return (SCALE_KEYS["up 5"] if points >= 0 else SCALE_KEYS["down 5"]) * five + (
        SCALE_KEYS["up"] if points >= 0 else SCALE_KEYS["down"]
    ) * one


def rates(view):
    """Rate by name where names are told, else by place on the page; name the second option where one is asked for."""
    if view["question"]["kind"] != "rate":
        return "k"
    points = {}
    for place, slot in enumerate(view["slots"]):
        told = [POINTS[name] for name in POINTS if slot["label"].startswith(name)] if slot["label"] else []
        points[slot["name"]] = told[0] if told else 10 + place - view["trial"]
    return {name: by_scale(value) or "jf" for name, value in points.items()}


@pytest.mark.long
def test_survival_from_new_to_report(browser, desk, fill_in_protocol):
    """The first of a panel at one clip: worn, three blind sittings with recognition, three labelled ones."""
    one_clip = (
        ('[[clip]]\nid = "two"\nfile = "clips/beat.mp3"', "#"),
        ('[[clip]]\nid = "three"\nfile = "clips/choir.wav"', "#"),
    )
    changes = (
        "practice.trials = 1", "recognition.trials = 2", "recognition.sittings = 3", "blind.sittings = 3",
        "labelled.sittings = 3",
    )  # fmt: skip
    edits = (("# margin = 8 ", "margin = 75 "), ('id = "first"\nstages', 'id = "first"\nlabel = "first one"\nstages'))
    desk.run("new", "my-study", "--protocol", "survival")
    fill_in_protocol(desk.folder, planned=6, changes=changes, edits=edits)
    study = desk.folder / "study.toml"
    text = study.read_text(encoding="utf-8")
    for before, _ in one_clip:
        assert before in text
        begins = text.index(before)
        text = text[:begins] + text[text.index("\n\n", begins) :]
    study.write_text(text, encoding="utf-8")
    said = desk.ask(
        "impression", "my-study", "--quote", "It is in another league altogether.", "--unit", "first", "--against",
        "second", "--knew", "price,maker", "--worn", "an evening",
    )  # fmt: skip
    quoted = f'quote = "in another league"\nimpression = "{said["hash"][:12]}"\n# quote = "could'
    study.write_text(study.read_text(encoding="utf-8").replace('# quote = "could', quoted), encoding="utf-8")
    assert desk.ask("check", "my-study")["ok"]
    desk.ask("render", "my-study", "--unseen")
    seal = desk.ask("seal", "my-study")["study_seal"]

    persons = []
    for number in range(7):
        why = ("--same-day", "the unit goes back tomorrow") if number in (2, 3, 5, 6) else ()
        if number == 2:
            refused = desk.run("listen", "my-study", "--listener", "R-test", "--no-browser", code=3)
            assert refused == ""
        person, _ = listen(desk, browser, rates, "--listener", "R-test", *why)
        persons.append(person)

    worn, blind, labelled = persons[0], persons[1:4], persons[4:]
    assert all(not slot["token"] and slot["label"] for view in worn.seen for slot in view["slots"])
    assert all(not slot["label"] for one in blind for view in one.seen for slot in view["slots"])
    named = {slot["label"] for one in labelled for view in one.seen for slot in view["slots"]}
    assert {"first one", "low anchor", "high anchor"} < named
    analysed, page = ended(desk, seal)
    rows = desk.table()
    for row in rows:
        if row["phase"] in ("worn", "labelled") and row["method"] == "rating" and row["condition"] == "first":
            assert float(row["response"]) == 80
    result = analysed["claims"][0]["rated"]["result"]
    labelled_effect = [
        80 - float(r["response"]) for r in rows if (r["phase"], r["condition"]) == ("labelled", "second")
    ]
    assert result["labelled"]["estimate"] == pytest.approx(sum(labelled_effect) / 3)
    assert result["units"] == [3, 3]
    assert result["verdict"] == "vanishes"
    asked = [row for row in rows if row["method"] == "recognition"]
    assert len(asked) == 6
    found = analysed["claims"][0]["rated"]["recognition"][-1]["result"]
    assert found["correct"] == sum(row["correct"] == "true" for row in asked)
    assert "in another league" in page
    assert "the unit goes back tomorrow" in page
    assert "vanishes" in page
