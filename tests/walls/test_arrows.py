"""Rooms import downwards only, and some third-party packages live in one room or module only."""

import ast
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[2] / "blindtest"

MAY_IMPORT: dict[str, set[str]] = {
    "errors": set(),
    "words": set(),
    "methods": {"words"},
    "audio": {"errors"},
    "device": {"errors", "audio"},
    "render": {"errors", "audio", "device"},
    "design": {"errors", "methods"},
    "stats": {"errors", "methods"},
    "study": {"errors", "audio", "device", "render", "design", "words"},
    "session": {"errors", "audio", "design", "methods", "words"},
    "report": {"errors", "methods", "device", "render", "design", "stats", "study"},
    "steps": {
        "errors", "words", "methods", "audio", "device", "render", "design", "stats", "study", "session", "report",
    },
    "web": {"errors", "session", "steps", "words"},
    "cli": {"errors", "stats", "audio", "device", "steps", "web"},
    "__main__": {"cli"},
    "__init__": set(),
}  # fmt: skip

LIVES_IN: dict[str, tuple[str, ...]] = {
    "soundfile": (
        "audio/clip.py",
        "audio/tape.py",
    ),
    "soxr": ("audio/clip.py",),
    "statsmodels": ("stats/",),
    "formulaic": ("stats/",),
    "pydantic": ("study/", "web/"),
    "sqlalchemy": ("session/store/", "session/migrations/"),
    "alembic": ("session/store/", "session/migrations/"),
    "psycopg": ("session/store/postgres_",),
    "sounddevice": ("session/player.py", "session/device_player.py", "session/loop_stream.py"),
    "matplotlib": ("report/figures.py",),
    "jinja2": ("report/", "web/"),
    "starlette": ("web/",),
    "uvicorn": ("web/",),
    "click": ("cli/",),
    "rich": ("cli/",),
    "pandas": (
        "stats/",
        "report/",
        "device/harmon",
        "device/impedance.py",
        "device/section_correction.py",
        "render/distortion.py",
        "study/bench",
    ),
    "distributed": ("steps/cluster.py",),
    "rfc8785": ("design/seal.py",),
    "rocrate": ("steps/evidence/crate.py",),
    "cryptography": ("session/helper_lock.py", "render/noise.py", "steps/time_stamp.py"),
    "rfc3161_client": ("steps/time_stamp.py",),
}
"""Where a package may be imported, as beginnings of paths inside the package."""

NUMERIC = ("audio/", "device/", "render/", "design/", "session/", "stats/", "report/")
SLOW = ("scipy.stats", "scipy.signal", "pandas", "statsmodels", "matplotlib")


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def place(path: Path) -> str:
    return path.relative_to(PACKAGE).as_posix()


def room(path: Path) -> str:
    first = place(path).split("/")[0]
    return first.removesuffix(".py")


def imports(path: Path, *, top_level_only: bool = False) -> set[str]:
    """Return dotted names imported by a module, those inside functions too."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found: set[str] = set()
    nodes = tree.body if top_level_only else list(ast.walk(tree))
    for node in nodes:
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level <= 1, f"{place(path)}:{node.lineno}: reaches out of its room"
            module = f"blindtest.{room(path)}.{node.module or ''}" if node.level else node.module or ""
            found |= {f"{module}.{alias.name}" for alias in node.names} | {module}
    return found


def test_every_room_is_on_the_table():
    assert {room(path) for path in modules()} <= set(MAY_IMPORT)


@pytest.mark.parametrize("path", modules(), ids=place)
def test_imports_point_downwards_only(path):
    here = room(path)
    rooms = {name.split(".")[1] for name in imports(path) if name.startswith("blindtest.")}
    # `from blindtest import __version__` names no room.
    assert rooms - {"__version__"} <= MAY_IMPORT[here] | {here}


@pytest.mark.parametrize("path", modules(), ids=place)
def test_third_party_packages_live_where_the_table_says(path):
    for name in imports(path):
        package = name.split(".")[0]
        if package in LIVES_IN:
            assert place(path).startswith(LIVES_IN[package]), f"{package} in {place(path)}"
        if package in ("numpy", "scipy"):
            assert place(path).startswith((*NUMERIC, "steps/", "study/")), f"{package} in {place(path)}"
        if package in sys.stdlib_module_names or package == "blindtest":
            continue
        if room(path) in ("errors", "methods", "words"):
            pytest.fail(f"{package} in a leaf: {place(path)}")


@pytest.mark.parametrize("path", modules(), ids=place)
def test_slow_packages_stay_inside_functions(path):
    slow = {name for name in imports(path, top_level_only=True) if name.startswith(SLOW)}
    assert not slow


@pytest.mark.parametrize("path", modules(), ids=place)
def test_time_and_entropy_are_asked_for_at_the_doors_only(path):
    if room(path) in ("cli", "web", "steps"):
        return
    text = path.read_text(encoding="utf-8")
    for asked in ("os.urandom(", "secrets.", "datetime.now(", "time.time(", "default_rng()"):
        assert asked not in text, f"{asked} in {place(path)}"
