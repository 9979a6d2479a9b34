"""What the columns of a table are, by the words and units in its header.

Words of the trade in a few languages; a column that is neither frequency, level nor phase is left alone.
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

__all__ = ["Column", "classified", "merged_header", "split_header"]

Role = Literal["frequency", "level", "phase", "time", "other", "unknown"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column: what it holds, of which ear, in which unit ("" where the header doesn't say)."""

    name: str
    role: Role
    side: Literal["", "left", "right"] = ""
    unit: str = ""
    symbol: bool = False
    """Whether the side is but a letter: L alone is the symbol of a level, beside R it is the left ear."""


def _table(words: str) -> frozenset[str]:
    return frozenset(words.split())


_WORD = re.compile(r"[^\W_]+(?:/[^\W_]+)?|[°%Ω#]")
_NUMBER = re.compile(r"[-+]?[\d.,]+(?:[eE][-+]?\d+)?\s*$")

_FREQUENCY = _table(
    "freq freqs frq frequency frequencies frequenz frequenzen fréquence frequence frecuencia frequenza "
    "frequência frekvens frekvence taajuus hz khz hertz kilohertz"
)
_LEVEL = _table(
    "spl level levels lvl mag magnitude magnitudes amplitude amplitudes amp ampl gain response pegel "
    "niveau nivel livello betrag amplitud ampiezza frf transfer output pressure voltage sound raw"
)
_LINEAR = _table("linear lin ratio factor pa pascal pascals mpa upa µpa v volt volts mv v/v pa/v pa/pa v/pa abs x")
_PHASE = _table(
    "phase phases phas ang arg phasengang fase phi φ angle deg degs degree degrees grad ° rad rads radian radians"
)
_OTHER = _table(
    "thd thd+n distortion harmonic harmonics fundamental imd intermodulation rub buzz impedance ohm "
    "ohms ω z delay gd group coherence noise snr floor target correction compensation inverse weighting "
    "weight smoothed smooth std sd stdev deviation sigma variance min max minimum maximum upper lower "
    "excess error tolerance limit limits uncertainty index no nr point points bin bins # row date flag "
    "comment note notes remark % percent decay rt60 t60 ms current temperature q bandwidth bw"
)
_TIME = _table("time times zeit temps tiempo tempo seconds sample samples")
_LEFT = _table("left l lft links gauche izquierda izquierdo sinistra sinistro vänster")
_RIGHT = _table("right r rgt rechts droite droit derecha derecho destra destro höger")
_UNITS = _table(
    "hz khz db dbspl dbfs dbv dbr dbu spl deg degs degree degrees ° rad rads radian radians ms s % ohm "
    "ohms ω pa mpa v mv linear lin"
)
_QUOTIENTS = frozenset(["v/v", "pa/v", "pa/pa", "v/pa", "rad/s"])
_LINEAR_UNIT = re.compile(r"[(\[]\s*(?:[mu\u00b5\u03bc]?pa|pascals?|lin|linear|m?v)\s*[)\]]", re.IGNORECASE)
"""The column's own unit, in brackets: SPL (Pa) is a pressure, where SPL re 20 µPa is in dB."""
_HARMONIC = re.compile(r"(?:h|hd|d)\d+|\d+(?:nd|rd|th)")


