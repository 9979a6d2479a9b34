"""A folder of one unit's measurements, as it is: sorted by what its files hold, with what can't be used named."""

import hashlib
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from blindtest.device import Response, Taken, taken_for
from blindtest.errors import BlindtestError, Fault, Missing
from blindtest.steps.unit.files import Curve, SortedFile, UnitFiles
from blindtest.steps.unit.seatings import compare_seatings

__all__ = ["sorted_files"]

MOST_FILES = 500
_LEFT = {"left", "l", "lft", "links", "gauche"}
_RIGHT = {"right", "r", "rgt", "rechts", "droite"}
_SET_ASIDE = {
    "target": "its name says that it is a target: give it with --target",
    "calibration": "its name says that it is a calibration of the rig, no seating",
    "cal": "its name says that it is a calibration of the rig, no seating",
    "compensation": "its name says that it is a compensation, no seating",
    "average": "its name says that it is an average: with it every seating would count twice",
    "avg": "its name says that it is an average: with it every seating would count twice",
    "mean": "its name says that it is an average: with it every seating would count twice",
    "noise": "its name says that it holds noise, no response",
}

Progress = Callable[[int, int, str], None]


def sorted_files(folder: Path, *, progress: Progress = lambda done, total, what: None) -> UnitFiles:
    """Return what the files in `folder` and below hold; whatever can't be used is among the faults, never raised.

    Raises
    ------
    BlindtestError
        The folder can't be read, is a study, or holds more than 500 files.
    """
    paths = _paths(folder)
    found = UnitFiles()
    seen: dict[str, str] = {}
    for done, path in enumerate(paths):
        progress(done, len(paths), path.name)
        name = path.relative_to(folder).as_posix()
        try:
            if (aside := _aside_by_name(path)) and path.suffix.casefold() != ".wav":
                found.files.append(SortedFile(file=name, taken_for="left aside", why=aside))
                continue
            digest = hashlib.sha256(path.read_bytes()).hexdigest()
            if digest in seen:
                found.files.append(SortedFile(file=name, taken_for="copy", why=f"the same bytes as {seen[digest]}"))
                continue
            seen[digest] = name
            taken = taken_for(path)
        except Missing as error:
            taken = Taken(kind="refused", why="", faults=error.faults)
        except OSError as error:
            fault = Fault(problem=f"can't be read: {error.strerror}", file=str(path))
            taken = Taken(kind="refused", why="", faults=(fault,))
        _sort_in(found, name, path, taken, folder)
    progress(len(paths), len(paths), "")
    compare_seatings(found, folder)
    return found


def _paths(folder: Path) -> list[Path]:
    if (folder / "study.toml").exists():
        raise BlindtestError(
            Fault(
                problem="this folder is a study",
                file=str(folder),
                remedy="name the folder of one unit's measurements, such as measurements/UNIT in it",
            )
        )
    try:
        found = (path for path in folder.rglob("*") if path.is_file() and not _ours(path, folder))
        # Of two alike the one that is called a copy is the copy.
        paths = sorted(found, key=lambda path: ("copy" in _words(path.stem), path))
    except OSError as error:
        raise BlindtestError(Fault(problem=f"can't be read: {error.strerror}", file=str(folder))) from error
    if len(paths) > MOST_FILES:
        raise BlindtestError(
            Fault(
                problem="too many files for one unit",
                file=str(folder),
                got=len(paths),
                allowed=f"up to {MOST_FILES}",
                remedy="name the folder of one unit",
            )
        )
    return paths


def _ours(path: Path, folder: Path) -> bool:
    """Whether we made the folder it lies in, or it is kept unseen."""
    inner = path.relative_to(folder).parents
    return any((folder / part / ".blindtest-figures").exists() or part.name == "unseen" for part in inner)


def _words(stem: str) -> list[str]:
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", stem)
    return re.findall(r"[^\W\d_]+", spaced.casefold())


def _aside_by_name(path: Path) -> str:
    """Why a file is left aside by its name alone: its numbers would tell nothing of it. Empty: it isn't."""
    if path.name.startswith(".") or path.name.casefold() in ("thumbs.db", "desktop.ini"):
        return "a hidden file of some other program"
    return next((_SET_ASIDE[word] for word in _words(path.stem) if word in _SET_ASIDE), "")


def _side(path: Path, folder: Path) -> tuple[str, str]:
    """Return left, right or both, and why, by the words of the file's name, then of its folders."""
    inner = path.relative_to(folder)
    for part in (inner.stem, *(parent.name for parent in inner.parents)):
        words = set(_words(part))
        left, right = bool(words & _LEFT), bool(words & _RIGHT)
        if left != right:
            side = "left" if left else "right"
            return side, f"{side} by the name {part!r}"
    return "both", "nothing says of which ear"


def _sort_in(found: UnitFiles, name: str, path: Path, taken: Taken, folder: Path) -> None:
    found.faults += taken.faults
    why = taken.why
    channels: tuple[str, ...] = ()
    side, by = _side(path, folder)
    if taken.response is not None:
        response = taken.response
        double = _same_numbers(found, response)
        if double:
            found.files.append(SortedFile(file=name, taken_for="copy", why=f"the same numbers as {double}"))
            return
        if response.channels == ("both",):
            response, why = replace(response, channels=(side,)), f"{why}; {by}"
        channels = response.channels
        found.curves += [
            Curve(file=name, channel=channel, response=_column(response, place))
            for place, channel in enumerate(response.channels)
        ]
    for impulse in taken.impulses:
        one = impulse
        if one.channels == ("both",):
            one = replace(one, channels=(side,))
        channels = one.channels
        found.impulses.append((name, one))
    if taken.impulses:
        count = f", {len(taken.impulses)} of them" if len(taken.impulses) > 1 else ""
        why = f"{why}{count}; {by if len(channels) == 1 else 'left and right'}"
    if taken.harmonics:
        found.harmonics.append((name, taken.harmonics))
    if taken.impedance is not None:
        found.impedances.append((name, taken.impedance))
    kind = "impedance and response" if taken.impedance is not None and taken.response is not None else taken.kind
    found.files.append(SortedFile(file=name, taken_for=kind, why=why, channels=tuple(channels), remarks=taken.remarks))


def _column(response: Response, place: int) -> Response:
    return Response(
        frequency=response.frequency,
        magnitude=response.magnitude[:, place : place + 1],
        phase=None if response.phase is None else response.phase[:, place : place + 1],
        channels=(response.channels[place],),
        sources=response.sources,
    )


def _same_numbers(found: UnitFiles, response: Response) -> str:
    for curve in found.curves:
        own = curve.response
        if np.array_equal(own.frequency, response.frequency) and np.array_equal(
            own.magnitude[:, 0], response.magnitude[:, 0]
        ):
            return curve.file
    return ""
