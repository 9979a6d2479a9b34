"""No module is imported, by whatever way round, by one that it imports: each can be read without the others in mind."""

import ast
from pathlib import Path

PACKAGE = Path(__file__).parents[2] / "blindtest"


def dotted(path: Path) -> str:
    name = ".".join(("blindtest", *path.relative_to(PACKAGE).with_suffix("").parts))
    return name.removesuffix(".__init__")


def imported(path: Path, modules: set[str]) -> set[str]:
    """Return the modules of ours that a module imports, inside functions and for types too."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            home = dotted(path.parent / "__init__.py") + "." if node.level else ""
            source = (home + (node.module or "")).rstrip(".")
            for alias in node.names:
                whole = f"{source}.{alias.name}"
                found.add(whole if whole in modules else source)
    return (found & modules) - {dotted(path)}


def circle(arrows: dict[str, set[str]]) -> list[str]:
    """Return modules of which each imports the next and the last the first, or []."""
    done: set[str] = set()

    def walk(name: str, way: list[str]) -> list[str]:
        if name in way:
            return way[way.index(name) :]
        if name in done:
            return []
        for further in sorted(arrows[name]):
            if held := walk(further, [*way, name]):
                return held
        done.add(name)
        return []

    return next((held for name in sorted(arrows) if (held := walk(name, []))), [])


def test_a_circle_is_found():
    assert circle({"a": {"b"}, "b": {"c"}, "c": {"b"}, "d": set()}) == ["b", "c"]


def test_imports_run_in_no_circle():
    paths = {dotted(path): path for path in PACKAGE.rglob("*.py")}
    assert circle({name: imported(path, set(paths)) for name, path in paths.items()}) == []
