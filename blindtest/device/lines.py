"""From a file's bytes to its lines of text, or a refusal that says what the file is instead."""

import codecs
import re
from pathlib import Path

from blindtest.errors import BlindtestError, Fault

__all__ = ["LARGEST_FILE", "MOST_LINES", "lines_of", "read_bytes", "refused"]

LARGEST_FILE = 16 * 2**20
"""Bytes; a response of a million points is smaller."""
MOST_LINES = 140_000
"""More than the bins of a transform of 2**18 points."""
LONGEST_LINE = 20_000

EXPORT = "export the response as text: a row per frequency, with frequency in Hz and level in dB"

_SIGNATURES: tuple[tuple[bytes, str], ...] = (
    (b"RIFF", "an audio file (RIFF)"),
    (b"RF64", "an audio file (RF64)"),
    (b"FORM", "an audio file (AIFF)"),
    (b"fLaC", "an audio file (FLAC)"),
    (b"OggS", "an audio file (Ogg)"),
    (b"ID3", "an audio file (MP3)"),
    (b"caff", "an audio file (CAF)"),
    (b"PK\x03\x04", "a zip archive or spreadsheet"),
    (b"\xd0\xcf\x11\xe0", "a spreadsheet or document"),
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a picture (PNG)"),
    (b"\xff\xd8\xff", "a picture (JPEG)"),
    (b"GIF8", "a picture (GIF)"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"SQLite format 3", "a database"),
    (b"\x7fELF", "a program"),
)

_BOMS: tuple[tuple[bytes, str, str], ...] = (
    (codecs.BOM_UTF8, "utf-8", ""),
    (codecs.BOM_UTF32_LE, "utf-32-le", "read as UTF-32"),
    (codecs.BOM_UTF32_BE, "utf-32-be", "read as UTF-32"),
    (codecs.BOM_UTF16_LE, "utf-16-le", "read as UTF-16"),
    (codecs.BOM_UTF16_BE, "utf-16-be", "read as UTF-16"),
)

_CONTROL = re.compile(r"[\x00-\x08\x0e-\x1f\x7f]")
_MARKUP = re.compile(r"\s*<[?!a-zA-Z/]")
_JSON = re.compile(r'\s*(?:\{|\[\s*[\[{"\d-])')
_MINUS = {ord(sign): "-" for sign in "\u2212\u2013\u2012\ufe63\uff0d"}


def refused(
    problem: str, *, line: int | None = None, key: str = "", got: object = None, allowed: str = "", remedy: str = ""
) -> BlindtestError:
    """Return the error for one fault in the file that is being read."""
    return BlindtestError(Fault(problem=problem, line=line, key=key, got=got, allowed=allowed, remedy=remedy))


def read_bytes(path: Path) -> bytes:
    """Return the file's bytes, refusing what is no ordinary file of a sensible size."""
    try:
        if not path.exists():
            raise refused("there is no such file", remedy="check the name and the folder")
        if not path.is_file():
            raise refused("this is not a file", remedy="name the response file itself")
        size = path.stat().st_size
        if size > LARGEST_FILE:
            raise refused(
                "too large for a response", got=f"{size} bytes", allowed=f"up to {LARGEST_FILE} bytes", remedy=EXPORT
            )
        return path.read_bytes()
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise refused(f"can't be read: {reason}", remedy="check the file and its permissions") from None


def lines_of(data: bytes) -> tuple[list[str], list[str]]:
    """Return the lines of `data` without their ends, and remarks on how it was decoded.

    UTF-8, UTF-16 and UTF-32 by their byte order mark, UTF-16 also without one, UTF-8 by its form, else Latin-1. Lines
    end with LF, CRLF or CR. Unicode minus signs become "-".
    """
    if not data.strip(b"\x00 \t\r\n\x1a"):
        raise refused("the file is empty", remedy=EXPORT)
    for signature, kind in _SIGNATURES:
        if data.startswith(signature):
            raise refused(f"this is {kind}, not a table of frequency and level", line=1, remedy=EXPORT)
    text, remarks = _decoded(data)
    if "\r" in text:
        text = text.replace("\r\r\n", "\n").replace("\r\n", "\n").replace("\r", "\n")
    text = text.rstrip("\x1a\x00")
    if not text.strip():
        raise refused("the file is empty", remedy=EXPORT)
    control = _CONTROL.search(text)
    if control:
        raise refused(
            "binary data, not text",
            line=text.count("\n", 0, control.start()) + 1,
            got=control.group(),
            remedy=EXPORT,
        )
    if _MARKUP.match(text):
        raise refused("this is XML or HTML, not a table of frequency and level", line=1, remedy=EXPORT)
    if _JSON.match(text):
        raise refused("this is JSON or rich text, not a table of frequency and level", line=1, remedy=EXPORT)
    count = text.count("\n") + 1
    if count > MOST_LINES:
        raise refused("too many lines for a response", got=count, allowed=f"up to {MOST_LINES}", remedy=EXPORT)
    if not text.isascii():
        text = text.translate(_MINUS)
    lines = text.split("\n")
    for number, line in enumerate(lines, 1):
        if len(line) > LONGEST_LINE:
            raise refused(
                "the line is too long for a row of a table",
                line=number,
                got=f"{len(line)} characters",
                allowed=f"up to {LONGEST_LINE}",
                remedy="write one row per frequency; frequencies that run along a row are not read",
            )
    return lines, remarks


def _decoded(data: bytes) -> tuple[str, list[str]]:
    for mark, encoding, remark in _BOMS:
        if data.startswith(mark):
            return _strictly(data[len(mark) :], encoding), [remark] if remark else []
    if b"\x00" in data:
        even, odd = data[0::2].count(0), data[1::2].count(0)
        half = len(data) // 2
        if odd > 0.7 * half and even < 0.1 * half:
            return _strictly(data, "utf-16-le"), ["read as UTF-16, without a byte order mark"]
        if even > 0.7 * half and odd < 0.1 * half:
            return _strictly(data, "utf-16-be"), ["read as UTF-16, without a byte order mark"]
    try:
        return data.decode("utf-8"), []
    except UnicodeDecodeError:
        return data.decode("latin-1"), ["not UTF-8: read as Latin-1"]


def _strictly(data: bytes, encoding: str) -> str:
    try:
        return data.decode(encoding)
    except UnicodeDecodeError as error:
        before = data[: error.start].decode(encoding, errors="replace")
        raise refused(
            f"broken {encoding.upper()} text",
            line=before.count("\n") + 1,
            got=data[error.start : error.start + 4],
            remedy="save the file again as UTF-8",
        ) from None
