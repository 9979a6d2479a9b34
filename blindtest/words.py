"""Words for listeners and operators: English, and marked, so that the page can say them in another language.

`worded` marks a text where it is written. What it returns is the English text, a `str` like any other: it is stored,
compared and printed as it always was, and nothing that is sealed or recorded depends on a language. Beside the text it
keeps the message and what was put into it, so that `blindtest.web` can look the message up in a catalogue when it
leaves for a page. What an organiser wrote (an attribute, the name of a condition) goes in as a value and stays theirs.

The message is its own name in the catalogue, so it is written out where it is used, never put together.
"""

import re
from collections.abc import Iterable, Mapping
from decimal import Decimal
from typing import Any, Protocol

__all__ = ["ENGLISH", "LANGUAGES", "Worded", "listed", "sentence", "worded", "worded_many"]

ENGLISH = "en"
LANGUAGES: Mapping[str, str] = {ENGLISH: "English", "de": "Deutsch"}
"""Languages that the pages speak, by tag (RFC 5646), as they call themselves."""

_FIELD = re.compile(r"\{(\w+)\}")


class Worded(str):
    """An English text that knows its message and the values in it."""

    message: str
    values: Mapping[str, object]
    opens: bool
    """Whether it opens a sentence: its first letter is a capital in every language."""
    many: str
    """The message for any number but 1, where the number `count` among the values decides; else ''."""

    def __new__(
        cls, message: str, values: Mapping[str, object] | None = None, *, opens: bool = False, many: str = ""
    ) -> "Worded":
        """Return the text with `values` in the places that the message names in braces."""
        held = values or {}
        english = many if many and held["count"] != 1 else message
        made = super().__new__(
            cls, _filled(english, {name: _number(value, ".") for name, value in held.items()}, opens)
        )
        made.message, made.values, made.opens, made.many = message, held, opens, many
        return made

    def in_language(self, look_up: "LookUp", decimal: str) -> str:
        """Return the text in another language.

        Parameters
        ----------
        look_up : from an English message to that language's
        decimal : what stands between whole numbers and decimals there
        """
        values = {
            name: value.in_language(look_up, decimal) if isinstance(value, Worded) else _number(value, decimal)
            for name, value in self.values.items()
        }
        count = self.values["count"] if self.many else None
        if not isinstance(count, int):
            return _filled(look_up(self.message), values, self.opens)
        found = look_up(self.message, count)
        return _filled(self.many if found == self.message and count != 1 else found, values, self.opens)

    def __copy__(self) -> "Worded":
        return self

    def __deepcopy__(self, memo: dict[int, Any]) -> "Worded":
        return self

    def __reduce__(self) -> tuple[Any, ...]:
        return _again, (self.message, dict(self.values), self.opens, self.many)


class LookUp(Protocol):
    """From an English message to a language's; one that is not known comes back as it is."""

    def __call__(self, message: str, count: int | None = None, /) -> str:
        """Return the message; the form for `count` where a number decides."""
        ...


def _again(message: str, values: Mapping[str, object], opens: bool, many: str) -> Worded:
    return Worded(message, values, opens=opens, many=many)


def worded(message: str, /, **values: object) -> Worded:
    """Return a text for listeners: `worded("{name} is different", name="2")`."""
    return Worded(message, values)


def worded_many(one: str, many: str, count: int, /, **values: object) -> Worded:
    """Return a text that a number decides on: `one` for 1, `many` for any other; it goes in as {count}."""
    return Worded(one, {"count": count, **values}, many=many)


def listed(parts: Iterable[str], between: str = ", ") -> str:
    """Return texts one after the other; each stays as translatable as it was."""
    held = {f"part{at}": part for at, part in enumerate(parts)}
    return Worded(between.join(f"{{{name}}}" for name in held), held)


def sentence(clause: str) -> Worded:
    """Return a clause as a whole sentence: a capital in front, a full stop behind."""
    return Worded("{clause}.", {"clause": clause}, opens=True)


def _filled(message: str, values: Mapping[str, str], opens: bool) -> str:
    # One pass: braces in an organiser's words are text.
    text = _FIELD.sub(lambda found: values.get(found[1], found[0]), message)
    return text[:1].upper() + text[1:] if opens else text


def _number(value: object, decimal: str) -> str:
    if isinstance(value, float):
        return f"{value:g}".replace(".", decimal)
    if isinstance(value, Decimal):
        # Keeps its zeros: 5.0 on a scale with one decimal.
        return f"{value}".replace(".", decimal)
    return str(value)
