"""A folder of files, and the same as a ZIP that is the same bytes every time: fixed times, order, modes.

Files are bytes, or lie somewhere and are copied piece by piece: a study may hold gigabytes of audio.
"""

import io
import shutil
import zipfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from hashlib import file_digest, sha256
from pathlib import Path
from typing import IO

from blindtest.errors import BlindtestError, Fault
from blindtest.steps.bundle.names import clash_in, fault_in_name

__all__ = ["SUMS", "Content", "sums_text", "write_folder", "write_zip"]

Content = bytes | Path
SUMS = "SHA256SUMS"
_TIME = (1980, 1, 1, 0, 0, 0)
"""The first that a ZIP can hold."""
_MODE = 0o100644 << 16
_UNIX = 3
_PACKED = frozenset({".flac", ".png", ".wav", ".zip", ".mp3", ".ogg"})
"""Endings of what gets no smaller, or takes longer than it is worth."""


def sums_text(files: Mapping[str, Content]) -> bytes:
    """Return SHA256SUMS of files by name, sorted, as `sha256sum -c` reads it.

    Raises
    ------
    BlindtestError
        A name that is not safe on every system, or two that some system takes for one.
    """
    for name in files:
        if fault := fault_in_name(name):
            raise BlindtestError(
                Fault(
                    problem=f"can't go into the evidence bundle: {fault}",
                    file=name,
                    remedy="give the file another name, and name it so in study.toml",
                )
            )
    if clash := clash_in(files):
        one, other = clash
        raise BlindtestError(
            Fault(
                problem=f"can't go into the evidence bundle: some systems take it for {one}",
                file=other,
                remedy="give one of the files another name, and name it so in study.toml",
            )
        )
    return b"".join(f"{_hash(files[name])}  {name}\n".encode() for name in sorted(files))


def _hash(content: Content) -> str:
    if isinstance(content, bytes):
        return sha256(content).hexdigest()
    with content.open("rb") as stream:
        return file_digest(stream, "sha256").hexdigest()


@contextmanager
def _opened(content: Content) -> Iterator[IO[bytes]]:
    if isinstance(content, bytes):
        yield io.BytesIO(content)
    else:
        with content.open("rb") as stream:
            yield stream


def write_folder(files: Mapping[str, Content], folder: Path) -> None:
    """Write files by name into a new folder; OSError as it comes."""
    folder.mkdir()
    for name, content in files.items():
        place = folder.joinpath(*name.split("/"))
        place.parent.mkdir(parents=True, exist_ok=True)
        with _opened(content) as source, place.open("wb") as target:
            shutil.copyfileobj(source, target, 1 << 20)


def write_zip(files: Mapping[str, Content], path: Path) -> None:
    """Write files by name into a ZIP: sorted, no folders, no comment, no field that tells machine or time."""
    with zipfile.ZipFile(path, "w") as archive:
        for name in sorted(files):
            content = files[name]
            entry = zipfile.ZipInfo(name, _TIME)
            entry.create_system = _UNIX
            entry.external_attr = _MODE
            packed = Path(name).suffix.lower() in _PACKED
            entry.compress_type = zipfile.ZIP_STORED if packed else zipfile.ZIP_DEFLATED
            entry.file_size = len(content) if isinstance(content, bytes) else content.stat().st_size
            with _opened(content) as source, archive.open(entry, "w") as target:
                shutil.copyfileobj(source, target, 1 << 20)
