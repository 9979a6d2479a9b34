"""Rooms import downwards only, and some third-party packages live in one room or module only."""

import ast
import sys
from collections.abc import Iterable
from functools import cache
from pathlib import Path

PACKAGE = Path(__file__).parents[2] / "blindtest"

MAY_IMPORT: dict[str, set[str]] = {
    "errors": set(),
    "words": set(),
    "nouns": set(),
    "methods": {"words"},
    "audio": {"errors", "nouns"},
    "device": {"errors", "nouns", "audio"},
    "render": {"errors", "audio", "device"},
    "design": {"errors", "methods"},
    "stats": {"errors", "nouns", "methods"},
    "study": {"errors", "nouns", "audio", "device", "render", "design", "words"},
    "session": {"errors", "nouns", "audio", "design", "methods", "words"},
    "report": {"errors", "methods", "device", "render", "design", "stats", "study"},
    "steps": {
        "errors", "words", "nouns", "methods", "audio", "device", "render", "design", "stats", "study", "session",
        "report",
    },
    "web": {"errors", "nouns", "session", "steps", "words"},
    "cli": {"errors", "stats", "audio", "device", "steps", "web"},
    "__main__": {"cli"},
    "__init__": set(),
}  # fmt: skip

LIVES_IN: dict[str, tuple[str, ...]] = {
    "soundfile": ("audio/clip_files.py", "audio/tape.py"),
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
DOORS_ONLY = ("os.urandom(", "secrets.", "datetime.now(", "time.time(", "default_rng()")


def modules() -> list[Path]:
    found = sorted(PACKAGE.rglob("*.py"))
    assert len(found) > 600, "the walls are held against the whole house"
    return found


def place(path: Path) -> str:
    return path.relative_to(PACKAGE).as_posix()


def room(path: Path) -> str:
    first = place(path).split("/")[0]
    return first.removesuffix(".py")


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def imports(path: Path) -> set[str]:
    """Return dotted names imported by a module, those inside functions too."""
    return named_in(path, ast.walk(tree(path)))


def at_the_top(path: Path) -> set[str]:
    """Return those that it imports as soon as it is imported."""
    return named_in(path, tree(path).body)


def named_in(path: Path, nodes: Iterable[ast.AST]) -> set[str]:
    found: set[str] = set()
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


def test_imports_point_downwards_only():
    upwards = {}
    for path in modules():
        rooms = {name.split(".")[1] for name in imports(path) if name.startswith("blindtest.")}
        # `from blindtest import __version__` names no room.
        upwards[place(path)] = rooms - {"__version__"} - MAY_IMPORT[room(path)] - {room(path)}
    assert {where: rooms for where, rooms in upwards.items() if rooms} == {}


def test_third_party_packages_live_where_the_table_says():
    astray = set()
    for path in modules():
        for name in imports(path):
            package = name.split(".")[0]
            if package in LIVES_IN and not place(path).startswith(LIVES_IN[package]):
                astray.add(f"{package} in {place(path)}")
            if package in ("numpy", "scipy") and not place(path).startswith((*NUMERIC, "steps/", "study/")):
                astray.add(f"{package} in {place(path)}")
            ours = package in sys.stdlib_module_names or package == "blindtest"
            if room(path) in ("errors", "methods", "nouns", "words") and not ours:
                astray.add(f"{package} in a leaf: {place(path)}")
    assert astray == set()


def test_slow_packages_stay_inside_functions():
    slow = {place(path): {name for name in at_the_top(path) if name.startswith(SLOW)} for path in modules()}
    assert {where: names for where, names in slow.items() if names} == {}


def test_time_and_entropy_are_asked_for_at_the_doors_only():
    asked = set()
    for path in modules():
        if room(path) not in ("cli", "web", "steps"):
            text = path.read_text(encoding="utf-8")
            asked |= {f"{call} in {place(path)}" for call in DOORS_ONLY if call in text}
    assert asked == set()
