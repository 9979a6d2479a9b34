"""How a table is written: what separates its cells, which mark is the decimal, and the numbers in its cells."""

import csv
import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from math import isfinite, nan

import numpy as np

from .lines import refused

__all__ = [
    "Dialect",
    "Row",
    "cells_of",
    "chosen_dialect",
    "delimiter_of",
    "is_comment",
    "is_data_like",
    "is_missing",
    "number_reader",
    "sampled",
]

Row = tuple[int, str]
"""A line's number, from 1, and its text."""

_DATA_LIKE = re.compile(r"[\s\"']*[-+]?[.,]?\d")
_COMMENT = re.compile(
    r"\s*(?:[*%!;>]|//|--\s|#(?!N/?A\b|VALUE|NUM|DIV|REF|NAME|NULL)|(?:rem|REM|Rem)\b|\"(?=\s*[^\W\d]))"
)
_INLINE = re.compile(r"\s(?:#|//|%|!)\s.*$")
_SPLIT_UNIT = re.compile(r"(?<=[\d.])[ \t\xa0]+(?=(?:[kK]?[hH][zZ]|dB\w*|deg\w*|°|rad)(?![\w]))")
_NUMBERISH = re.compile(r"[-+]?(?:\d[\d.,'’]*|[.,]\d+)(?:[eEdD][-+]?\d+)?(?:[kK]?[hH][zZ]|k|dB\w*|deg\w*|°|rad)?,?")
_JOINABLE = re.compile(r"(?<![\d.,])(?:[-+]?\d+)(?=,\d+(?:[,eE\s]|$))|(?<=,)[-+]?\d+(?=,\d+(?:[,eE\s]|$))")
_MISSING_WORDS = (
    "nan na n/a #n/a #na null none nil inf +inf -inf infinity -infinity - -- --- ? #value! #num! "
    "#div/0! 1.#qnan -1.#ind 1.#inf -1.#inf 1.#nan undefined "
)
_MISSING = frozenset(_MISSING_WORDS.split()) | {""}
_CELL = re.compile(
    r"([-+]?(?:\d[\d.,'’ \xa0\u202f\u2009]*|[.,]\d+))(?:[eEdD]([-+]?\d{1,4}))?\s*"
    r"(k?hz|k|db[a-z ]*|deg|degs|degree|degrees|°|rad|rads|radian|radians)?",
    re.IGNORECASE,
)
_COMMON_UNIT = re.compile(r"([-+]?\d{1,9}(?:\.\d{1,20})?)(Hz|kHz|dB|deg|°)")
_LONGEST_NUMBER = 64
SAMPLE = 4000
"""Rows that are looked at to tell how a table is written."""
_GROUPED_BY_POINTS = re.compile(r"[-+]?\d{1,3}(?:\.\d{3})+\D*")
_BLANKS = " \xa0\u202f\u2009"
_GROUPS = {
    ",": re.compile(r"[-+]?\d{1,3}(?:,\d{3})+"),
    ".": re.compile(r"[-+]?\d{1,3}(?:\.\d{3})+"),
}


@dataclass(frozen=True, slots=True)
class Dialect:
    """The cells' separator (" " for blanks), the decimal mark and the mark between thousands ("" for none)."""

    delimiter: str
    decimal: str
    thousands: str = ""


def is_comment(line: str) -> bool:
    """Whether the line is marked as a comment."""
    return bool(_COMMENT.match(line))


def is_data_like(line: str) -> bool:
    """Whether the line begins with a number."""
    return bool(_DATA_LIKE.match(line))


def is_missing(cell: str) -> bool:
    """Whether a cell is empty or says that there is no value."""
    return cell.strip().lower() in _MISSING


