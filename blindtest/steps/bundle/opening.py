"""Opening what a stranger sent: a bundle as a folder or a ZIP, looked through before a byte of it is believed.

A ZIP is unpacked into a private folder that is gone afterwards; a folder is read where it lies and never written to.
Links, devices, names that mean another place, and more than `Limits` allow are refused in one line.
"""

import os
import shutil
import stat
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from blindtest.errors import BlindtestError, Fault
from blindtest.steps.bundle.limits import LIMITS, Limits
from blindtest.steps.bundle.names import clash_in, fault_in_name
from blindtest.steps.bundle.strict_json import read_json, read_json_lines
from blindtest.steps.bundle.zip_archive import unpack_zip

__all__ = ["SUMS", "OpenedBundle", "is_bundle", "opened", "read_json", "read_json_lines"]

SUMS = "SHA256SUMS"
"""Lists every other file of a bundle; its own SHA-256 is the bundle's hash."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenedBundle:
    """A bundle that can be read: every name is safe, every file is a plain one."""

    given: Path
    """As it was named: a folder or a ZIP."""
    root: Path
    """Folder that holds it now."""
    names: tuple[str, ...]
    """Of all files, relative to `root`, '/' between parts; sorted."""
    zipped: bool

    def path(self, name: str) -> Path:
        """Return where the file `name` lies."""
        return self.root.joinpath(*name.split("/"))


def is_bundle(path: Path) -> bool:
    """Return whether `path` is meant as a bundle: a file (no study file), or a folder that lists its files."""
    return (
        (path.is_file() and path.suffix != ".toml")
        or (path / SUMS).is_file()
        or (path / "record" / "chain.jsonl").is_file()
    )


@contextmanager
def opened(path: Path, *, limits: Limits = LIMITS) -> Iterator[OpenedBundle]:
    """Open a bundle, a folder or a ZIP; what was unpacked is removed at the end.

    Raises
    ------
    BlindtestError
        There is none, or it holds what no bundle holds.
    """
    path = Path(path)
    if path.is_dir():
        names = _names_in(path, limits)
        yield OpenedBundle(given=path, root=path, names=names, zipped=False)
        return
    if not path.is_file():
        raise BlindtestError(
            Fault(problem="there is no such folder or ZIP", file=str(path), remedy="name a bundle: blindtest report")
        )
    place = Path(tempfile.mkdtemp(prefix="blindtest-bundle-"))
    try:
        names = unpack_zip(path, place, limits)
        root, names = _without_folder_around(place, names)
        yield OpenedBundle(given=path, root=root, names=tuple(sorted(names)), zipped=True)
    finally:
        shutil.rmtree(place, ignore_errors=True)


def _without_folder_around(place: Path, names: tuple[str, ...]) -> tuple[Path, tuple[str, ...]]:
    """Return root and names of what lies in one folder only: so do archives pack that were made of a folder."""
    first = {name.split("/")[0] for name in names}
    if SUMS in names or len(first) != 1:
        return place, names
    around = first.pop()
    if f"{around}/{SUMS}" not in names:
        return place, names
    return place / around, tuple(name.partition("/")[2] for name in names)


def _names_in(folder: Path, limits: Limits) -> tuple[str, ...]:
    found: list[str] = []
    total = 0
    waiting = [(folder, "")]
    while waiting:
        place, before = waiting.pop()
        for entry in _entries(place):
            name = before + entry.name
            fault = fault_in_name(name)
            if fault:
                raise BlindtestError(_fault(folder, f"{fault}: {name[:80]!r}"))
            facts = _facts(entry, folder)
            if stat.S_ISDIR(facts.st_mode):
                waiting.append((Path(entry.path), name + "/"))
                continue
            if not stat.S_ISREG(facts.st_mode):
                kind = "a link" if stat.S_ISLNK(facts.st_mode) else "a device or other special file"
                raise BlindtestError(_fault(folder, f"{kind}: {name[:80]!r}"))
            found.append(name)
            total += facts.st_size
            if facts.st_size > limits.file_bytes or total > limits.total_bytes or len(found) > limits.files:
                raise BlindtestError(_fault(folder, f"larger than a bundle is: {name[:80]!r}"))
    found.sort()
    if clash := clash_in(found):
        raise BlindtestError(
            _fault(folder, f"two files that are one name where case is not told apart: {clash[0]!r}, {clash[1]!r}")
        )
    return tuple(found)


def _entries(place: Path) -> list["os.DirEntry[str]"]:
    try:
        with os.scandir(place) as entries:
            return sorted(entries, key=lambda entry: entry.name)
    except OSError as error:
        raise BlindtestError(Fault(problem=f"can't be read ({error.strerror})", file=str(place))) from None


def _facts(entry: "os.DirEntry[str]", folder: Path) -> os.stat_result:
    try:
        return entry.stat(follow_symlinks=False)
    except OSError as error:
        raise BlindtestError(_fault(folder, f"can't be read ({error.strerror}): {entry.name[:80]!r}")) from None


def _fault(folder: Path, problem: str) -> Fault:
    return Fault(problem=problem, file=str(folder), remedy="bundles hold plain files only")
