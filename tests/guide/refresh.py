"""Put what the commands print now into the pages: python tests/guide/refresh.py start.md results.md

Only blocks that no longer agree are changed, so that a change shows as itself. A block with gaps ('...') is left alone
and named: what to show of it is for a person to say. Read the difference before it is committed.
"""

import importlib.util
import sys
import tempfile
from pathlib import Path
from types import ModuleType

HERE = Path(__file__).parent


def _module(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(f"guide_{name}", HERE / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def refresh(page: str, player: object, outputs: ModuleType) -> None:
    """Bring one page up to date."""
    path = outputs.GUIDE / page
    lines = path.read_text(encoding="utf-8").split("\n")
    for mark in reversed([mark for mark in outputs.SHOWN if mark.page == page]):
        made, code = player.made(mark)
        stranger = outputs.first_stranger(outputs.lines_of(mark.block), outputs.lines_of(made))
        if code != mark.exit_code:
            print(f"{mark}: exit code {code}, the mark says {mark.exit_code}: {mark.what}")
        if stranger is not None and "..." in mark.block.split("\n"):
            print(f"{mark}: has gaps, shows: {stranger}\nnow made:\n{made}")
        elif stranger is not None:
            first = mark.line + 1
            lines[first : lines.index("```", first)] = made.strip("\n").split("\n")
            print(f"{mark}: renewed")
    path.write_text("\n".join(lines), encoding="utf-8")


def main() -> None:
    """Refresh the pages named as arguments, or all."""
    scenes, outputs = _module("conftest"), _module("test_outputs")
    pages = sys.argv[1:] or sorted(outputs.MARKS)
    with tempfile.TemporaryDirectory() as place:
        player = outputs.Player(tools=scenes.Tools, root=Path(place))
        for page in pages:
            refresh(page, player, outputs)


if __name__ == "__main__":
    main()
