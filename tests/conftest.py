"""What tests of several rooms share: requirements that may be missing, and a toy sitting of synthetic sounds."""

import importlib.util
import os

# Before numpy is loaded: on matrices as small as ours, threads of linear algebra only wait for each other, and those of
# two pytest workers also for each other's.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
from pathlib import Path
from types import ModuleType

import pytest
from hypothesis import settings

# The machines are noisy: how long an example takes is no property of the code. Examples are the same in every run, so
# that a run says something about the change it was made for; `BLINDTEST_EXAMPLES=new` looks for others.
settings.register_profile("same", deadline=None, derandomize=True)
settings.register_profile("new", deadline=None)
settings.load_profile("new" if os.environ.get("BLINDTEST_EXAMPLES") == "new" else "same")

HERE = Path(__file__).parent


def _require(what: str, present: bool, reason: str) -> None:
    """Skip the test with `reason` unless `present`; fail instead where BLINDTEST_REQUIRE names `what`.

    BLINDTEST_REQUIRE is a list such as `browser,postgres,sound,strace`: CI sets it, so that nothing it promises is
    skipped.
    """
    if present:
        return
    if what in os.environ.get("BLINDTEST_REQUIRE", "").replace(",", " ").split():
        pytest.fail(f"BLINDTEST_REQUIRE names {what}, but {reason}", pytrace=False)
    pytest.skip(f"{what}: {reason}")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the files that take longest: those with a browser, then those marked slow.

    Files go to workers whole; one that takes minutes must not be the last to begin.
    """
    rank: dict[Path, int] = {}
    for item in items:
        own = 0 if item.get_closest_marker("browser") else 1 if item.get_closest_marker("slow") else 2
        rank[item.path] = min(rank.get(item.path, 2), own)
    items.sort(key=lambda item: rank[item.path])


@pytest.fixture(scope="session")
def require():
    """`require(what, present, reason)`: see `_require`."""
    return _require


def _beside(name: str) -> ModuleType:
    """Return the module of this folder of that name."""
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, HERE / f"{name}.py")
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture(scope="session")
def toy() -> ModuleType:
    """The module tests/toy_sitting.py: a plan, its sounds and its server, made of nothing but numbers."""
    return _beside("toy_sitting")


@pytest.fixture
def held_port():
    """`held_port()`: the number of a loopback port that nobody else is given before the test ends."""
    held = []

    def hold() -> int:
        held.append(_beside("held_port").held_port())
        return int(held[-1].getsockname()[1])

    yield hold
    for one in held:
        one.close()


@pytest.fixture(scope="session")
def postgres_server():
    """A PostgreSQL server of this run of tests (of this worker); see tests/postgres_server.py."""
    module = _beside("postgres_server")
    _require("postgres", importlib.util.find_spec("psycopg") is not None, "psycopg is not installed")
    _require("postgres", not module.missing(), module.missing())
    server = module.PostgresServer()
    yield server
    server.close()


@pytest.fixture(scope="session")
def panel_folder() -> ModuleType:
    """The module tests/panel_folder.py: a small study with a panel, written into a folder."""
    return _beside("panel_folder")


@pytest.fixture(scope="session")
def panel_template(panel_folder, tmp_path_factory) -> Path:
    """That study, rendered once, with a public link; to be copied."""
    from blindtest import steps

    folder = panel_folder.write_panel(tmp_path_factory.mktemp("panel") / "study", panel="public = true")
    steps.render(folder)
    return folder
