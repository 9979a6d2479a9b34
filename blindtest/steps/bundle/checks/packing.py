"""The ZIP itself against how `blindtest report` packs the same files: what differs in few places was changed there."""

import zipfile
from collections.abc import Mapping
from pathlib import Path

from blindtest.steps.bundle.opening import OpenedBundle
from blindtest.steps.evidence import write_zip
from blindtest.steps.verification import Finding

__all__ = ["check_packing"]

FEW = 3
"""Entries that another compressor makes of many can't be this few."""
WHAT = "the ZIP against these files packed again"
_HEAD = 30
Entry = tuple[tuple[object, ...], bytes]


def check_packing(bundle: OpenedBundle, place: Path) -> Finding | str:
    """Pack the files of `bundle`, given as a ZIP, again at `place` and compare entry by entry.

    A ZIP that another program packed holds the same bundle, and that is said. One that blindtest packed and that
    differs in single entries, or in what no entry holds, was edited, though the files came out the same.
    """
    names = bundle.names
    write_zip({name: bundle.path(name) for name in names}, place)
    if place.read_bytes() == bundle.given.read_bytes():
        return Finding(ok=True, what=WHAT, detail="byte for byte the same")
    ours, theirs = _entries(place), _entries(bundle.given)
    if ours.keys() != theirs.keys():
        return "the ZIP was packed by another program than blindtest; the files in it are what counts"
    heads = [name for name in names if ours[name][0] != theirs[name][0]]
    bodies = [name for name in names if name not in heads and ours[name][1] != theirs[name][1]]
    if len(heads) == len(names):
        return "the ZIP was packed by another program than blindtest; the files in it are what counts"
    if not heads and len(bodies) > FEW:
        return "the ZIP was packed with another version of the compressor; the files in it are what counts"
    wrong = ", ".join([*heads, *bodies][:5]) or "its directory or its end"
    return Finding(ok=False, what=WHAT, detail=f"packed otherwise than the rest: {wrong}")


def _entries(path: Path) -> Mapping[str, Entry]:
    """Return what the directory says of each entry, and its bytes as they are packed, by name."""
    found: dict[str, Entry] = {}
    with zipfile.ZipFile(path) as archive, path.open("rb") as file:
        for one in archive.infolist():
            file.seek(one.header_offset)
            head = file.read(_HEAD)
            skipped = file.read(int.from_bytes(head[26:28], "little") + int.from_bytes(head[28:30], "little"))
            said = (
                one.date_time, one.create_version, one.create_system, one.extract_version, one.flag_bits,
                one.compress_type, one.internal_attr, one.external_attr, one.extra, one.comment, head[4:14], skipped,
            )  # fmt: skip
            found[one.filename] = (said, file.read(one.compress_size))
    return found
