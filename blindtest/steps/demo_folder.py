"""The demo's folders: laid out from the files that came with the package, and replaced only where the demo made them.

A text file in each folder lists what the demo wrote, with its SHA-256, and once it has ended how many sittings it
held. Whatever is not on the list, or was changed or listened to since, is somebody's: the demo then refuses and leaves
everything as it is. stimuli/ and report/ have lists of their own.
"""

import os
import shutil
import tomllib
from collections.abc import Iterator
from hashlib import file_digest
from importlib.resources import as_file
from pathlib import Path
from typing import Any

from blindtest.errors import BlindtestError, Fault
from blindtest.study import resources

__all__ = ["MADE", "demo_files", "fresh_record", "laid_out", "marked", "measured", "refuse_foreign"]

MADE = "made-by-blindtest-demo.txt"
_FIRST = "blindtest demo made this folder and replaces what is listed here. Everything in it is invented."
_ENDED = "sittings: "
STUDY = "study.toml"
_MEASUREMENTS = "measurements/"
_RECORD = "study.db"
_BEING_WRITTEN = "-" * 64
"""In place of the hash of a file while the demo is at work on it."""
_OTHERS = ("stimuli", "report")
"""Folders with lists of their own."""


def laid_out(folder: Path, study_file: str, *, measured: bool = True) -> None:
    """Copy one of the demo's study files as study.toml, and the files it names. Ask `refuse_foreign` first.

    Stimuli, record and report of an earlier demo stay.

    Parameters
    ----------
    measured : False leaves the measurements out, as before the bench has seen the unit
    """
    with as_file(resources("demo_stimuli")) as source:
        names = demo_files(source, study_file)
        folder.mkdir(parents=True, exist_ok=True)
        listed = [_FIRST, "", *(f"{_BEING_WRITTEN}  {name}" for name in names), ""]
        (folder / MADE).write_text("\n".join(listed), encoding="utf-8")
        for name in names:
            if name.startswith(_MEASUREMENTS) and not measured:
                (folder / name).unlink(missing_ok=True)
                continue
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(source / (study_file if name == STUDY else name), folder / name)


def measured(folder: Path, study_file: str) -> None:
    """Copy the measurements that `laid_out` left out."""
    with as_file(resources("demo_stimuli")) as source:
        for name in demo_files(source, study_file):
            if name.startswith(_MEASUREMENTS):
                (folder / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(source / name, folder / name)


def fresh_record(folder: Path) -> None:
    """Remove the record of an earlier demo."""
    for path in folder.glob(f"{_RECORD}*"):
        path.unlink()


def demo_files(source: Path, study_file: str) -> tuple[str, ...]:
    """Return the files that a study of the demo needs: study.toml, clips, measurements; relative to the folder."""
    data = tomllib.loads((source / study_file).read_text(encoding="utf-8"))
    named = [clip["file"] for clip in data["clip"]]
    named += [pattern for unit in data["unit"] for pattern in unit["responses"]]
    named += list(_targets(data))
    found = {path.relative_to(source).as_posix() for pattern in named for path in source.glob(pattern)}
    return (STUDY, *sorted(found))


def _targets(data: dict[str, Any]) -> Iterator[str]:
    for condition in data["condition"]:
        for stage in condition["stages"]:
            if "correction" in stage:
                yield from (stage["correction"][key] for key in ("target",) if key in stage["correction"])


def marked(folder: Path, *, sittings: int | None = None) -> None:
    """List what the demo made in `folder`, as it lies there now, and how many sittings it held there."""
    names = sorted(
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.is_file() and path.name != MADE and not _has_own_list(path, folder)
    )
    lines = [_FIRST, "", *(f"{_sha256(folder / name)}  {name}" for name in names)]
    lines += [f"{_ENDED}{sittings}"] if sittings is not None else []
    (folder / MADE).write_text("\n".join([*lines, ""]), encoding="utf-8")


def refuse_foreign(folder: Path) -> None:
    """Refuse a folder that holds anything that the demo did not make, or that was changed or heard since.

    Raises
    ------
    BlindtestError
        Names what it is; nothing was touched.
    """
    if folder.exists() and not folder.is_dir():
        raise _not_ours(folder, "this is a file, not a folder that blindtest demo made")
    made, sittings = _read(folder / MADE)
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.is_dir() or name == MADE or _has_own_list(path, folder):
            continue
        if name not in made:
            raise _not_ours(path, "blindtest demo did not make this file")
        if made[name] not in (_BEING_WRITTEN, _sha256(path)):
            raise _not_ours(path, "this file was changed since blindtest demo made it")
    if sittings is not None and _sittings_in(folder / _RECORD) > sittings:
        raise _not_ours(folder / _RECORD, "somebody listened here since blindtest demo made it")


def _has_own_list(path: Path, folder: Path) -> bool:
    """Return whether a file is looked after otherwise: stimuli, report, record, or a folder within that is marked."""
    top = path.relative_to(folder).parts[0]
    return top in _OTHERS or top.startswith(_RECORD) or (folder / top / MADE).is_file()


def _read(marker: Path) -> tuple[dict[str, str], int | None]:
    """Return {file: SHA-256}, and the number of sittings or None where none were held or it was broken off."""
    lines = marker.read_text(encoding="utf-8").splitlines()[2:] if marker.is_file() else []
    ended = [line.removeprefix(_ENDED) for line in lines if line.startswith(_ENDED)]
    made = {line[66:]: line[:64] for line in lines if line and not line.startswith(_ENDED)}
    return made, int(ended[0]) if ended and ended[0].isdecimal() else None


def _sittings_in(record: Path) -> int:
    if not record.is_file():
        return 0
    from blindtest.session.store import Store

    with Store(record, entropy=os.urandom, create=False) as store:
        return len(store.sittings())


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return file_digest(file, "sha256").hexdigest()


def _not_ours(path: Path, problem: str) -> BlindtestError:
    return BlindtestError(Fault(problem=problem, file=str(path), remedy="move it away; nothing was overwritten"))
