"""The stimuli folder: files named by the hash of their bytes, replaced as a whole, telling nothing.

Which file belongs to which condition stands nowhere in it. The manifest leads from the salted hash of *what went in*
to a file, and by another salted hash to its measured facts, so that neither can be joined to the other, or to the
match table, without computing the hashes from the study itself. All files carry one time stamp, those of a clip have
one size, and they are made, renamed and stamped in the order of hashes. (A file system keeps more than that: what was
added later than the rest can be told from its inode. It says that a file is newer, nothing about a trial.)

New files are first written under provisional names that a journal lists. Then the journal lists the final names, the
files are renamed, and the manifest is replaced: that instant makes the new state the valid one. Whoever comes next
after a crash finds the journal and removes what it names and the manifest doesn't. Nothing else is ever deleted.
"""

import hashlib
import json
import os
import re
from collections.abc import Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from blindtest.errors import BlindtestError, Fault

__all__ = [
    "Making",
    "Manifest",
    "Shelved",
    "kept_to_us",
    "read_manifest",
    "recover",
    "salt_of",
    "sha256_of_file",
    "whole_files",
    "write_durably",
]

MANIFEST_NAME = "manifest.json"
JOURNAL_NAME = "making.json"
FORMAT = 1
TIME_STAMP_S = 946_684_800
"""2000-01-01T00:00:00Z, of every stimulus."""
_OWN_NAME = re.compile(r"[0-9a-f]{32}\.(wav|part)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Shelved:
    """A stimulus that is there: its file, the SHA-256 of its bytes, and what was measured."""

    file: str
    sha256: str
    facts: Mapping[str, object]


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """What the folder holds, by salted hashes."""

    salt: str = ""
    files: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    """Hash to (file name, SHA-256 of its bytes)."""
    facts: Mapping[str, Mapping[str, object]] = field(default_factory=dict)

    def find(self, key: str) -> Shelved | None:
        """Return the stimulus made from what `key` is the hash of, or None."""
        file = self.files.get(_mark(self.salt, "file", key))
        facts = self.facts.get(_mark(self.salt, "facts", key))
        if file is None or facts is None:
            return None
        return Shelved(file=file[0], sha256=file[1], facts=facts)

    @property
    def names(self) -> set[str]:
        """Names of the stimuli."""
        return {name for name, _ in self.files.values()}


def _mark(salt: str, purpose: str, key: str) -> str:
    return hashlib.sha256(f"{salt}\0{purpose}\0{key}".encode()).hexdigest()


def salt_of(keys: Iterable[str]) -> str:
    """Return the salt of a folder: it follows from everything in it, and so not from any one stimulus."""
    return hashlib.sha256("\0".join(("blindtest stimuli", *sorted(set(keys)))).encode()).hexdigest()


def sha256_of_file(path: Path) -> str:
    """Return the SHA-256 (hex) of a file's bytes; OSError as it comes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def read_manifest(folder: Path) -> Manifest:
    """Return the manifest of `folder`; an empty one if there is none.

    Raises
    ------
    BlindtestError
        It can't be read, or is not what was written here.
    """
    path = folder / MANIFEST_NAME
    try:
        text = path.read_bytes()
    except FileNotFoundError:
        return Manifest()
    except OSError as reason:
        raise BlindtestError(Fault(file=str(path), problem=f"can't be read ({reason.strerror})")) from reason
    try:
        table = json.loads(text)
        if table["format"] != FORMAT:
            raise ValueError(f"format {table['format']!r}, this version reads {FORMAT}")
        files = {mark: (_own(entry["file"]), str(entry["sha256"])) for mark, entry in table["files"].items()}
        facts = {mark: dict(entry) for mark, entry in table["facts"].items()}
        return Manifest(salt=str(table["salt"]), files=files, facts=facts)
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as reason:
        raise BlindtestError(
            Fault(
                file=str(path),
                problem=f"not what a rendering wrote ({reason})",
                remedy="move it away and render again: the stimuli are made anew, byte for byte as before",
            )
        ) from reason


def _own(name: object) -> str:
    if not isinstance(name, str) or not _OWN_NAME.fullmatch(name):
        raise ValueError(f"{name!r} is no name of ours")
    return name


def recover(folder: Path) -> None:
    """Remove what a rendering that was cut off has left: what its journal names and the manifest doesn't."""
    journal = folder / JOURNAL_NAME
    try:
        table = json.loads(journal.read_bytes())
        names = {_own(name) for name in table["names"]}
    except FileNotFoundError:
        return
    except (ValueError, TypeError, KeyError, RecursionError):
        names = set()  # the journal is replaced in one piece: whatever this is, it names nothing of ours
    for name in sorted(names - read_manifest(folder).names):
        (folder / name).unlink(missing_ok=True)
    journal.unlink(missing_ok=True)


def write_durably(path: Path, data: bytes) -> None:
    """Replace `path` by `data`: written beside it, synced, renamed."""
    part = path.with_name(path.name + ".part")
    with part.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)
    _sync_folder(path.parent)