def classified(cell: str) -> Column:
    """Return what a header's cell says of its column."""
    name = cell.strip()
    words = _words(name)
    known = set(words)
    in_db = any(word.startswith("db") or (len(word) > 2 and word.endswith("db")) for word in words)
    side: Literal["", "left", "right"] = "left" if known & _LEFT else "right" if known & _RIGHT else ""
    symbol = bool(side) and not known & (_LEFT | _RIGHT) - {"l", "r"}
    if known & _TIME and not known & _OTHER - {"ms"}:
        return Column(name=name, role="time", side=side)
    if known & _OTHER or any(_HARMONIC.fullmatch(word) for word in words):
        return Column(name=name, role="other", side=side)
    if known & _PHASE and not in_db and not {"rad/s", "hz", "khz"} & known:
        unit = "rad" if known & {"rad", "rads", "radian", "radians"} else ""
        unit = unit or ("deg" if known & {"deg", "degs", "degree", "degrees", "grad", "°"} else "")
        return Column(name=name, role="phase", side=side, unit=unit)
    if in_db or ("spl" in known and not _LINEAR_UNIT.search(name)):
        return Column(name=name, role="level", side=side, symbol=symbol, unit="dB")
    if (known & _FREQUENCY and not known & {"response"}) or words == ["f"] or "rad/s" in known:
        unit = "rad/s" if "rad/s" in known else "kHz" if known & {"khz", "kilohertz"} else ""
        unit = unit or ("Hz" if known & {"hz", "hertz"} else "")
        return Column(name=name, role="frequency", unit=unit)
    if known & _LINEAR:
        unit = "µPa" if known & {"upa", "µpa"} else "mPa" if "mpa" in known else ""
        unit = unit or ("Pa" if known & {"pa", "pascal", "pascals"} else "mV" if "mv" in known else "")
        unit = unit or ("V" if known & {"v", "volt", "volts"} else "linear")
        return Column(name=name, role="level", side=side, symbol=symbol, unit=unit)
    if known & _LEVEL or side:
        return Column(name=name, role="level", side=side, symbol=symbol)
    return Column(name=name, role="unknown", side=side)


def split_header(text: str, delimiter: str, count: int) -> list[str] | None:
    """Return the cells of a header line that names `count` columns, or None if it doesn't look like one.

    A header inside a comment often has other separators than the rows below it, and blanks inside its names, so
    several ways are tried: the rows' own separator, others, two blanks, single blanks with units kept by their names.
    """
    text = text.strip().lstrip("*#%!;>:/").strip()
    if not text or len(text) > 2000:
        return None
    for cells in _ways(text, delimiter):
        cells = [cell.strip().strip('"').strip() for cell in cells]
        while len(cells) > count and not cells[-1]:
            cells.pop()
        if len(cells) == count and _names_columns(cells):
            return cells
    return None


def merged_header(above: Sequence[str] | None, cells: Sequence[str]) -> list[str]:
    """Return the header with the names (or ears) of the line above it, where it holds only units."""
    if above is None or len(above) != len(cells):
        return list(cells)
    only_units = all(set(_words(cell)) <= _UNITS for cell in cells)
    only_sides = all(set(_words(cell)) <= _LEFT | _RIGHT | {"ear", "channel"} for cell in above) and any(above)
    if not only_units and not only_sides:
        return list(cells)
    filled, last = [], ""
    for cell in above:
        last = cell or (last if only_sides else "")
        filled.append(last)
    merged = [f"{upper} {lower}".strip() for upper, lower in zip(filled, cells, strict=True)]
    return merged if _names_columns(merged) else list(cells)


def _words(cell: str) -> list[str]:
    spaced = re.sub(r"(?<=[a-z]{3})(?=[A-Z])", " ", cell)
    words = _WORD.findall(spaced.casefold().replace("μ", "µ"))
    return [part for word in words for part in ([word] if word in _QUOTIENTS else word.split("/"))]


def _names_columns(cells: Sequence[str]) -> bool:
    if any(len(cell) > 60 or _NUMBER.match(cell) for cell in cells):
        return False
    roles = [classified(cell).role for cell in cells]
    named = {"frequency", "time"} & set(roles)
    return bool(named) and any(role not in ("frequency", "time") for role in roles)


def _ways(text: str, delimiter: str) -> list[list[str]]:
    ways = []
    if delimiter != " ":
        ways.append(text.split(delimiter))
    ways += [text.split(mark) for mark in ("\t", ";", "|", ",") if mark != delimiter and mark in text]
    if delimiter in (" ", "\t"):
        ways.append(re.split(r"\s{2,}", text))
        ways.append(_units_to_their_names(text.split()))
        ways.append([part for part in re.split(r"(?<=[)\]])\s+", text) if part])
        ways.append(text.split())
    return ways


def _units_to_their_names(words: Sequence[str]) -> list[str]:
    joined: list[str] = []
    for word in words:
        opened = joined and any(joined[-1].count(a) > joined[-1].count(b) for a, b in ("()", "[]"))
        if joined and (opened or word[0] in "([" or (set(_words(word)) <= _UNITS - {"spl"} and _words(word))):
            joined[-1] += f" {word}"
        else:
            joined.append(word)
    return joined
