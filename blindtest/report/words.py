"""Numbers, moments and names in words a reader understands; and any text made safe to print on a line."""

import math
import re
from collections.abc import Sequence
from datetime import UTC, datetime

__all__ = [
    "below",
    "chance_words",
    "clean",
    "count_of",
    "decibel",
    "escaped_markdown",
    "flattened",
    "frequency_words",
    "in_tests",
    "interval_words",
    "left_unanswered",
    "number",
    "p_words",
    "percent",
    "plural",
    "sentence",
    "short_names",
    "spelled",
    "typeset",
    "up_to",
    "when",
]

NBSP = "\u00a0"
MINUS = "\u2212"
DASH = "\u2013"

_CONTROLS = re.compile(r"[ \x00-\x1f\x7f-\x9f\u2028\u2029\ufffe\uffff\ud800-\udfff]+")
_DIRECTION = re.compile(r"[\u200e\u200f\u202a-\u202e\u2066-\u2069]")


def clean(text: object) -> str:
    """Return `text` on one line, without control characters and without marks that reorder what is read."""
    return flattened(str(text)).strip(" ")


def flattened(text: str) -> str:
    """Return `text` as `clean` does, but with blanks at its ends kept."""
    return _CONTROLS.sub(" ", _DIRECTION.sub("\ufffd", text))


_MARKUP = set("\\`*_{}[]#!~^$")
_ENTITIES = {character: f"&#{ord(character)};" for character in "<>&|@"}
_LINKS = re.compile(r"(?i)(://)|\bw(?=ww)")


def escaped_markdown(text: object) -> str:
    """Return `text` so that Markdown (CommonMark, and the dialects with tables and bare links) prints it as it is.

    For use within a line: marks that count only at the start of a line stay as they are.
    """
    out = "".join(
        _ENTITIES.get(character) or ("\\" + character if character in _MARKUP else character)
        for character in clean(text)
    )
    # A bare address becomes a link in some dialects.
    return _LINKS.sub(lambda found: ":\\/\\/" if found.group(1) else f"&#{ord(found.group())};", out)


def short_names(names: Sequence[str]) -> list[str]:
    """Return the names up to their first comma, where that still tells them apart."""
    short = [clean(name).partition(",")[0].strip() for name in names]
    told_apart = len(set(short)) == len(set(names)) and all(short)
    return short if told_apart else [clean(name) for name in names]


def number(value: float | None, digits: int = 2) -> str:
    """Return a number with a true minus sign, '∞' for infinity, a dash for what isn't there."""
    if value is None or math.isnan(value):
        return DASH
    if math.isinf(value):
        return "∞" if value > 0 else MINUS + "∞"
    text = f"{value:.{digits}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def decibel(value: float | None, digits: int = 2) -> str:
    """Return a level difference with its sign."""
    text = number(value, digits)
    return f"+{text}" if value is not None and value > 0 and float(f"{value:.{digits}f}") != 0 else text


def percent(value: float | None, digits: int = 0) -> str:
    """Return a share as a percentage; what only rounds to '0 %' or '100 %' gets a decimal, then a '<' or '>'."""
    if value is None or math.isnan(value):
        return DASH
    for places in (digits, digits + 1):
        text = f"{100 * value:.{places}f}"
        if not ((value < 1 and float(text) == 100) or (value > 0 and float(text) == 0)):
            return f"{number(100 * value, places)}{NBSP}%"
    least = 10.0 ** -(digits + 1)
    return f"< {least:g}{NBSP}%" if value < 0.5 else f"> {100 - least:g}{NBSP}%"


def spelled(share: float | None) -> str:
    """Return a share as it stands in a sentence: '88 %', 'more than 99.9 %'."""
    text = percent(share)
    return {"<": "less than" + text[1:], ">": "more than" + text[1:]}.get(text[0], text)


def up_to(share: float) -> str:
    """Return a share that is the largest there is: 'up to 88 %', 'more than 99.9 %'."""
    text = spelled(share)
    return text if "than" in text else f"up to {text}"


