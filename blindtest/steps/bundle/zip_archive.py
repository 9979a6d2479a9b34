"""A ZIP that came from somebody else: looked through before anything is unpacked, and unpacked within limits.

Taken are files, stored or deflated, one after the other from the first byte to the directory, each said alike in
its own header and in the directory (PKWARE's APPNOTE 6.3.10, sections 4.3 to 4.5). Whatever could be read in two ways
(overlapping entries, gaps, a second directory, other names in the headers) is refused, as are links, devices, encrypted
and split archives. What is unpacked is counted while it is unpacked: headers may claim anything.
"""

import io
import stat
import struct
import zipfile
import zlib
from pathlib import Path
from typing import BinaryIO

from blindtest.errors import BlindtestError, Fault
from blindtest.steps.bundle.limits import Limits
from blindtest.steps.bundle.names import clash_in, fault_in_name

__all__ = ["unpack_zip"]

_END = struct.Struct("<4s4H2LH")
_LOCAL = struct.Struct("<4s5H3L2H")
_ENCRYPTED = 0x1 | 0x40 | 0x2000
_DESCRIPTOR = 0x8
_KNOWN_FLAGS = 0x6 | _DESCRIPTOR | 0x800
"""Speed of deflating, sizes after the data, names in UTF-8."""
_CHUNK = 1 << 20
_DIRECTORY_BYTES = 64 << 20


def unpack_zip(path: Path, target: Path, limits: Limits) -> tuple[str, ...]:
    """Unpack a ZIP into the empty folder `target` and return the names of its files.

    Raises
    ------
    BlindtestError
        It isn't a ZIP that can be taken in; nothing was written outside `target`.
    """
    try:
        with path.open("rb") as file:
            entries = _looked_through(file, path, limits)
            _unpack(file, entries, target, path, limits)
    except OSError as error:
        raise BlindtestError(Fault(problem=f"can't be unpacked ({error.strerror or error})", file=str(path))) from None
    return tuple(entry.orig_filename for entry in entries if not _is_folder(entry))


class _Refused(Exception):
    """What is wrong with the archive."""


def _looked_through(file: BinaryIO, path: Path, limits: Limits) -> list[zipfile.ZipInfo]:
    """Return the entries in the order of their places; nothing has been unpacked yet."""
    try:
        start = _check_end(file, limits)
        with zipfile.ZipFile(file) as archive:
            entries = sorted(archive.infolist(), key=lambda entry: entry.header_offset)
        for entry in entries:
            if fault := _fault_in_entry(entry):
                raise _Refused(f"{fault}: {entry.orig_filename[:80]!r}")
        if clash := clash_in(entry.orig_filename for entry in entries if not _is_folder(entry)):
            raise _Refused(f"two entries that are one name where case is not told apart: {clash[0]!r}, {clash[1]!r}")
        _check_places(file, entries, start)
    except _Refused as reason:
        raise BlindtestError(_fault(path, str(reason))) from None
    except (zipfile.BadZipFile, NotImplementedError, ValueError, struct.error, EOFError, OverflowError) as reason:
        # The library's own words for what it can't read; it never shows what is inside.
        raise BlindtestError(_fault(path, f"no ZIP that can be read: {_one_line(reason)}")) from None
    return entries


def _check_end(file: BinaryIO, limits: Limits) -> int:
    """Return where the directory begins; it and its end are the last bytes of the file."""
    size = file.seek(0, io.SEEK_END)
    if size < _END.size:
        raise _Refused("no ZIP: too short")
    file.seek(size - _END.size)
    mark, disk, first_disk, here, count, length, start, comment = _END.unpack(file.read(_END.size))
    if mark != b"PK\5\6" or comment:
        raise _Refused("no ZIP, or one with bytes behind its end")
    if disk or first_disk or here != count:
        raise _Refused("a ZIP in several parts")
    if count == 0xFFFF or start == 0xFFFFFFFF:
        raise _Refused("a ZIP of more than 4 GiB or 65,534 files: unpack it, and name the folder")
    if count > limits.files:
        raise _Refused(f"{count} files, more than {limits.files}")
    if length > _DIRECTORY_BYTES or start + length != size - _END.size:
        raise _Refused("a ZIP whose directory is not where its end says")
    return int(start)


def _fault_in_entry(entry: zipfile.ZipInfo) -> str:
    kind = stat.S_IFMT(entry.external_attr >> 16)
    if entry.flag_bits & _ENCRYPTED:
        return "an encrypted entry"
    if kind == stat.S_IFLNK:
        return "a link"
    if kind not in (0, stat.S_IFREG, stat.S_IFDIR) or (kind == stat.S_IFDIR) > _is_folder(entry):
        return "a device or other special file"
    if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        return "an entry that is neither stored nor deflated"
    if entry.flag_bits & ~_KNOWN_FLAGS:
        return "an entry with flags that are not known"
    if entry.comment or entry.volume or entry.reserved:
        return "an entry with a remark, or in another part"
    if entry.compress_type == zipfile.ZIP_STORED and entry.file_size != entry.compress_size:
        return "a stored entry with two sizes"
    if _is_folder(entry) and entry.file_size:
        return "a folder that holds bytes"
    return fault_in_name(entry.orig_filename.removesuffix("/"))


def _is_folder(entry: zipfile.ZipInfo) -> bool:
    """Return whether this is an entry for a folder, which other packers write; it is looked at and left out."""
    return entry.orig_filename.endswith("/")