def _sync_folder(folder: Path) -> None:
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def kept_to_us(folder: Path, *, waiting: bool) -> Iterator[bool]:
    """Keep `folder` from other programs that ask likewise; yield whether it is ours.

    waiting : wait until the other program is done

    The system lets go of it with the process, by whatever way that ends, and nothing is written. Where a folder can't
    be locked (not POSIX, some network disks) it is taken as ours: then two programs at once are not told apart.
    """
    if os.name != "posix":
        yield True
        return
    import fcntl

    handle = os.open(folder, os.O_RDONLY)
    try:
        ours = True
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | (0 if waiting else fcntl.LOCK_NB))
        except BlockingIOError:
            ours = False
        except OSError:
            pass
        yield ours
    finally:
        os.close(handle)


class Making:
    """A rendering under way: files put in provisionally, then all made valid at once, or none.

    Used as a context: left without `commit`, by whatever way, it removes what it has put in.
    """

    def __init__(self, folder: Path, keys: Iterable[str], salt: str) -> None:
        self._folder = folder
        self._salt = salt
        self._parts = {key: _mark(salt, "part", key)[:32] + ".part" for key in keys}
        self._names: dict[str, str] = {}
        self._held = ExitStack()

    def __enter__(self) -> "Making":
        self._folder.mkdir(parents=True, exist_ok=True)
        with ExitStack() as held:
            # What another program has put in provisionally would be cleared away here, under its hands.
            if not held.enter_context(kept_to_us(self._folder, waiting=False)):
                raise BlindtestError(
                    Fault(
                        problem="another program renders into this folder just now",
                        file=str(self._folder),
                        remedy="wait until it is done, then render again",
                    )
                )
            recover(self._folder)
            self._journal(self._parts.values())
            self._held = held.pop_all()
        return self

    def __exit__(self, *reason: object) -> None:
        with self._held:
            recover(self._folder)

    def put(self, key: str, data: bytes) -> str:
        """Store the bytes made from `key`; return their SHA-256 (hex). May be called from several threads."""
        sha256 = hashlib.sha256(data).hexdigest()
        part = self._folder / self._parts[key]
        with part.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        self._names[key] = sha256
        return sha256

    def place(self, key: str) -> Path:
        """Return where the file made from `key` is to be written by whoever streams it."""
        return self._folder / self._parts[key]

    def took(self, key: str, sha256: str) -> None:
        """Say that the file of `key` lies at its place, synced, and the SHA-256 (hex) of its bytes."""
        self._names[key] = sha256

    def commit(self, stimuli: Mapping[str, Shelved], documents: Mapping[str, str]) -> None:
        """Make `stimuli` (by key; old and new) what the folder holds, with `documents` (name to text) beside them."""
        old = read_manifest(self._folder).names
        new = {shelved.file for shelved in stimuli.values()}
        self._journal({*self._parts.values(), *old, *new})
        finals = sorted((name_of(sha256), self._parts[key]) for key, sha256 in self._names.items())
        for final, part in finals:
            (self._folder / part).replace(self._folder / final)
        for name in sorted(new):
            os.utime(self._folder / name, (TIME_STAMP_S, TIME_STAMP_S))
        for name, text in documents.items():
            write_durably(self._folder / name, text.encode("utf-8"))
        marked = {
            "format": FORMAT,
            "salt": self._salt,
            "files": {
                _mark(self._salt, "file", key): {"file": shelved.file, "sha256": shelved.sha256}
                for key, shelved in stimuli.items()
            },
            "facts": {_mark(self._salt, "facts", key): dict(shelved.facts) for key, shelved in stimuli.items()},
        }
        text = json.dumps(marked, sort_keys=True, indent=1, allow_nan=False) + "\n"
        write_durably(self._folder / MANIFEST_NAME, text.encode("utf-8"))

    def _journal(self, names: Iterable[str]) -> None:
        text = json.dumps({"names": sorted(names)}, indent=1) + "\n"
        write_durably(self._folder / JOURNAL_NAME, text.encode("utf-8"))


def name_of(sha256: str) -> str:
    """Return the file name of bytes with this SHA-256 (hex)."""
    return sha256[:32] + ".wav"


def whole_files(folder: Path, stimuli: Iterable[Shelved]) -> set[str]:
    """Return the names of files whose bytes are what was written."""

    def whole(name: str, sha256: str) -> bool:
        try:
            return sha256_of_file(folder / name) == sha256
        except OSError:
            return False

    return {name for name, sha256 in {(one.file, one.sha256) for one in stimuli} if whole(name, sha256)}
