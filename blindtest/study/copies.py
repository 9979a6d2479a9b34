"""The same thing under two names: a table that was copied and not changed, a file that lies in two folders.

Notes, no faults: somebody may want a device held against itself. Whoever does not would read "negligible" of two
devices of which one was measured.
"""

from collections.abc import Mapping
from hashlib import sha256
from pathlib import Path
from typing import Any

from blindtest.study.entries import entries
from blindtest.study.findings import Findings
from blindtest.study.paths import PathTrouble, matching

__all__ = ["note_copies"]


def note_copies(data: Mapping[str, Any], folder: Path, found: Findings) -> None:
    """Note units that share a measurement or a name, and clips that share an excerpt."""
    tables = dict(data)
    _measurements(tables, folder, found)
    _names(tables, found)
    _excerpts(tables, found)


def _measurements(data: dict[str, Any], folder: Path, found: Findings) -> None:
    """One note for each pair of units: how many files of the later hold what a file of the earlier holds."""
    held: dict[bytes, tuple[str, str]] = {}
    for index, unit in entries(data, "unit"):
        own: dict[str, bytes] = {}
        for key in ("responses", "left", "right", "impulse_responses"):
            for pattern in unit.get(key, ()):
                try:
                    names = matching(folder, pattern)
                    own |= {name: sha256((folder / name).read_bytes()).digest() for name in names}
                except (PathTrouble, OSError):
                    continue
        shared: dict[str, list[tuple[str, str]]] = {}
        for name, digest in own.items():
            if digest in held:
                other, where = held[digest]
                shared.setdefault(other, []).append((name, where))
        for other, pairs in shared.items():
            name, where = pairs[0]
            whose = f"that of unit {other}" if name == where else f"{where} of unit {other}, byte for byte"
            more = f", and so for {len(pairs) - 1} more" if len(pairs) > 1 else ""
            found.note(("unit", index), f"{name} is {whose}{more}: is one measurement under two names meant?")
        for name, digest in own.items():
            held.setdefault(digest, (str(unit.get("id", index + 1)), name))


def _names(data: dict[str, Any], found: Findings) -> None:
    first: dict[tuple[object, ...], object] = {}
    for index, unit in entries(data, "unit"):
        told = tuple(unit.get(key) for key in ("name", "serial_suffix", "revision"))
        if not unit.get("name"):
            continue
        if told in first:
            found.note(
                ("unit", index, "name"),
                f"the same name as unit {first[told]}: no reader of the report can tell the two apart",
            )
        first.setdefault(told, unit.get("id", index + 1))


def _excerpts(data: dict[str, Any], found: Findings) -> None:
    first: dict[tuple[object, ...], object] = {}
    for index, clip in entries(data, "clip"):
        excerpt = (clip.get("file"), float(clip.get("in_s", 0.0)), clip.get("out_s"))
        if not clip.get("file"):
            continue
        if excerpt in first:
            found.note(
                ("clip", index, "file"),
                f"the same excerpt as clip {first[excerpt]}: one piece of music counts as two in the statistics",
            )
        first.setdefault(excerpt, clip.get("id", index + 1))
