"""Lines of a published record's files, as somebody else wrote them: the form of each, and what it refuses.

What our own lines hold stands in `session.record_lines`.
"""

import json
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from blindtest.errors import BlindtestError, Fault

__all__ = ["kept_lines"]

_HEX = frozenset("0123456789abcdef")
_DEEPEST = 40
"""Levels of nesting; our own records have fewer than ten."""

_Check = tuple[Callable[[Any], bool], str]
"""Whether a value fits, and what fits in words."""


def _is_hash(value: object) -> bool:
    return isinstance(value, str) and len(value) == 64 and set(value) <= _HEX


def _is_time(value: object) -> bool:
    try:
        return isinstance(value, str) and datetime.fromisoformat(value).tzinfo is not None
    except ValueError:
        return False


def _or_none(check: Callable[[Any], bool]) -> Callable[[Any], bool]:
    return lambda value: value is None or check(value)


_TEXT: _Check = (lambda value: isinstance(value, str), "a text")
_HASH: _Check = (_is_hash, "64 hexadecimal digits")
_HASH_OR_NONE: _Check = (_or_none(_is_hash), "64 hexadecimal digits, or null")
_TIME: _Check = (_is_time, "ISO 8601 with zone")
_TIME_OR_NONE: _Check = (_or_none(_is_time), "ISO 8601 with zone, or null")
_COUNT: _Check = (lambda value: type(value) is int and value >= 0, "a whole number")
_NUMBER: _Check = (lambda value: type(value) is int and value >= 1, "a whole number from 1")
_TABLE: _Check = (lambda value: isinstance(value, dict), "a table")
_HELD: _Check = (lambda value: isinstance(value, str), "the text of a JSON table")
_HELD_OR_NONE: _Check = (_or_none(lambda value: isinstance(value, str)), "the text of a JSON table, or null")

_FORMS: dict[str, dict[str, _Check]] = {
    "seals": {
        "commitment": _HASH,
        "kind": (lambda value: value in ("study", "sitting"), "study, sitting"),
        "record": _HELD,
        "nonce": _HASH_OR_NONE,
        "public": _TEXT,
        "created": _TIME,
        "opened": _TIME_OR_NONE,
    },
    "sittings": {
        "number": _NUMBER,
        "study_seal": _HASH,
        "commitment": _HASH,
        "listener": _TEXT,
        "state": (lambda value: value in ("open", "finished", "abandoned"), "open, finished, abandoned"),
        "created": _TIME,
        "deadline": _TIME,
        "ended": _TIME_OR_NONE,
        "reason": _TEXT,
        "links": _COUNT,
        "head": _HASH,
        "forgotten": _TIME_OR_NONE,
    },
    "chain": {
        "sitting": _NUMBER,
        "position": _NUMBER,
        "row_hash": _HASH,
        "hash": _HASH,
        "salt": _HASH_OR_NONE,
        "row": _HELD_OR_NONE,
    },
    "events": {"sitting": _NUMBER, "event": _TABLE},
    "impressions": {
        "position": _NUMBER,
        "hash": _HASH,
        "created": _TIME,
        "salt": _HASH_OR_NONE,
        "row": _HELD_OR_NONE,
        "forgotten": _TIME_OR_NONE,
    },
    "panel": {
        "listener": _TEXT,
        "consent_sha256": _HASH,
        "seed": _HASH_OR_NONE,
        "screening": (_or_none(lambda value: isinstance(value, dict)), "a table, or null"),
        "output": (_or_none(lambda value: isinstance(value, dict)), "a table, or null"),
    },
    "overrides": {"at": _TIME, "what": _TEXT, "reason": _TEXT},
    "settings": {"key": _TEXT, "value": (lambda value: True, "")},
}
_ONCE = {"panel": ("listener",), "seals": ("commitment",), "sittings": ("number",), "settings": ("key",)}
"""Keys of which no two lines have the same value."""


def kept_lines(files: Mapping[str, bytes], name: str, path: Path) -> list[dict[str, Any]]:
    """Return the lines of a file of a record, each with the keys of its form; texts of hashed tables opened.

    Parameters
    ----------
    files : bytes by file name
    name : of the file wanted, such as `seals.jsonl`
    path : folder they came from, named in faults

    Raises
    ------
    BlindtestError
        The file is missing, is not UTF-8, or a line has not the form of its kind.
    """
    file, kind = str(path / name), name.removesuffix(".jsonl")
    if name not in files:
        raise BlindtestError(Fault(problem="this file of the record is missing", file=file))
    try:
        text = files[name].decode("utf-8")
    except UnicodeDecodeError as error:
        place = files[name].count(b"\n", 0, error.start) + 1
        raise BlindtestError(Fault(problem="not UTF-8", file=file, line=place)) from None
    found, seen = [], set()
    for number, line in enumerate(text.split("\n"), start=1):
        if not line:
            continue
        table = _table(line, file, number)
        _formed(table, _FORMS[kind], file, number)
        for key in ("record", "row"):
            if isinstance(table.get(key), str):
                table[key] = _table(table[key], file, number, key)
        once = tuple(table[key] for key in _ONCE.get(kind, ()))
        if once and once in seen:
            raise BlindtestError(Fault(problem="stands there twice", file=file, line=number, got=once[0]))
        seen.add(once)
        found.append(table)
    return found


def _table(text: str, file: str, line: int, key: str = "") -> dict[str, Any]:
    def refuse(constant: str) -> None:
        raise ValueError(f"{constant} is no JSON")

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        table = dict(pairs)
        if len(table) != len(pairs):
            raise ValueError("a key stands there twice")
        return table

    try:
        table = json.loads(text, parse_constant=refuse, object_pairs_hook=once)
        if _depth(table) > _DEEPEST:
            raise ValueError("nested too deeply")
    except RecursionError:
        raise BlindtestError(Fault(problem="nested too deeply", file=file, line=line, key=key)) from None
    except ValueError as error:
        raise BlindtestError(Fault(problem=f"not JSON: {error}", file=file, line=line, key=key)) from None
    if not isinstance(table, dict):
        raise BlindtestError(Fault(problem="not a table", file=file, line=line, key=key, got=table))
    return table


def _depth(value: object) -> int:
    deepest, waiting = 0, [(value, 1)]
    while waiting:
        one, depth = waiting.pop()
        deepest = max(deepest, depth)
        inside = one.values() if isinstance(one, dict) else one if isinstance(one, list) else ()
        waiting += [(each, depth + 1) for each in inside]
    return deepest


def _formed(table: Mapping[str, Any], form: Mapping[str, _Check], file: str, line: int) -> None:
    faults = [Fault(problem="missing", file=file, line=line, key=key) for key in form.keys() - table.keys()]
    faults += [
        Fault(problem="not usable", file=file, line=line, key=key, got=table[key], allowed=words)
        for key, (fits, words) in form.items()
        if key in table and not fits(table[key])
    ]
    if faults:
        raise BlindtestError.of(sorted(faults, key=lambda fault: fault.key))
