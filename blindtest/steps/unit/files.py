"""A folder of one unit's measurements, as it is: sorted by what its files hold, with what can't be used named."""

import hashlib
import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from blindtest.device import (
    HarmonicLevel,
    Impedance,
    ImpulseResponse,
    Response,
    Taken,
    level_at,
    level_between,
    taken_for,
)
from blindtest.errors import BlindtestError, Fault, Missing

__all__ = ["Curve", "SortedFile", "UnitFiles", "sorted_files"]

MOST_FILES = 500
SEATING_BAND_HZ = (300.0, 3000.0)
"""Over which the levels of seatings are held against each other."""
SHAPE_BAND_HZ = (100.0, 8000.0)
DEAD_DB = 40.0
"""So far under the others a curve is that of a dead channel."""
OTHER_UNIT_DB = 20.0
"""So far from the others a curve is written in another unit of level."""
_ROUNDED = 1e-3
"""Share by which frequencies differ that were written with fewer digits; our rule."""
DOUBTFUL_DB = 6.0
"""So far from the others a seating is asked about: more than reseating does (common practice)."""
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


@dataclass(frozen=True, slots=True, kw_only=True)
class SortedFile:
    """One file, and what became of it."""

    file: str
    """Within the unit's folder."""
    taken_for: str
    """A kind of `device.taking`, or "copy"."""
    why: str
    channels: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Curve:
    """One channel of one seating."""

    file: str
    channel: str
    """left, right, or both where nothing tells."""
    response: Response


@dataclass(slots=True, eq=False, kw_only=True)
class UnitFiles:
    """All of a unit's folder."""

    files: list[SortedFile] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    curves: list[Curve] = field(default_factory=list)
    impulses: list[tuple[str, ImpulseResponse]] = field(default_factory=list)
    harmonics: list[tuple[str, tuple[HarmonicLevel, ...]]] = field(default_factory=list)
    impedances: list[tuple[str, Impedance]] = field(default_factory=list)

    @property
    def empty(self) -> bool:
        """Whether nothing in it can be used."""
        return not (self.curves or self.impulses or self.harmonics or self.impedances)


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
    _refuse_rates(found, folder)
    _note_grids(found, folder)
    _refuse_strangers(found, folder)
    _note_counts(found)
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


def _refused(found: UnitFiles, name: str, fault: Fault) -> None:
    found.faults.append(fault)
    found.files = [
        replace(one, taken_for="refused", why=f"{one.why}; {fault.problem}") if one.file == name else one
        for one in found.files
    ]


def _refuse_rates(found: UnitFiles, folder: Path) -> None:
    """Refuse impulse responses at another rate than most: one resampled beside one that isn't would be told apart."""
    rates = Counter[int]()
    for _, impulse in found.impulses:
        rates[impulse.rate] += len(impulse.channels)
    if len(rates) < 2:
        return
    first = {rate: place for place, rate in reversed(list(enumerate(one.rate for _, one in found.impulses)))}
    kept = max(rates, key=lambda rate: (rates[rate], -first[rate]))
    for name in dict.fromkeys(name for name, one in found.impulses if one.rate != kept):
        rate = next(one.rate for other, one in found.impulses if other == name)
        _refused(
            found,
            name,
            Fault(
                problem="another sample rate than the other impulse responses",
                file=str(folder / name),
                got=f"{rate} Hz",
                allowed=f"{kept} Hz",
                remedy="export all at one rate",
            ),
        )
    found.impulses = [(name, one) for name, one in found.impulses if one.rate == kept]


def _refuse_strangers(found: UnitFiles, folder: Path) -> None:
    """Refuse curves of dead channels and of another unit of level; ask about seatings unlike the others."""
    if len(found.curves) < 2:
        return
    levels = np.array([_mean_level(one.response) for one in found.curves])
    # Of two the louder one is alive; of more the middle is what they agree on, unless half of them are dead.
    middle = float(np.median(levels[levels > levels.max() - DEAD_DB]))
    left: list[Curve] = []
    for curve, level in zip(found.curves, levels, strict=True):
        off = float(level) - middle
        ear = f"the {curve.channel} channel" if curve.channel != "both" else "the curve"
        if off <= -DEAD_DB and len(levels) - np.sum(levels <= middle - DEAD_DB) >= np.sum(levels <= middle - DEAD_DB):
            problem = f"{ear} is dead, or its levels are in another unit"
        elif abs(off) > OTHER_UNIT_DB and len(levels) > 2:
            problem = f"{ear} lies far from the others: levels in another unit, or of another device"
        else:
            left.append(curve)
            if abs(off) > DOUBTFUL_DB and len(levels) > 2:
                found.notes.append(
                    f"{curve.file}: {ear} lies {off:+.1f} dB from the others: measured at another level?"
                )
            continue
        _refused(
            found,
            curve.file,
            Fault(
                problem=problem,
                file=str(folder / curve.file),
                key=curve.channel,
                got=f"{off:+.1f} dB against the others from 300 Hz to 3 kHz",
                remedy="look at cables and inputs, and export every seating in the same unit",
            ),
        )
    found.curves = left
    used = {curve.file: curve.channel for curve in left}
    found.files = [
        replace(one, taken_for="response", why=f"{one.why}; the {used[one.file]} one is used")
        if one.taken_for == "refused" and one.file in used
        else one
        for one in found.files
    ]
    _ask_about_flat(found)
    _ask_about_shapes(found)


