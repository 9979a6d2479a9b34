"""Files that a key of a study file names: one that can't be had is a fault of that key."""

from pathlib import Path

from blindtest.study.findings import Findings
from blindtest.study.paths import PathTrouble, file_at, matching

__all__ = ["check_named_file", "check_pattern", "is_there"]


def check_named_file(
    name: str, path: tuple[str | int, ...], folder: Path, found: Findings, *, anywhere: bool = False
) -> bool:
    """Complain at the key `path` unless a study in `folder` has the file `name`; return whether it has it."""
    try:
        file_at(folder, name, anywhere=anywhere)
    except PathTrouble as trouble:
        _complain(trouble, name, path, found)
        return False
    return True


def check_pattern(pattern: str, path: tuple[str | int, ...], folder: Path, found: Findings) -> list[str]:
    """Return the files that `pattern` means, relative to `folder`; complain at the key `path` where it means none."""
    try:
        return matching(folder, pattern)
    except PathTrouble as trouble:
        _complain(trouble, pattern, path, found)
        return []


def is_there(folder: Path, name: str) -> bool:
    """Return whether a study in `folder` has the file `name`, without a complaint."""
    try:
        file_at(folder, name)
    except PathTrouble:
        return False
    return True


def _complain(trouble: PathTrouble, got: str, path: tuple[str | int, ...], found: Findings) -> None:
    found.fault(path, trouble.problem, got=got, allowed=trouble.allowed, remedy=trouble.remedy)