def cells_of(line: str, delimiter: str) -> list[str]:
    """Return the cells of a row, stripped of blanks and quotes."""
    if not line.isalnum() and ("#" in line or "//" in line or "%" in line or "!" in line):
        line = _INLINE.sub("", line)
    if delimiter == " ":
        if '"' in line:
            line = line.replace('"', " ")
        if "d" in line or "z" in line or "Z" in line or "°" in line:
            line = _SPLIT_UNIT.sub("", line)
        return line.split()
    if '"' in line:
        try:
            return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])]
        except csv.Error:
            line = line.replace('"', "")
    return [cell.strip() for cell in line.split(delimiter)]


def delimiter_of(rows: Sequence[Row], names: Callable[[str, int], bool]) -> str:
    """Return what separates the cells of the rows that begin with a number.

    `names(delimiter, count)` says whether the file has a header that names `count` columns with that delimiter: it
    settles what commas between whole numbers are.

    Raises
    ------
    BlindtestError
        A comma that could be a decimal mark or a separator; a single column; no table at all.
    """
    for mark in "\t;|":
        if _share(rows, _separated_by(mark)) >= 0.6:
            return mark
    with_commas = any("," in text for _, text in rows)
    if _share(rows, _by_blanks) >= (0.8 if with_commas else 0.5):
        return " "
    if _share(rows, _separated_by(",")) >= 0.6:
        _refuse_doubtful_commas(rows, names)
        return ","
    if _share(rows, _by_blanks) >= 0.5:
        return " "
    line, text = rows[0]
    if _share(rows, lambda text: len(cells_of(text, " ")) == 1) >= 0.5:
        raise refused(
            "only one column of numbers",
            line=line,
            got=text.strip(),
            allowed="frequency and level in every row",
            remedy="export frequency and level side by side",
        )
    raise refused(
        "no table of frequency and level: the rows have no common separator",
        line=line,
        got=text.strip(),
        allowed="columns separated by comma, semicolon, tab or blanks",
        remedy="export the response as plain text",
    )


def _styles_of(delimiter: str, numbers: Iterable[tuple[int, str]]) -> list[Dialect]:
    """Return the ways in which all `numbers` (line, cell) can be read, the likeliest first.

    More than one where "20,000" or "1.000" could be twenty and one or twenty thousand and a thousand: the caller sees
    which of them gives a response.
    """
    commas, dots, both = [], [], []
    for line, cell in numbers:
        match = _CELL.match(cell)
        text = match.group(1).strip() if match else ""
        if "," in text and delimiter != "," and text.endswith(","):
            text = text[:-1]
        has_comma, has_dot = "," in text, "." in text
        if has_comma and has_dot:
            both.append((line, text))
        elif has_comma:
            commas.append((line, text))
        elif has_dot:
            dots.append((line, text))
    if not commas and not both:
        return _dotted(delimiter, dots)
    if not dots and not both:
        return _comma_only(delimiter, commas)
    last = {text.rfind(",") > text.rfind(".") for _, text in both}
    ways = []
    for decimal, thousands, grouped, plain in ((".", ",", commas, dots), (",", ".", dots, commas)):
        fits = all(_GROUPS[thousands].fullmatch(text) for _, text in grouped)
        fits = fits and all(text.count(decimal) == 1 for _, text in plain)
        fits = fits and last <= {decimal == ","}
        if fits:
            ways.append(Dialect(delimiter, decimal, thousands))
    if not ways:
        line, text = min(commas or both)
        raise refused(
            "commas and points both stand as decimal marks",
            line=line,
            got=text,
            remedy="use one decimal mark throughout, and none between thousands",
        )
    return ways