def below(share: float) -> str:
    """Return what lies below a share: 'less than 88 %', 'less than 100 %'."""
    text = percent(share)
    return "less than " + {"<": text[2:], ">": f"100{NBSP}%"}.get(text[0], text)


def interval_words(interval: tuple[float, float], digits: int = 0) -> str:
    """Return an interval of shares: '63 % to 94 %'."""
    return f"{percent(interval[0], digits)} to {percent(interval[1], digits)}"


def p_words(p: float | None) -> str:
    """Return a probability with two significant digits, in powers of ten where it is tiny."""
    if p is None:
        return DASH
    if p == 0:
        return "0"
    if p < 1e-4:
        mantissa, exponent = f"{p:.1e}".split("e")
        return f"{mantissa} × 10{str(int(exponent)).translate(_SUPERSCRIPT)}"
    if p >= 0.995:
        text = f"{p:.4f}"
        return "1" if p >= 1 else text if float(text) < 1 else "> 0.9999"
    digits = max(2, 1 - math.floor(math.log10(float(f"{p:.1e}"))))  # of what it rounds to: .0998 is 0.10
    return f"{p:.{digits}f}"


_SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_POWER = re.compile(r"(?<![\w.])(\d+(?:\.\d+)?)e([+-])0*(\d+)(?!\w)")
_SIGN = re.compile(r"(?<![^\s(])-(?=\.?\d)")
_BARE = re.compile(r"(?<![^\s(\u2212+])\.(?=\d)")


def typeset(text: str) -> str:
    """Return a sentence of `stats` with its numbers as a report writes them: −0.34, 0.81, 9.8 × 10⁻¹⁰."""
    text = _POWER.sub(lambda m: f"{m[1]} × 10{f'{m[2]}{m[3]}'.lstrip('+').translate(_SUPERSCRIPT)}", text)
    return _BARE.sub("0.", _SIGN.sub(MINUS, text.replace("+-", "±")))


def chance_words(p: float) -> str:
    """Return a probability as a frequency where it is small: '57 %', 'about 1 in 2 200'."""
    if p >= 0.1:
        return percent(p)
    rate = 1 / max(p, 1e-300)
    if rate > 1e9:
        return "less than 1 in a billion"
    if rate >= 100:
        scale = 10 ** (math.floor(math.log10(rate)) - 1)
        rate = round(rate / scale) * scale
    return f"about 1 in {round(rate):,}".replace(",", "\u202f")


def in_tests(p: float) -> str:
    """Return how often something comes, in a test like this: 'in 57 % of such tests'."""
    return f"in {chance_words(p)} {'of ' if p >= 0.1 else ''}such tests"


def frequency_words(hz: float) -> str:
    """Return a frequency with its unit."""
    if hz >= 1000:
        return f"{hz / 1000:g}{NBSP}kHz"
    return f"{hz:g}{NBSP}Hz"


def plural(count: int, one: str, many: str = "") -> str:
    """Return the count with its noun."""
    return f"{count}{NBSP}{one if count == 1 else many or one + 's'}"


def count_of(correct: int, trials: int) -> str:
    """Return '23 of 28'."""
    return f"{correct} of {trials}"


def left_unanswered(count: int) -> str:
    """Return what is added to the answers of a claim that stays open, where some are lacking; '' where none are."""
    told = f"; {plural(count, 'planned trial')} stayed unanswered, and count against whatever would be concluded"
    return told if count else ""


def when(moment: datetime | None) -> str:
    """Return a moment in UTC, to the second; a dash where there is none."""
    if moment is None:
        return DASH
    if moment.tzinfo is None:
        return moment.strftime("%Y-%m-%d %H:%M:%S")
    return moment.astimezone(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def sentence(text: str) -> str:
    """Return a remark as a sentence: begun with a capital, ended with a full stop; '' stays ''."""
    line = clean(text)
    if not line:
        return ""
    return line[:1].upper() + line[1:] + ("" if line.endswith((".", "!", "?")) else ".")
