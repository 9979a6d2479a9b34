"""Which state of blindtest's own source computed something: a hash over its files, beside the version's number.

A version stays the same while its source is worked on. Two states of it may word or spell something otherwise, so what
a bundle holds byte for byte can be asked of the state alone that made it.
"""

from collections.abc import Iterator
from functools import cache
from hashlib import sha256
from importlib.resources import files
from importlib.resources.abc import Traversable

__all__ = ["SOURCE", "source_sha256", "source_text"]

SOURCE = "blindtest source"
"""Under which it stands among versions."""
_APART = frozenset({"demo_stimuli", "guide", "protocols"})
"""Folders of the package that hold pages and material: no source. An installed package has all of them inside, a
checkout has not."""


def source_text(package: Traversable) -> str:
    """Return a line for each source file of a package, as `sha256sum` writes them: hash, two blanks, name.

    Sorted by the bytes of the names, which are relative to the package. What Python or an editor leaves there (compiled
    files, names that begin with a dot or end with a tilde) is not among them.
    """
    found = sorted(_files_in(package, ""), key=lambda one: one[0].encode())
    return "".join(f"{sha256(file.read_bytes()).hexdigest()}  {name}\n" for name, file in found)


def _files_in(folder: Traversable, before: str) -> Iterator[tuple[str, Traversable]]:
    for one in folder.iterdir():
        name = one.name
        if name.startswith(".") or name.endswith(("~", ".pyc", ".pyo")) or name == "__pycache__":
            continue
        if one.is_dir():
            if before or name not in _APART:
                yield from _files_in(one, f"{before}{name}/")
        else:
            yield f"{before}{name}", one


@cache
def source_sha256() -> str:
    """Return the SHA-256 (hex) of `source_text` of the package that runs here; computed once."""
    return sha256(source_text(files("blindtest")).encode()).hexdigest()