def chosen_dialect(
    data: Sequence[Row], delimiter: str, needed: Sequence[int], hertz: float
) -> tuple[Dialect, list[str]]:
    """Decimal mark and thousands, by what gives a response where the cells alone allow both."""
    with_commas = any("," in text for _, text in data)
    data = sampled(data)
    if not with_commas and not _grouped_by_points(data, delimiter, needed):
        return Dialect(delimiter, "."), []
    if delimiter == "," and not any('"' in text for _, text in data):
        return Dialect(delimiter, "."), []
    ways = _styles_of(delimiter, _cells(data, delimiter, needed))
    if len(ways) == 1:
        return ways[0], _of_style(ways[0])
    fitting = [way for way in ways if _plausible(data, way, needed, hertz)]
    if len(fitting) == 1:
        return fitting[0], _of_style(fitting[0])
    if ways[0].decimal == "." and not ways[0].thousands:
        return ways[0], []
    line, cell = next((line, cell) for line, cell in _cells(data, delimiter, needed) if "," in cell)
    raise refused(
        "the comma could be a decimal mark or stand between thousands",
        line=line,
        got=cell,
        allowed="one decimal mark throughout, nothing between thousands",
        remedy="write decimals with a point, or give the levels another number of decimals than three",
    )


def _grouped_by_points(data: Sequence[Row], delimiter: str, needed: Sequence[int]) -> bool:
    """Whether every point could stand between thousands, as in 1.000."""
    dotted = [cell for _, cell in _cells(data, delimiter, needed) if "." in cell]
    return bool(dotted) and all(_GROUPED_BY_POINTS.fullmatch(cell) for cell in dotted)


def _of_style(dialect: Dialect) -> list[str]:
    if dialect.thousands:
        mark = "comma" if dialect.thousands == "," else "point"
        return [f"a {mark} stands between thousands, a {'point' if mark == 'comma' else 'comma'} is the decimal mark"]
    return ["commas are decimal marks"] if dialect.decimal == "," else []


def _cells(data: Sequence[Row], delimiter: str, needed: Sequence[int]) -> Iterator[tuple[int, str]]:
    for line, text in data:
        cells = cells_of(text, delimiter)
        for k in needed:
            if k < len(cells):
                yield line, cells[k]


def _plausible(data: Sequence[Row], dialect: Dialect, needed: Sequence[int], hertz: float) -> bool:
    """Whether read in this way frequencies go one way and all is within reason."""
    read = number_reader(dialect)
    pairs = []
    for _, text in data:
        cells = cells_of(text, dialect.delimiter)
        if len(cells) > max(needed[:2]):
            pairs.append([read(cells[k])[0] for k in needed[:2]])
    table = np.array(pairs).reshape(-1, 2)
    table = table[~np.isnan(table).any(axis=1)]
    if len(table) < max(2, len(data) / 2):
        return False
    frequency, steps = table[:, 0] * hertz, np.diff(table[:, 0])
    return bool(
        np.all(frequency >= 0)
        and (np.all(steps >= 0) or np.all(steps <= 0))
        and np.any(steps != 0)
        and 100 <= frequency.max() <= 1e6
        and np.all(np.abs(table[:, 1]) <= 300)
    )


