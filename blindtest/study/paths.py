"""Files that a study names: found, matched, or the likely mistake guessed."""

import glob
import os.path
from collections.abc import Iterator
from pathlib import Path

from blindtest.errors import did_you_mean

__all__ = ["PathTrouble", "file_at", "leaves", "matching"]


class PathTrouble(Exception):
    """Why a path can't be used, and what to do; turned into a fault where the key is known."""

    def __init__(self, problem: str, remedy: str = "", allowed: str = "") -> None:
        super().__init__(problem)
        self.problem, self.remedy, self.allowed = problem, remedy, allowed


def leaves(path: str) -> bool:
    """Return whether a relative path climbs out of its folder, or is absolute."""
    return os.path.isabs(path) or path.startswith("~") or os.path.normpath(path).split(os.sep)[0] == os.pardir


def file_at(folder: Path, path: str, *, anywhere: bool = False) -> Path:
    """Return the file that a study in `folder` names by `path`.

    Raises
    ------
    PathTrouble
        It leaves the folder (unless `anywhere`), or there is no such file.
    """
    _refuse_strange(path, anywhere)
    place = folder / Path(path).expanduser() if anywhere else folder / path
    if _is_file(place):
        return place
    try:
        is_folder = place.is_dir()
    except OSError:
        is_folder = False
    if is_folder:
        raise PathTrouble("is a folder, not a file", "name a file in it")
    if os.path.lexists(place):
        raise _no_file(place)
    raise PathTrouble("there is no such file", _guess(place, folder))


def matching(folder: Path, pattern: str) -> list[str]:
    """Return the files, relative to `folder` and sorted, that a path or a pattern with *, ? or [ ] means.

    Raises
    ------
    PathTrouble
        It leaves the folder, or nothing matches.
    """
    if not glob.has_magic(pattern) or (not leaves(pattern) and _is_file(folder / pattern)):
        file_at(folder, pattern)
        return [pattern]
    _refuse_strange(pattern, False)
    try:
        named = sorted(glob.iglob(pattern, root_dir=folder))
        found = [name for name in named if _is_file(folder / name)]
    except (OSError, ValueError, RecursionError):
        named = found = []
    for name in named:
        # A seating whose link is broken must not be left out in silence.
        if (folder / name).is_symlink() and not os.path.exists(folder / name):
            raise _no_file(folder / name)
    if not found:
        where = os.path.dirname(pattern)
        if where and not glob.has_magic(where) and not _is_dir(folder / where):
            raise PathTrouble(f"there is no folder {where!r}", _guess(folder / pattern, folder))
        raise PathTrouble("matches no file", f"put the files into {where or 'the study folder'}, or mend the pattern")
    return [name.replace(os.sep, "/") for name in found]


def _no_file(place: Path) -> PathTrouble:
    if place.is_symlink() and not os.path.exists(place):
        return PathTrouble(
            f"{place.name!r} is a link that leads nowhere", "mend the link, or put the file itself there"
        )
    return PathTrouble(f"{place.name!r} is no ordinary file", "put a file there")


def _refuse_strange(path: str, anywhere: bool) -> None:
    if "\0" in path or len(path) > 1000:
        raise PathTrouble("this can't be a path")
    if "\\" in path:
        raise PathTrouble("a backslash in a path", "write / between folders")
    if not anywhere and leaves(path):
        raise PathTrouble(
            "the path leaves the study folder",
            "copy the file into the study folder",
            "paths within it; only clips may lie elsewhere",
        )


def _guess(place: Path, folder: Path) -> str:
    """Return the likeliest remedy: a mistake of case, a near name, or where to put the file."""
    for ancestor in (place, *place.parents):
        if _is_dir(ancestor.parent):
            names = list(_names(ancestor.parent))
            same = [name for name in names if name.casefold() == ancestor.name.casefold()]
            if same:
                return f"did you mean {same[0]!r}? Upper and lower case differ"
            if near := did_you_mean(ancestor.name, names):
                return near
            if ancestor != place:
                return f"make the folder {_shown(ancestor, folder)} and put it there"
            return f"put it into {_shown(ancestor.parent, folder)}"
    return ""


def _shown(place: Path, folder: Path) -> str:
    try:
        inner = place.relative_to(folder).as_posix()
    except ValueError:
        return str(place)
    return "the study folder" if inner == "." else inner + "/"


def _names(place: Path) -> Iterator[str]:
    try:
        with os.scandir(place) as entries:
            for number, entry in enumerate(entries):
                if number == 2000:  # more would make a guess slow, and no better
                    return
                yield entry.name
    except OSError:
        return


def _is_file(place: Path) -> bool:
    try:
        return place.is_file()
    except (OSError, ValueError):
        return False


def _is_dir(place: Path) -> bool:
    try:
        return place.is_dir()
    except (OSError, ValueError):
        return False
