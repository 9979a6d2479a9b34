"""What this machine lacks for the job, one line each, with the remedy."""

import os
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from blindtest.errors import BlindtestError
from blindtest.steps.storage import look_at_storage

__all__ = ["Looked", "Symptom", "doctor"]

OLDEST_SQLITE = (3, 35, 0)
"""The oldest with the statements that SQLAlchemy's insert-or-ignore with RETURNING needs."""
SLOW_SYNC_S = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Symptom:
    """One thing that was looked at."""

    what: str
    found: str
    fine: bool
    needed: bool = True
    """Whether the job can't be done without it."""
    remedy: str = ""

    def text(self) -> str:
        """Return it in a line."""
        mark = "fine" if self.fine else "MISSING" if self.needed else "not there, not needed"
        return f"{self.what}: {mark}: {self.found}" + (f"; {self.remedy}" if self.remedy and not self.fine else "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """What `blindtest doctor` found."""

    symptoms: tuple[Symptom, ...]

    @property
    def ok(self) -> bool:
        """Whether the whole job can be done here."""
        return all(symptom.fine or not symptom.needed for symptom in self.symptoms)

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "ok": self.ok,
            "symptoms": [
                {name: getattr(symptom, name) for name in Symptom.__dataclass_fields__} for symptom in self.symptoms
            ],
        }

    def text(self) -> str:
        """Return a line for each thing that was looked at."""
        return "\n".join(symptom.text() for symptom in self.symptoms)


def doctor(folder: Path = Path()) -> Looked:
    """Look at what the job needs: Python, audio files, sound device, browser, database, disk and clock."""
    looks: tuple[Callable[[], Symptom], ...] = (
        _python, _audio_files, _sound_device, _browser, _database, lambda: _disk(folder), _clock,
    )  # fmt: skip
    return Looked(symptoms=(*(look() for look in looks), *_study_database(folder)))


def _python() -> Symptom:
    return Symptom(
        what="Python",
        found=sys.version.split()[0],
        fine=sys.version_info >= (3, 11),
        remedy="install Python 3.11 or later",
    )


def _audio_files() -> Symptom:
    try:
        import blindtest.audio as _loads_libsndfile  # noqa: F401

        return Symptom(what="audio files", found="libsndfile: WAV, FLAC, Ogg, MP3", fine=True)
    except OSError as error:
        return Symptom(
            what="audio files",
            found=str(error),
            fine=False,
            remedy="install libsndfile (Debian: apt-get install libsndfile1) and soundfile again",
        )


def _sound_device() -> Symptom:
    from blindtest.session import output_devices, portaudio_fault

    fault = portaudio_fault()
    if fault is None:
        named = ", ".join(output_devices())
        return Symptom(what="sound device library", found=f"PortAudio: {named}", fine=True, needed=False)
    return Symptom(
        what="sound device library",
        found=f"{fault.problem} (the browser plays; nothing else needs it)",
        fine=False,
        needed=False,
        remedy=fault.remedy,
    )


def _browser() -> Symptom:
    import webbrowser

    try:
        name = getattr(webbrowser.get(), "name", "the system's own")
    except webbrowser.Error:
        return Symptom(
            what="browser",
            found="none found",
            fine=False,
            needed=False,
            remedy="listen prints a link: open it in a browser on this machine",
        )
    return Symptom(what="browser", found=str(name), fine=True)


def _database() -> Symptom:
    return Symptom(
        what="database",
        found=f"SQLite {sqlite3.sqlite_version}",
        fine=sqlite3.sqlite_version_info >= OLDEST_SQLITE,
        remedy=f"use a Python with SQLite {'.'.join(map(str, OLDEST_SQLITE))} or later",
    )


def _study_database(folder: Path) -> tuple[Symptom, ...]:
    """Return whether the database that a study file here names can be used; nothing where it names none."""
    path = folder if folder.is_file() else folder / "study.toml"
    if not path.is_file():
        return ()
    try:
        words, faults = look_at_storage(path)
    except BlindtestError:
        # No study file that can be read: `check` says what is wrong with it.
        return ()
    what = "the study's database"
    if faults:
        return (Symptom(what=what, found=faults[0].problem, fine=False, remedy=faults[0].remedy),)
    return (Symptom(what=what, found=words, fine=True),) if words else ()


def _disk(folder: Path) -> Symptom:
    place = folder if folder.is_dir() else Path()
    try:
        with tempfile.NamedTemporaryFile(dir=place, prefix=".blindtest-doctor-") as probe:
            began = time.perf_counter()
            probe.write(b"x" * 4096)
            probe.flush()
            os.fsync(probe.fileno())
            took = time.perf_counter() - began
    except OSError as error:
        return Symptom(
            what="disk",
            found=f"can't write to {place.absolute()}: {error.strerror}",
            fine=False,
            remedy="choose a folder that you may write to, on a disk that is not full",
        )
    if took > SLOW_SYNC_S:
        return Symptom(
            what="disk",
            found=f"a durable write to {place.absolute()} took {took:.2f} s",
            fine=False,
            needed=False,
            remedy="answers will be acknowledged late; keep the study on a local disk",
        )
    return Symptom(what="disk", found=f"a durable write took {1000 * took:.1f} ms", fine=True)


def _clock() -> Symptom:
    now = time.time()
    # The clock of a machine without battery starts in 1970; a seal's time would say nothing.
    sane = 1_750_000_000 < now < 4_000_000_000
    return Symptom(
        what="clock",
        found=time.strftime("%Y-%m-%d %H:%M:%S UTC", time.gmtime(now)),
        fine=sane,
        remedy="set the system's clock: seals and answers carry its time",
    )
