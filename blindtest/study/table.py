"""What every table of a user's typing shares: strictness, keys that come later, and what a field allows in words."""

from dataclasses import dataclass
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainValidator, WithJsonSchema
from pydantic_core import PydanticCustomError

from blindtest.words import LANGUAGES

__all__ = ["Band", "FilePath", "Format", "Frequency", "Id", "Label", "Language", "Table", "Text", "Words"]


@dataclass(frozen=True, slots=True)
class Words:
    """What a field allows, where its type alone doesn't say it in words."""

    allowed: str
    choices: tuple[str, ...] = ()
    """The values, where there are only these."""


class Table(BaseModel):
    """A table of a user's typing."""

    model_config = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)
    later: ClassVar[tuple[str, ...]] = ()
    """Keys that a later stage of the tool reads."""
    later_values: ClassVar[dict[str, tuple[str, ...]]] = {}
    """Values of a key that a later stage of the tool knows."""
    hidden: ClassVar[tuple[str, ...]] = ()
    """Keys whose value is never shown: somebody may have written a secret there."""


_ID_WORDS = "letters, digits, '-', '_' and '.', at most 64, a letter or digit first"
Id = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,63}$"), Words(_ID_WORDS)]
Text = Annotated[
    str,
    Field(
        min_length=1,
        max_length=500,
        pattern=r"^[^\x00-\x08\x0b-\x1f\x7f]*[^\s\x00-\x1f\x7f][^\x00-\x08\x0b-\x1f\x7f]*$",
    ),
    Words("text of 1 to 500 characters"),
]
"""Without control characters, which neither a database nor a page can hold, but for tabs and ends of lines."""


def _one(value: object) -> object:
    # True is 1 to Python, and no version of a format.
    if type(value) is not int:
        raise PydanticCustomError("literal_error", "not the number of a format")
    return value


Format = Annotated[Literal[1], BeforeValidator(_one), Words("1")]
"""The version of the form of a file."""


def _language(value: object) -> str:
    if isinstance(value, str) and value in LANGUAGES:
        return value
    raise PydanticCustomError("literal_error", "no language that the pages speak")


Language = Annotated[
    Any,
    PlainValidator(_language),
    WithJsonSchema({"enum": list(LANGUAGES)}),
    Words(" or ".join(f"'{tag}'" for tag in LANGUAGES), choices=tuple(LANGUAGES)),
]
"""One that the pages speak."""
Label = Annotated[
    str,
    Field(min_length=1, max_length=80, pattern=r"^[^\x00-\x1f\x7f]*[^\s\x00-\x1f\x7f][^\x00-\x1f\x7f]*$"),
    Words("text of 1 to 80 characters"),
]
FilePath = Annotated[str, Field(min_length=1, max_length=1000), Words("a path relative to the study file, with /")]
Frequency = Annotated[float, Field(gt=0, le=200_000)]
Band = Annotated[list[Frequency], Field(min_length=2, max_length=2), Words("two frequencies in Hz, the lower first")]
