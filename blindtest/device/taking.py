"""What a file of a bench holds, told by what stands in it: a response, harmonics, an impedance, an impulse response.

Names of files are left out of it, with one exception: a table without a header whose name speaks of something else than
a response is refused, since two columns of numbers could be anything.
"""

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from blindtest.audio import read_clip
from blindtest.errors import BlindtestError, Fault

from .columns import classified
from .dialect import is_comment, is_data_like
from .harmonic_levels import HarmonicLevel, harmonic_levels
from .harmonic_table import names_harmonics, names_totals, read_harmonics
from .impedance import Impedance, names_impedance, read_impedance
from .impulse import ImpulseResponse, read_impulse_responses
from .lines import lines_of, read_bytes
from .named_table import named_table
from .reading import read_response
from .response import Response

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["Kind", "Taken", "taken_for"]

Kind = Literal["response", "impulse response", "harmonics", "impedance", "left aside", "refused"]

_AUDIO = (b"RIFF", b"RF64", b"FORM", b"fLaC", b"OggS", b"ID3", b"caff")
_HDF5 = b"\x89HDF\r\n\x1a\n"
_OTHERS: tuple[tuple[bytes, str], ...] = (
    (b"PK\x03\x04", "a spreadsheet or zip archive: export what it holds as text"),
    (b"\xd0\xcf\x11\xe0", "a spreadsheet or document: export what it holds as text"),
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a picture (PNG)"),
    (b"\xff\xd8\xff", "a picture (JPEG)"),
    (b"GIF8", "a picture (GIF)"),
    (b"BM", "a picture (BMP)"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"SQLite format 3", "a database"),
)
_TEXT = (".txt", ".csv", ".tsv", ".dat", ".frd", ".zma", ".asc", ".text", "")
_SOUND = (".wav", ".flac", ".aif", ".aiff", ".w64", ".rf64", ".caf")
MOST_SOUND_BYTES = 64 * 2**20
"""Twenty seconds of two channels at 192 kHz in 64 bits are smaller."""
SHORT_S = 0.1
"""A recording this short is taken for an impulse response without looking at its crest."""
CREST_DB = 15.0
"""Peak over r.m.s.: a sine sweep has 3 dB, most music 10 to 18 (common practice), an impulse response 25 and more."""
_FEWEST_ROWS = 3
_SECTIONS = re.compile(r"^\s*type\s*,\s*frequency_hz", re.IGNORECASE)
_NAMES_OTHERS = re.compile(r"imped|(?<![a-z])ohm|harmon|(?<![a-z])thd|distort", re.IGNORECASE)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Taken:
    """What one file was taken for, and what was read from it."""

    kind: Kind
    why: str
    response: Response | None = None
    impulses: tuple[ImpulseResponse, ...] = ()
    harmonics: tuple[HarmonicLevel, ...] = ()
    impedance: Impedance | None = None
    remarks: tuple[str, ...] = ()
    faults: tuple[Fault, ...] = field(default=())


def taken_for(path: Path) -> Taken:
    """Return what the file holds and why; a file that can't be used is refused in the result, never raised.

    Faults name the file as `path` does, and the line.
    """
    try:
        return _taken(path)
    except BlindtestError as error:
        return _refused("it can't be used", error, path)


def _taken(path: Path) -> Taken:
    with path.open("rb") as opened:
        head = opened.read(16)
    if head.startswith(_AUDIO):
        return _recording(path)
    if path.suffix.casefold() in _SOUND:
        try:
            return _recording(path)
        except BlindtestError as error:
            return _refused("by its name it should hold sound", error, path)
    if head.startswith(_HDF5) or path.suffix.casefold() == ".sofa":
        return _impulses(path, "an HDF5 file: read as impulse responses in SOFA (AES69)")
    for signature, what in _OTHERS:
        if head.startswith(signature):
            return Taken(kind="left aside", why=what)
    try:
        data = read_bytes(path)
        lines, _ = lines_of(data)
    except BlindtestError as error:
        if path.suffix.casefold() in _TEXT:
            return _refused("by its name it should hold text", error, path)
        return Taken(kind="left aside", why=f"no format that is read here: {error.faults[0].problem}")
    return _text(path, data, lines)


def _refused(why: str, error: BlindtestError, path: Path) -> Taken:
    return Taken(kind="refused", why=why, faults=tuple(fault.in_file(str(path)) for fault in error.faults))


