"""JSON that came from somebody else: read within limits, strictly, or refused in one line."""

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from blindtest.errors import BlindtestError, Fault
from blindtest.steps.bundle.limits import LIMITS, Limits

__all__ = ["depth_of", "read_json", "read_json_lines"]

_TOKENS = re.compile(r'"(?:[^"\\]|\\.)*+(?:"|\\?\Z)|[\[{]|[\]}]', re.DOTALL)
"""A text without its end is one token too: else each quote in it would be a new beginning, and time its square."""


def read_json(path: Path, *, name: str = "", limits: Limits = LIMITS) -> Any:
    """Return the one JSON document of a file: UTF-8, no key twice, no NaN or infinity, no number that isn't finite.

    Parameters
    ----------
    name : what the file is called in messages

    Raises
    ------
    BlindtestError
        It is larger or deeper than `limits`, or not that.
    """
    name = name or str(path)
    try:
        with path.open("rb") as file:
            data = file.read(limits.json_bytes + 1)
    except OSError as error:
        raise BlindtestError(Fault(problem=f"can't be read ({error.strerror})", file=name)) from None
    if len(data) > limits.json_bytes:
        raise BlindtestError(_too_large(name, limits.json_bytes))
    return _value(data, name, None, limits)


def read_json_lines(path: Path, *, name: str = "", limits: Limits = LIMITS) -> Iterator[dict[str, Any]]:
    """Yield the JSON object of each line of a file.

    Raises
    ------
    BlindtestError
        As `read_json` does, with the line's number; the last line is cut off, or a line is no object.
    """
    name = name or str(path)
    try:
        with path.open("rb") as file:
            taken = 0
            for number in range(1, 1 << 62):
                line = file.readline(limits.line_bytes + 1)
                if not line:
                    return
                taken += len(line)
                if len(line) > limits.line_bytes or taken > limits.lines_bytes:
                    raise BlindtestError(_too_large(name, limits.line_bytes, number))
                if not line.endswith(b"\n"):
                    raise BlindtestError(Fault(problem="the last line is cut off", file=name, line=number))
                value = _value(line, name, number, limits)
                if not isinstance(value, dict):
                    problem = "a line is no JSON object"
                    raise BlindtestError(Fault(problem=problem, file=name, line=number, got=value))
                yield value
    except OSError as error:
        raise BlindtestError(Fault(problem=f"can't be read ({error.strerror})", file=name)) from None


def depth_of(text: str) -> int:
    """Return how deep the brackets of a JSON text go, without parsing it: a parser may fall over before it can tell."""
    depth = deepest = 0
    for token in _TOKENS.finditer(text):
        first = token.group()[0]
        if first in "[{":
            depth += 1
            deepest = max(deepest, depth)
        elif first in "]}":
            depth -= 1
    return deepest


def _value(data: bytes, name: str, line: int | None, limits: Limits) -> Any:
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise BlindtestError(Fault(problem=f"not UTF-8 at byte {error.start}", file=name, line=line)) from None
    if text.count("[") + text.count("{") > limits.depth and depth_of(text) > limits.depth:
        problem = f"JSON nested deeper than {limits.depth}"
        raise BlindtestError(Fault(problem=problem, file=name, line=line))
    try:
        return json.loads(text, object_pairs_hook=_object, parse_constant=_no_number, parse_float=_finite)
    except (ValueError, RecursionError) as error:
        reason = "nested too deeply" if isinstance(error, RecursionError) else str(error).partition(": line")[0]
        raise BlindtestError(Fault(problem=f"not JSON: {_plain(reason)}", file=name, line=line)) from None


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        seen: set[str] = set()
        twice = next(key for key, _ in pairs if key in seen or seen.add(key))  # type: ignore[func-returns-value]
        raise ValueError(f"the key {twice[:80]!r} stands there twice")
    return found


def _no_number(text: str) -> Any:
    raise ValueError(f"{text} is no JSON number")


def _finite(text: str) -> float:
    value = float(text)
    if value in (float("inf"), float("-inf")):
        raise ValueError(f"{text[:40]} is beyond every finite number")
    return value


def _plain(text: str) -> str:
    return " ".join(text.split())[:200]


def _too_large(name: str, limit: int, line: int | None = None) -> Fault:
    return Fault(problem=f"larger than {limit >> 20} MiB", file=name, line=line, remedy="this is no bundle of ours")