def _mean_level(response: Response) -> float:
    return float(level_between(response.frequency, response.magnitude[:, 0], *SEATING_BAND_HZ))


def _ask_about_flat(found: UnitFiles) -> None:
    flat = [curve for curve in found.curves if not np.ptp(curve.response.magnitude)]
    if len(flat) < len(found.curves):
        for curve in flat:
            ear = f"the {curve.channel} channel" if curve.channel != "both" else "the curve"
            found.notes.append(
                f"{curve.file}: {ear} has one level at all frequencies, the others don't: was it measured?"
            )


def _ask_about_shapes(found: UnitFiles) -> None:
    if len(found.curves) < 3:
        return
    grid = np.geomspace(*SHAPE_BAND_HZ, 200)
    shapes = np.stack([level_at(one.response.frequency, one.response.magnitude[:, 0], grid) for one in found.curves])
    shapes -= shapes.mean(axis=1, keepdims=True)
    off = np.sqrt(np.mean((shapes - np.median(shapes, axis=0)) ** 2, axis=1))
    for curve, far in zip(found.curves, off, strict=True):
        if far > DOUBTFUL_DB:
            found.notes.append(
                f"{curve.file}: its shape lies {far:.1f} dB r.m.s. from the others (100 Hz to 8 kHz): is it of "
                "this unit?"
            )


def _note_grids(found: UnitFiles, folder: Path) -> None:
    """Say which seatings are on other frequencies than most, and refuse those that share none with them."""
    grids: list[list[Curve]] = []
    for curve in found.curves:
        own = next((curves for curves in grids if _alike(curves[0].response, curve.response)), None)
        if own is None:
            grids.append([curve])
        else:
            own.append(curve)
    if len(grids) < 2:
        return
    most = max(grids, key=len)
    common = _grid_words(most[0].response)
    for curves in grids:
        if curves is most:
            continue
        theirs = _grid_words(curves[0].response)
        names = list(dict.fromkeys(curve.file for curve in curves))
        if _apart(curves[0].response, most[0].response):
            for name in names:
                _refused(
                    found,
                    name,
                    Fault(
                        problem="shares no range of frequencies with the other seatings",
                        file=str(folder / name),
                        got=theirs,
                        allowed=common,
                        remedy="export every seating over the same range",
                    ),
                )
            found.curves = [curve for curve in found.curves if curve.file not in names]
            continue
        found.notes.append(
            f"{', '.join(names)}: on other frequencies than the other seatings, {theirs} against {common}: all are "
            "read on the finest grid, within what all cover"
        )


def _alike(one: Response, other: Response) -> bool:
    """Whether two seatings were measured at the same frequencies, whatever digits they were written with."""
    return len(one.frequency) == len(other.frequency) and bool(
        np.allclose(one.frequency, other.frequency, rtol=_ROUNDED, atol=0)
    )


def _apart(one: Response, other: Response) -> bool:
    low = max(one.frequency[0], other.frequency[0])
    high = min(one.frequency[-1], other.frequency[-1])
    return bool(low >= high)


def _grid_words(response: Response) -> str:
    low, high = response.frequency[0], response.frequency[-1]
    return f"{len(response.frequency)} points from {low:g} to {high:g} Hz"


def _note_counts(found: UnitFiles) -> None:
    counts = Counter(curve.channel for curve in found.curves)
    if counts["both"] and counts["left"] + counts["right"]:
        names: Sequence[str] = [curve.file for curve in found.curves if curve.channel == "both"]
        found.notes.append(
            f"{', '.join(names)}: nothing says of which ear, though other files do: averaged apart from left and right"
        )
    elif counts["left"] and counts["right"] and counts["left"] != counts["right"]:
        found.notes.append(f"{counts['left']} seatings of the left and {counts['right']} of the right channel")
    if found.curves and found.impulses:
        found.notes.append("the averages are those of the response files; impulse responses are shown apart")
