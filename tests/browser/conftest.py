"""A headless Chromium and a server of the toy sitting, each of which a test may kill."""

import importlib.util
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from blindtest.session.store import Store
from blindtest.web.languages import catalogue
from blindtest.words import ENGLISH, Worded

TESTS = Path(__file__).parent.parent
ARTIFACTS = TESTS.parent / ".artifacts"
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


@pytest.fixture(scope="session")
def flags():
    """How the browser is started."""
    return FLAGS


@pytest.fixture(scope="session")
def chromium(require):
    """The path of the browser."""
    found = shutil.which("chromium")
    require("browser", found is not None, "there is no chromium on the path (Debian: apt-get install chromium)")
    require(
        "browser", importlib.util.find_spec("playwright") is not None, "playwright is missing: pip install playwright"
    )
    return found


@pytest.fixture(scope="module")
def playwright(chromium):
    # Not for the whole session: while it is open its event loop stands in the way of every other one in the process.
    from playwright.sync_api import sync_playwright

    with sync_playwright() as run:
        yield run


@pytest.fixture
def launch(playwright, chromium, tmp_path):
    """`launch(profile="p", **options)`: a browser with a profile that outlives it."""
    opened = []

    def opening(profile: str = "profile", **options):
        context = playwright.chromium.launch_persistent_context(
            str(tmp_path / profile), executable_path=chromium, args=FLAGS, **options
        )
        context.set_default_timeout(60_000)
        opened.append(context)
        return context

    yield opening
    for context in opened:
        # A browser that a test has killed is closed already.
        if context.pages:
            context.close()


@dataclass
class Serving:
    """A server process of the toy sitting in `folder`; started again it goes on where the record ends."""

    folder: Path
    port: int = 0
    link: str = ""
    processes: list = field(default_factory=list)

    def start(self) -> str:
        """Start a server and return the link it prints."""
        process = subprocess.Popen(
            [sys.executable, str(TESTS / "toy_sitting.py"), str(self.folder), str(self.port)],
            stdout=subprocess.PIPE,
            stderr=(self.folder / "server.log").open("ab"),
            text=True,
        )
        self.processes.append(process)
        self.link = process.stdout.readline().strip()
        assert self.link.startswith("http://127.0.0.1:"), (self.folder / "server.log").read_text()
        self.port = int(self.link.split("#")[0].rstrip("/").rpartition(":")[2])
        return self.link

    def kill(self) -> None:
        """kill -9."""
        os.kill(self.processes[-1].pid, signal.SIGKILL)
        self.processes[-1].wait(60)

    def log(self) -> str:
        """Everything the server wrote."""
        return (self.folder / "server.log").read_text()


@pytest.fixture
def serving(tmp_path, held_port):
    """`serving(**options of toy.plan)`: a server of a fresh sitting."""
    made = []

    def serve(**options) -> Serving:
        folder = tmp_path / f"study{len(made)}"
        folder.mkdir()
        (folder / "options.json").write_text(json.dumps(options))
        made.append(Serving(folder, held_port()))
        made[-1].start()
        return made[-1]

    yield serve
    for each in made:
        for process in each.processes:
            if process.poll() is None:
                process.kill()
                process.wait(60)
            process.stdout.close()


