"""Looks of a group sequential test, as a user writes them: how many, or after which trials."""

import itertools
from typing import Any

from pydantic_core import PydanticCustomError

__all__ = ["LOOKS_SCHEMA", "LOOKS_WORDS", "looks"]

MOST_LOOKS = 20
LOOKS_WORDS = f"how many looks, 2 to {MOST_LOOKS}, or numbers of trials in [ ] that rise"
LOOKS_SCHEMA: dict[str, Any] = {
    "anyOf": [
        {"type": "integer", "minimum": 2, "maximum": MOST_LOOKS},
        {"type": "array", "items": {"type": "integer", "minimum": 1}, "minItems": 2, "maxItems": MOST_LOOKS},
    ]
}


def looks(value: object) -> int | list[int]:
    """Return `value` if it says after which trials somebody looks."""
    if type(value) is int and 2 <= value <= MOST_LOOKS:
        return value
    numbers = value if isinstance(value, list) and all(type(one) is int for one in value) else []
    rising = all(later > earlier for earlier, later in itertools.pairwise(numbers))
    if 2 <= len(numbers) <= MOST_LOOKS and rising and numbers[0] >= 1:
        return numbers
    raise PydanticCustomError("looks", "not usable as looks")
