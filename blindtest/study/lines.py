"""Where in a TOML text each table, key and array entry stands.

`tomllib` (TOML 1.0) gives values without places. `lines_of` walks a text that `tomllib` has accepted once more, knowing
only what it needs: comments, the four kinds of string, brackets, and what headers mean. A path is a tuple of keys and
0-based indices, as pydantic gives it: `("unit", 1, "responses", 0)`.
"""

import re
import tomllib

__all__ = ["Place", "line_of", "lines_of"]

Place = tuple[str | int, ...]

_SPACE = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_KEY_PART = re.compile(r"""[ \t]*("(?:[^"\\\n]|\\.)*"|'[^'\n]*'|[A-Za-z0-9_-]+)[ \t]*""")
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}'  # up to two quotes may stand before the closing three
    r"|'''.*?'{3,5}"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)
_PLAIN = re.compile(r"[^,\]}\n#]*")


def lines_of(text: str) -> dict[Place, int]:
    """Return the 1-based line of every header, key and array entry of `text`, which `tomllib` has accepted."""
    return _Walk(text).lines


def line_of(lines: dict[Place, int], path: Place) -> int | None:
    """Return the line of `path`, or of the nearest table around it; None where even that isn't in the text."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


class _Walk:
    """One pass over a text. `lines` holds what it found; `at` is where it stands."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: dict[Place, int] = {}
        self._entries: dict[Place, int] = {}
        self._counted_to, self._line = 0, 1
        table: Place = ()
        self._skip()
        while self.at < len(text):
            if text.startswith("[[", self.at):
                table = self._header(2)
            elif text[self.at] == "[":
                table = self._header(1)
            else:
                self._pair(table)
            self._skip()

    def _header(self, brackets: int) -> Place:
        line = self._here()
        self.at += brackets
        path: Place = ()
        keys = self._key()
        for number, key in enumerate(keys, start=1):
            path = (*path, key)
            self.lines.setdefault(path, line)
            if brackets == 2 and number == len(keys):
                self._entries[path] = self._entries.get(path, -1) + 1
            if path in self._entries:  # a header below an array of tables means its last entry
                path = (*path, self._entries[path])
        self.at += brackets
        self.lines.setdefault(path, line)
        return path

    def _pair(self, table: Place) -> None:
        line = self._here()
        path = table
        for key in self._key():
            path = (*path, key)
            self.lines.setdefault(path, line)
        self.at += 1  # the equals sign
        self._value(path)

    def _value(self, path: Place) -> None:
        self._skip()
        if self.at >= len(self.text):
            return
        opening = self.text[self.at]
        if opening == "[":
            self._members(path, "]")
        elif opening == "{":
            self._members(path, "}")
        elif opening in "\"'" and (found := _STRING.match(self.text, self.at)):
            self.at = found.end()
        else:
            self._take(_PLAIN)

    def _members(self, path: Place, closing: str) -> None:
        self.at += 1
        index = 0
        self._skip()
        while self.at < len(self.text) and self.text[self.at] != closing:
            if closing == "}":
                self._pair(path)
            else:
                self.lines[(*path, index)] = self._here()
                self._value((*path, index))
            index += 1
            self._skip()
            if self.text[self.at : self.at + 1] == ",":
                self.at += 1
                self._skip()
        self.at += 1

    def _key(self) -> list[str]:
        """Take a key, dotted or not, and return its parts without their quotes."""
        parts = []
        while found := _KEY_PART.match(self.text, self.at):
            self.at = found.end()
            part = found[1]
            parts.append(tomllib.loads(f"key = {part}")["key"] if part[0] in "\"'" else part)
            if self.text[self.at : self.at + 1] != ".":
                return parts
            self.at += 1
        raise ValueError(f"no key at character {self.at}")

    def _skip(self) -> None:
        self._take(_SPACE)

    def _take(self, pattern: re.Pattern[str]) -> None:
        if found := pattern.match(self.text, self.at):
            self.at = found.end()

    def _here(self) -> int:
        self._line += self.text.count("\n", self._counted_to, self.at)
        self._counted_to = self.at
        return self._line