class Listener:
    """Somebody who hears the page read out and has a keyboard: nothing else of the page is used."""

    def __init__(self, page, language=ENGLISH):
        self.page = page
        self.language = language

    def said(self, message: str, **values) -> str:
        """Return a message of the page as it reads in the listener's language, as a pattern."""
        words = catalogue(self.language)
        return re.escape(Worded(message, values).in_language(words.of, words.decimal))

    def tree(self) -> str:
        """Everything a screen reader could find."""
        return self.page.locator("body").aria_snapshot()

    def hears(self, pattern: str, seconds: float = 60.0) -> str:
        """Wait until the tree says `pattern`."""
        until = time.monotonic() + seconds
        pause_ms = 20.0
        while not re.search(pattern, tree := self.tree()):
            assert time.monotonic() < until, f"{pattern!r} not in\n{tree}"
            self.page.wait_for_timeout(pause_ms)
            # Reading a tree takes half as long as the first pause: what takes its time is asked for less often.
            pause_ms = min(1.3 * pause_ms, 80.0)
        return tree

    def focusable(self) -> list[tuple[str, bool]]:
        """Names of all that can have the focus, as the browser's accessibility tree computes them, and which has it."""
        session = self.page.context.new_cdp_session(self.page)
        nodes = session.send("Accessibility.getFullAXTree")["nodes"]
        session.detach()
        found = []
        for node in nodes:
            flags = {p["name"]: p["value"].get("value") for p in node.get("properties", [])}
            if flags.get("focusable") and node["role"]["value"] != "RootWebArea":
                found.append((node["name"]["value"], flags.get("focused") is True))
        return found

    def focused(self) -> str:
        """Name of what has the focus."""
        return next((name for name, has_it in self.focusable() if has_it), "")

    def tab_to(self, name: str) -> None:
        """Wait until there is a `name` that can have the focus, and go on with Tab until it has."""
        until = time.monotonic() + 60
        while not any(re.fullmatch(name, each) for each, _ in self.focusable()):
            assert time.monotonic() < until, f"nothing is called {name!r}\n{self.tree()}"
            self.page.wait_for_timeout(50)
        for _ in range(60):
            if re.fullmatch(name, self.focused()):
                return
            self.page.keyboard.press("Tab")
        raise AssertionError(f"Tab never reached {name!r}")

    def press(self, name: str) -> None:
        """Tab to a button and press it."""
        self.tab_to(name)
        self.page.keyboard.press("Enter")

    def key(self, keys: str) -> None:
        """Press character keys one after the other."""
        for each in keys:
            self.page.keyboard.press(each)

    def to_the_trials(self) -> None:
        """Through the cautions and the level."""
        self.hears(self.said("Before you listen"))
        self.press(self.said("Begin"))
        self.hears(self.said("Ready. It begins very softly."))
        self.press(self.said("Start the sound"))
        self.hears(
            self.said(
                "The sound comes in slowly. Raise the level until you would listen to music like this for a while."
            )
        )
        self.press(self.said("My level is set"))

    def answers(self, number: int, of: int, key: str = "j") -> None:
        """Listen to all, choose, confirm, and hear that it is saved."""
        self.hears(rf"Trial {number} of {of}\b")
        self.hears("Still to be heard before you can confirm: A, B, X")
        self.key("123")
        self.hears("Choose your answer")
        self.key(key)
        self.hears("Confirm your answer")
        self.key("c")
        self.hears(r"Saved\.")

    def rows(self) -> tuple[list[tuple[int, object]], str]:
        """Return (trial, response) of all rows in the server's database, and the sitting's state."""
        with Store(self.server.folder / "study.db", entropy=os.urandom) as store:
            return [(row["trial"], row["response"]) for row in store.rows(1)], store.sittings()[0].state

    def is_known(self, chosen: dict[str, object]) -> None:
        """Wait until the server says that these are chosen: what was told before them, it knows too."""
        view = "fetch('/view').then((r) => r.json()).then((r) => r.view.chosen)"
        until = time.monotonic() + 60
        while (said := self.page.evaluate(view)) != chosen:
            assert time.monotonic() < until, said
            self.page.wait_for_timeout(50)

    def is_kept(self) -> None:
        """Wait until a confirmed answer lies in the browser's database: who reads there comes after who writes."""
        count = """() => new Promise((resolve) => { indexedDB.open("blindtest", 1).onsuccess = ({ target }) => {
          const asked = target.result.transaction("unsent").objectStore("unsent").count();
          asked.onsuccess = () => { target.result.close(); resolve(asked.result); }; }; })"""
        until = time.monotonic() + 60
        while self.page.evaluate(count) == 0:
            assert time.monotonic() < until, "the answer was not kept"
            self.page.wait_for_timeout(50)

    def kill_browser(self) -> None:
        """kill -9 of the browser's processes that use this test's profile; found by its path."""
        profile = str(self.server.folder.parent / self.profile)
        found = subprocess.run(["ps", "-eww", "-o", "pid=,args="], capture_output=True, text=True, check=True).stdout
        pids = [int(line.split()[0]) for line in found.splitlines() if f"--user-data-dir={profile}" in line]
        assert pids
        for pid in pids:
            try:
                os.kill(pid, signal.SIGKILL)
            except ProcessLookupError:
                continue
        until = time.monotonic() + 60
        while self.context.pages:
            assert time.monotonic() < until, self.page.url
            try:
                self.page.wait_for_timeout(50)
            except Exception:
                break


@pytest.fixture(scope="session")
def listener_on():
    """`listener_on(page)`: somebody at a page that is open."""
    return Listener


@pytest.fixture
def listener(launch, serving):
    """`listener(**options of a plan)`, or `listener(server=...)`: somebody with a browser and the page open."""

    def listening(profile="profile", server=None, **options):
        server = server or serving(**options)
        context = launch(profile)
        page = context.new_page()
        page.goto(server.link)
        made = Listener(page)
        made.server, made.context, made.profile = server, context, profile
        return made

    return listening


@pytest.fixture
def assisted():
    """The module tests/assisted_sitting.py: a sitting with an operator, and what is asked of both."""
    spec = importlib.util.spec_from_file_location("assisted_sitting", TESTS / "assisted_sitting.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def artifacts():
    """Where screenshots go; not in the repository."""
    ARTIFACTS.mkdir(exist_ok=True)
    return ARTIFACTS