def sampled(data: Sequence[Row]) -> Sequence[Row]:
    """Rows at equal distances: enough to tell how a table is written; a row written otherwise is found when read."""
    return data[:: -(-len(data) // SAMPLE)]


def number_reader(dialect: Dialect) -> Callable[[str], tuple[float, str]]:
    """Return the function that reads one cell: its number (NaN if missing or unreadable) and its own unit, if any."""
    decimal, thousands = dialect.decimal, dialect.thousands
    group = _GROUPS.get(thousands)

    def slowly(cell: str) -> tuple[float, str]:
        text = cell.strip().strip("'\"").strip()
        if len(text) > _LONGEST_NUMBER or text.lower() in _MISSING:
            return nan, ""
        if text.endswith(",") and dialect.delimiter != ",":
            text = text[:-1]
        match = _CELL.fullmatch(text)
        if not match:
            return nan, ""
        digits, exponent, unit = match.groups()
        whole, mark, fraction = digits.strip().partition(decimal)
        if group and thousands in whole:
            if not group.fullmatch(whole):
                return nan, ""
            whole = whole.replace(thousands, "")
        if not whole.lstrip("+-").isdecimal():
            for blank in _BLANKS + "'’":
                if blank in whole:
                    if not re.fullmatch(rf"[-+]?\d{{1,3}}(?:{blank}\d{{3}})+", whole):
                        return nan, ""
                    whole = whole.replace(blank, "")
        try:
            value = float(f"{whole}{'.' if mark else ''}{fraction}{'e' + exponent if exponent else ''}")
        except ValueError:
            return nan, ""
        return (value, (unit or "").strip().lower()) if isfinite(value) else (nan, "")

    if decimal == "." and not thousands:

        def read(cell: str) -> tuple[float, str]:
            if len(cell) <= _LONGEST_NUMBER and "_" not in cell and cell.isascii():
                try:
                    value = float(cell)
                except ValueError:
                    common = _COMMON_UNIT.fullmatch(cell)  # a shorter way for long tables
                    return (float(common[1]), common[2].lower()) if common else slowly(cell)
                return (value, "") if isfinite(value) else (nan, "")
            return slowly(cell)

        return read

    def read_marked(cell: str) -> tuple[float, str]:
        if thousands and thousands in cell:
            return slowly(cell)
        if decimal == "," and "." not in cell and len(cell) <= _LONGEST_NUMBER and "_" not in cell:
            try:
                value = float(cell.replace(",", ".", 1))
            except ValueError:
                return slowly(cell)
            return (value, "") if isfinite(value) else (nan, "")
        return slowly(cell)

    return read_marked


def _share(rows: Sequence[Row], test: Callable[[str], bool]) -> float:
    return sum(map(test, (text for _, text in rows))) / len(rows)


def _separated_by(mark: str) -> Callable[[str], bool]:
    """Return whether a row has two cells or more with this mark between them."""
    return lambda text: sum(1 for cell in text.split(mark) if cell and not cell.isspace()) >= 2


def _by_blanks(text: str) -> bool:
    """Whether blanks separate at least two numbers, any comma standing inside a number."""
    if " ," in text or ", " in text or '",' in text or ',"' in text:
        return False
    tokens = cells_of(text, " ")
    if len(tokens) < 2 or len(tokens) > 1000:
        return False
    return bool(_NUMBERISH.fullmatch(tokens[0][:_LONGEST_NUMBER]) and tokens[0][-1] != ",") and any(
        _NUMBERISH.fullmatch(token[:_LONGEST_NUMBER]) or token.lower() in _MISSING for token in tokens[1:]
    )


def _refuse_doubtful_commas(rows: Sequence[Row], names: Callable[[str, int], bool]) -> None:
    """Refuse a table whose every row could also be read with decimal commas."""
    plain = [(line, text.strip().rstrip(",")) for line, text in rows]
    if any("." in text or '"' in text for _, text in plain):
        return
    counts = [text.count(",") + 1 for _, text in plain]
    count = max(set(counts), key=counts.count)
    if names(",", count):
        return
    for _, text in plain:
        if not _JOINABLE.search(text) and "," in text:
            return
    line, text = plain[0]
    raise refused(
        "the comma could be a decimal mark or a separator",
        line=line,
        got=text,
        allowed="a header that names every column, or decimals with a point, or another separator",
        remedy="write a header such as Frequency (Hz),Level (dB), or separate the columns by semicolon or tab",
    )


def _dotted(delimiter: str, dots: Sequence[Row]) -> list[Dialect]:
    ways = []
    if all(text.count(".") == 1 for _, text in dots):
        ways.append(Dialect(delimiter, "."))
    if dots and all(_GROUPS["."].fullmatch(text) for _, text in dots):
        ways.append(Dialect(delimiter, ",", "."))
    return ways or [Dialect(delimiter, ".")]


def _comma_only(delimiter: str, commas: Sequence[Row]) -> list[Dialect]:
    ways = []
    if all(text.count(",") == 1 for _, text in commas):
        ways.append(Dialect(delimiter, ","))
    if all(_GROUPS[","].fullmatch(text) for _, text in commas):
        ways.append(Dialect(delimiter, ".", ","))
    return ways or [Dialect(delimiter, ",")]