def _recording(path: Path) -> Taken:
    size = path.stat().st_size
    if size > MOST_SOUND_BYTES:
        return Taken(kind="left aside", why=f"{size / 2**20:.0f} MB of sound: too long for an impulse response")
    clip = read_clip(path)
    if clip.duration <= SHORT_S or not np.any(clip.frames):
        return _impulses(path, f"sound of {1000 * clip.duration:.0f} ms")
    # A dead channel beside a live one must not decide.
    loudest = clip.frames[:, int(np.argmax(np.abs(clip.frames).max(axis=0)))]
    crest = 20 * np.log10(float(np.abs(loudest).max()) / float(np.sqrt(np.mean(loudest**2))))
    if crest < CREST_DB:
        return Taken(
            kind="left aside",
            why=f"sound of {clip.duration:.1f} s whose peak lies {crest:.0f} dB over its mean: a sweep, tone or "
            f"music, no impulse response (those have {CREST_DB:.0f} dB and more)",
        )
    return _impulses(path, f"sound of {clip.duration:.2f} s whose peak stands {crest:.0f} dB over its mean")


def _impulses(path: Path, why: str) -> Taken:
    try:
        found = read_impulse_responses(path)
    except BlindtestError as error:
        return _refused(why, error, path)
    return Taken(kind="impulse response", why=why, impulses=found, remarks=found[0].remarks if found else ())


def _text(path: Path, data: bytes, lines: "Sequence[str]") -> Taken:
    if any(_SECTIONS.match(line) for line in lines[:20]):
        return Taken(kind="left aside", why="a table of filter sections, no measurement")
    rows = sum(is_data_like(line) and not is_comment(line) for line in lines)
    words = sum(bool(line.strip()) for line in lines) - rows
    if rows == 0 or (rows < _FEWEST_ROWS and words > rows + 1):
        return Taken(kind="left aside", why="text that is no table of numbers")
    header = _header(data)
    orders, ohms = names_harmonics(header), names_impedance(header)
    if orders:
        return _harmonics(path, f"its header names harmonics: {', '.join(orders)}")
    if ohms:
        return _impedance(path, header, f"its header names an impedance: {', '.join(ohms)}")
    totals = names_totals(header)
    if totals and not any(classified(cell).role == "level" for cell in header):
        return _harmonics(path, f"its header names a sum of distortion: {', '.join(totals)}")
    taken = _response(path, header)
    if totals and taken.response is not None and not np.ptp(taken.response.magnitude):
        return Taken(
            kind="left aside",
            why=f"a sum of distortion at one level ({', '.join(totals)}): no response, and it says nothing of single "
            "orders",
        )
    return taken


def _header(data: bytes) -> tuple[str, ...]:
    try:
        return named_table(data, "").header
    except BlindtestError:
        return ()


def _harmonics(path: Path, why: str) -> Taken:
    try:
        table = read_harmonics(path)
    except BlindtestError as error:
        return _refused(why, error, path)
    return Taken(kind="harmonics", why=why, harmonics=harmonic_levels(table), remarks=tuple(table.attrs["remarks"]))


def _impedance(path: Path, header: "Sequence[str]", why: str) -> Taken:
    try:
        impedance = read_impedance(path)
    except BlindtestError as error:
        return _refused(why, error, path)
    levels = [cell for cell in header if classified(cell).role == "level"]
    if levels:
        # Columns of a level beside it are a response: what stands in one file may be both.
        try:
            response = read_response(path)
        except BlindtestError:
            response = None
        if response is not None:
            both = f"{why}, and a level: {', '.join(levels)}"
            remarks = response.remarks
            return Taken(kind="impedance", why=both, impedance=impedance, response=response, remarks=remarks)
    return Taken(kind="impedance", why=why, impedance=impedance, remarks=impedance.remarks)


def _response(path: Path, header: "Sequence[str]") -> Taken:
    try:
        response = read_response(path)
    except BlindtestError as error:
        return _refused("numbers in columns, taken for a response", error, path)
    names = [cell for cell in header if classified(cell).role in ("frequency", "level")]
    if len(names) < 2 and _NAMES_OTHERS.search(path.stem):
        fault = Fault(
            problem="the name speaks of something else than a response, and no header says what the columns are",
            file=str(path),
            line=1,
            remedy="write a line of names above the numbers: Frequency (Hz), Impedance (ohm), H2 (dB), ...",
        )
        return Taken(kind="refused", why="numbers in columns without a header", faults=(fault,))
    sides = " and ".join(response.channels) if response.channels != ("both",) else ""
    why = f"frequency and level{' of ' + sides if sides else ''}" + (
        f" by its header: {', '.join(names)}" if len(names) >= 2 else " by the order of its columns"
    )
    return Taken(kind="response", why=why, response=response, remarks=response.remarks)
