"""The page's modules: imports go one way, and every file that one asks for is there."""

import re
from graphlib import TopologicalSorter
from pathlib import Path

STATIC = Path(__file__).parents[2] / "blindtest" / "web" / "static"


def imports(path: Path) -> set[str]:
    """Return what a module imports, types in comments apart."""
    return set(re.findall(r'^import (?:[^;]*? from )?"\./([\w.]+)";$', path.read_text(encoding="utf-8"), re.M))


def test_no_module_imports_itself_by_way_of_others():
    asked = {path.name: imports(path) for path in STATIC.glob("*.js")}
    assert asked["listen.js"] >= {"steps.js", "words.js"}, "the pattern finds imports"
    assert {name for names in asked.values() for name in names} <= set(asked)
    # CycleError names the circle.
    assert set(TopologicalSorter(asked).static_order()) == set(asked)
