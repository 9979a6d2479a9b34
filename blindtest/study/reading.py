"""From the text of a TOML file to tables with places; what can't be read is said in plain words."""

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from blindtest.errors import BlindtestError, Fault
from blindtest.study.lines import Place, line_of, lines_of

__all__ = ["MAX_BYTES", "Source", "Tables", "copied", "key_text", "one_line", "parse_toml", "pruned", "read_toml"]

MAX_BYTES = 1 << 20
"""1 MiB: tomllib takes time and stack with the size of what it is given."""


Tables = dict[str, Any]
"""The tables of a TOML file, as `tomllib` gives them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A TOML file as read: its tables, where each key stands, and the name that messages call it by."""

    data: dict[str, Any]
    lines: dict[Place, int]
    file: str
    text: str
    faults: tuple[Fault, ...] = ()
    """What was found while reading that leaves the rest readable."""
    oversized: tuple[Place, ...] = ()
    """Where the numbers stood that these faults are about; they are left out of `data`."""

    def line(self, *path: str | int) -> int | None:
        """Return the line of a key, or of the nearest table around it."""
        return line_of(self.lines, path) or (1 if path else None)

    def key(self, *path: str | int) -> str:
        """Return a key's path in words: entries of an array of tables go by their id, else by their number."""
        return key_text(self.data, path)

    def fault(
        self, path: Sequence[str | int], problem: str, *, got: object = None, allowed: str = "", remedy: str = ""
    ) -> Fault:
        """Return a fault at a key of this file."""
        return Fault(
            problem=one_line(problem),
            file=self.file,
            line=self.line(*path),
            key=self.key(*path),
            got=got,
            allowed=one_line(allowed),
            remedy=one_line(remedy),
        )


def one_line(text: str) -> str:
    """Return `text` with line breaks and other control characters written out: it may quote what a user typed."""
    return text if text.isprintable() else "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)


def read_toml(path: Path, *, file: str | None = None, what: str = "study file") -> Source:
    """Read a TOML file.

    Raises
    ------
    BlindtestError
        The file can't be read, is larger than 1 MiB, isn't UTF-8 or isn't TOML; with the line where there is one.
    """
    shown = str(path) if file is None else file
    try:
        if path.exists() and not path.is_file() and not path.is_dir():
            # A pipe would be waited for.
            problem = f"this is a device or a pipe, no {what}"
            raise BlindtestError(Fault(problem=problem, file=shown, remedy="put the file itself there"))
        with path.open("rb") as stream:
            raw = stream.read(MAX_BYTES + 1)
    except FileNotFoundError:
        remedy = (
            "write one with: blindtest new DIR" if what == "study file" else "look for a typing mistake in the path"
        )
        raise BlindtestError(Fault(problem=f"there is no {what} here", file=shown, remedy=remedy)) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise BlindtestError(Fault(problem=f"the {what} can't be read: {reason}", file=shown)) from None
    return parse_toml(raw, file=shown)


def parse_toml(raw: bytes, *, file: str) -> Source:
    """Return the tables of a TOML text, with the line of every key. Raises as `read_toml`."""
    if len(raw) > MAX_BYTES:
        raise BlindtestError(
            Fault(
                problem="the file is too large to be a study or protocol",
                file=file,
                got=f"more than {MAX_BYTES} bytes",
                allowed="1 MiB at most",
                remedy="keep measurements and clips in files of their own",
            )
        )
    text = _decoded(raw, file)
    try:
        data = tomllib.loads(text)
        lines = lines_of(text)
    except tomllib.TOMLDecodeError as error:
        raise BlindtestError(_syntax_fault(str(error), text, file)) from None
    except RecursionError:
        raise BlindtestError(
            Fault(
                problem="brackets are nested too deeply", file=file, remedy="nothing here needs more than four levels"
            )
        ) from None
    except ValueError as error:  # an integer of thousands of digits
        raise BlindtestError(Fault(problem=f"a value can't be read: {error}", file=file)) from None
    source = Source(data=data, lines=lines, file=file, text=text)
    places = list(_oversized(data))
    oversized = [
        source.fault(path, "the number is too large", allowed="whole numbers of at most 64 bits") for path in places
    ]
    return Source(
        data=pruned(data, places),
        lines=lines,
        file=file,
        text=text,
        faults=tuple(oversized),
        oversized=tuple(places),
    )


def _decoded(raw: bytes, file: str) -> str:
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise BlindtestError(
            Fault(problem="the file is UTF-16 text", file=file, allowed="UTF-8", remedy="save it as UTF-8")
        )
    try:
        return raw.removeprefix(b"\xef\xbb\xbf").decode("utf-8")
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        raise BlindtestError(
            Fault(
                problem="a byte that is not UTF-8 text",
                file=file,
                line=line,
                got=f"byte 0x{error.object[error.start]:02x}",
                remedy="save the file as UTF-8",
            )
        ) from None