def _check_places(file: BinaryIO, entries: list[zipfile.ZipInfo], directory: int) -> None:
    """Refuse entries that overlap, leave gaps, or say something else in their own header than in the directory."""
    expected = 0
    for entry in entries:
        if entry.header_offset != expected:
            raise _Refused(f"bytes that belong to no entry, or to two: before {entry.orig_filename[:80]!r}")
        file.seek(expected)
        head = file.read(_LOCAL.size)
        mark, needed, flags, method, time, date, crc, packed, size, name_length, extra = _LOCAL.unpack(head)
        name = file.read(name_length)
        if mark != b"PK\3\4" or (needed, flags, method) != (
            entry.extract_version,
            entry.flag_bits,
            entry.compress_type,
        ):
            raise _Refused(f"two headers that differ: {entry.orig_filename[:80]!r}")
        later = bool(flags & _DESCRIPTOR)
        said = (crc, packed, size)
        if said != (entry.CRC, entry.compress_size, entry.file_size) and not (later and said == (0, 0, 0)):
            raise _Refused(f"two headers that differ: {entry.orig_filename[:80]!r}")
        encoding = "utf-8" if flags & 0x800 else "cp437"
        if name.decode(encoding) != entry.orig_filename or _stamp(time, date) != entry.date_time:
            raise _Refused(f"two headers that differ: {entry.orig_filename[:80]!r}")
        expected += _LOCAL.size + name_length + extra + entry.compress_size
        if later:
            expected += _descriptor_length(file, expected, entry)
        if expected > directory:
            raise _Refused(f"an entry that runs into the directory: {entry.orig_filename[:80]!r}")
    if expected != directory:
        raise _Refused("bytes that belong to no entry, before the directory")


def _descriptor_length(file: BinaryIO, place: int, entry: zipfile.ZipInfo) -> int:
    file.seek(place)
    following = file.read(16)
    facts = struct.pack("<3L", entry.CRC, entry.compress_size, entry.file_size)
    if following == b"PK\7\10" + facts:
        return 16
    if following[:12] == facts:
        return 12
    raise _Refused(f"sizes behind an entry that differ from the directory: {entry.orig_filename[:80]!r}")


def _stamp(time: int, date: int) -> tuple[int, ...]:
    return ((date >> 9) + 1980, date >> 5 & 15, date & 31, time >> 11, time >> 5 & 63, (time & 31) * 2)


def _unpack(file: BinaryIO, entries: list[zipfile.ZipInfo], target: Path, path: Path, limits: Limits) -> None:
    packed = file.seek(0, io.SEEK_END)
    allowed = min(limits.total_bytes, max(limits.free_bytes, packed * limits.ratio))
    total = 0
    for entry in entries:
        if _is_folder(entry):
            continue
        room = min(limits.file_bytes, allowed - total)
        place = target.joinpath(*entry.orig_filename.split("/"))
        place.parent.mkdir(parents=True, exist_ok=True)
        # Never onto something that is there: then two names were one after all.
        with place.open("xb") as out:
            total += _unpack_one(file, entry, out, room, path)


def _unpack_one(file: BinaryIO, entry: zipfile.ZipInfo, out: BinaryIO, room: int, path: Path) -> int:
    name = entry.orig_filename[:80]
    file.seek(entry.header_offset)
    head = _LOCAL.unpack(file.read(_LOCAL.size))
    file.seek(head[-2] + head[-1], io.SEEK_CUR)
    inflate = zlib.decompressobj(-zlib.MAX_WBITS) if entry.compress_type == zipfile.ZIP_DEFLATED else None
    left, written, crc = entry.compress_size, 0, 0
    waiting = b""
    while left or waiting:
        if not waiting:
            waiting = file.read(min(_CHUNK, left))
            if not waiting:
                raise BlindtestError(_fault(path, f"an entry that is cut off: {name!r}"))
            left -= len(waiting)
        try:
            piece, waiting = _piece(inflate, waiting)
        except zlib.error:
            raise BlindtestError(_fault(path, f"an entry that can't be inflated: {name!r}")) from None
        written += len(piece)
        if written > room or written > entry.file_size:
            problem = "unpacks to more than a bundle holds" if written > room else "unpacks to more than it says"
            raise BlindtestError(_fault(path, f"an entry that {problem}: {name!r}"))
        crc = zlib.crc32(piece, crc)
        out.write(piece)
        if inflate is not None and inflate.eof and (waiting or left):
            raise BlindtestError(_fault(path, f"an entry with bytes behind its end: {name!r}"))
    if written != entry.file_size or crc != entry.CRC or (inflate is not None and not inflate.eof):
        raise BlindtestError(_fault(path, f"an entry that is not what it says (length or checksum): {name!r}"))
    return written


def _piece(inflate: "zlib._Decompress | None", waiting: bytes) -> tuple[bytes, bytes]:
    """Return at most a chunk of what comes out, and what is still to be taken in."""
    if inflate is None:
        return waiting, b""
    piece = inflate.decompress(waiting, _CHUNK)
    return piece, inflate.unconsumed_tail or inflate.unused_data


def _fault(path: Path, problem: str) -> Fault:
    return Fault(problem=problem, file=str(path), remedy="nothing was kept of it")


def _one_line(reason: Exception) -> str:
    return " ".join(str(reason).split())[:120]
