"""A headless Chromium and a server of the toy sitting, each of which a test may kill."""

import importlib.util
import json
import os
import shutil
import signal
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

import pytest

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


@pytest.fixture(scope="session")
def playwright(chromium):
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
        context.set_default_timeout(15_000)
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
        self.processes[-1].wait(10)

    def log(self) -> str:
        """Everything the server wrote."""
        return (self.folder / "server.log").read_text()


@pytest.fixture
def serving(tmp_path):
    """`serving(**options of toy.plan)`: a server of a fresh sitting."""
    made = []

    def serve(**options) -> Serving:
        folder = tmp_path / f"study{len(made)}"
        folder.mkdir()
        (folder / "options.json").write_text(json.dumps(options))
        made.append(Serving(folder))
        made[-1].start()
        return made[-1]

    yield serve
    for each in made:
        for process in each.processes:
            if process.poll() is None:
                process.kill()
                process.wait(10)
            process.stdout.close()


@pytest.fixture(scope="session")
def artifacts():
    """Where screenshots go; not in the repository."""
    ARTIFACTS.mkdir(exist_ok=True)
    return ARTIFACTS