_SYNTAX: tuple[tuple[str, str, str], ...] = (
    (r"Invalid statement", "this is neither a key, a [table] nor a comment", "write key = value, or begin with #"),
    (r"Expected newline or end of document", "something follows the value", "one key = value on a line"),
    (r"Expected '=' after a key", "an equals sign is missing after the key", "write key = value"),
    (r"Expected '\]'", "the table's header has no closing bracket", "write [name]"),
    (r"Expected '\]\]'", "the table's header has no closing brackets", "write [[name]]"),
    (r"Expected .*['\"]", "a text in quotes doesn't end", "close it with the quote it began with"),
    (r"Cannot declare (.*) twice", "the table stands here a second time", "join the two, or use [[ ]] for several"),
    (r"Cannot overwrite a value", "the key stands here a second time", "keep one of the two"),
    (
        r"Cannot (mutate|redefine)",
        "the table is already complete where it stands in { } or [ ]",
        "write its keys there",
    ),
    (r"Duplicate inline table key", "the key stands twice in the same { }", "keep one of the two"),
    (r"Unclosed array", "a list has no closing bracket, or no comma between two entries", "write [a, b]"),
    (r"Unclosed inline table", "a { } isn't closed, or has no comma between two keys", "write { a = 1, b = 2 }"),
    (r"Unescaped ", "a backslash in a text in double quotes", "use / in paths, or 'single quotes'"),
    (r"Invalid hex value", "a backslash in a text in double quotes", "use / in paths, or 'single quotes'"),
    (r"Escaped character", "a backslash code that is no character", "use 'single quotes'"),
    (r"Unterminated string", "a text in quotes doesn't end", "close it with the quote it began with"),
    (
        r"Illegal character",
        "a character that can't stand here",
        "close quotes on the same line, end lines with LF or CRLF",
    ),
    (r"Found invalid character", "a character that can't stand here", "write comments in plain text"),
    (
        r"Invalid initial character",
        "a key is missing here, or has a character it can't have",
        "put such keys in quotes",
    ),
    (r"Invalid date or datetime", "not a date of the calendar", "write year-month-day, such as 2026-03-02"),
    (r"Invalid value", "not a value", "put text in quotes; numbers, true, false and dates without"),
)


def _syntax_fault(message: str, text: str, file: str) -> Fault:
    found = re.search(r"\(at (?:line (\d+), column (\d+)|end of document)\)$", message)
    line = int(found[1]) if found and found[1] else text.rstrip("\n").count("\n") + 1
    shown = _line_at(text, line).strip() or None
    if message.startswith("Cannot overwrite a value") and shown and shown.startswith("[["):
        remedy = "write [[ ]] for every one of them, the first too"
        return Fault(
            problem="another table of this name isn't one of several", file=file, line=line, got=shown, remedy=remedy
        )
    for pattern, problem, remedy in _SYNTAX:
        if re.match(pattern, message):
            return Fault(problem=problem, file=file, line=line, got=shown, remedy=remedy)
    return Fault(problem=f"not TOML: {message}", file=file, line=line, got=shown)


def _line_at(text: str, line: int) -> str:
    rows = text.split("\n", line)
    return rows[line - 1] if line <= len(rows) else ""


def _oversized(value: object, path: Place = ()) -> Iterator[Place]:
    if isinstance(value, int) and not -(2**63) <= value < 2**63:
        yield path
    elif isinstance(value, dict):
        for key, member in value.items():
            yield from _oversized(member, (*path, key))
    elif isinstance(value, list):
        for index, member in enumerate(value):
            yield from _oversized(member, (*path, index))


def pruned(data: dict[str, Any], paths: Sequence[Place]) -> dict[str, Any]:
    """Return a copy of `data` without what stands at `paths`; an entry of a list takes the list's key with it."""
    kept: dict[str, Any] = copied(data)
    for path in paths:
        around: Any = kept
        holder: tuple[dict[str, Any], str] | None = None
        for step in path:
            if isinstance(around, dict) and isinstance(step, str) and step in around:
                holder = (around, step)
            elif not (isinstance(around, list) and isinstance(step, int) and step < len(around)):
                break
            around = around[step]
        else:
            if holder is not None:
                holder[0].pop(holder[1], None)
    return kept


def copied(value: Any) -> Any:
    """Return a copy of tables and lists that can be changed without the original."""
    if isinstance(value, dict):
        return {key: copied(member) for key, member in value.items()}
    return [copied(member) for member in value] if isinstance(value, list) else value


def key_text(data: Mapping[str, Any], path: Sequence[str | int]) -> str:
    """Return `unit.heron.rig` for `("unit", 0, "rig")`; `unit.#1.rig` where the entry has no id."""
    words: list[str] = []
    around: Any = data
    for step in path:
        try:
            around = around[step]
        except (KeyError, IndexError, TypeError):
            around = None
        if isinstance(step, str):
            words.append(step if re.fullmatch(r"[A-Za-z0-9_-]+", step) else repr(step))
        elif isinstance(around, dict):
            name = around.get("id")
            words.append(name if isinstance(name, str) and re.fullmatch(r"[\w.-]+", name) else f"#{step + 1}")
    return ".".join(words)
