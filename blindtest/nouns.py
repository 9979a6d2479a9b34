"""A number with its noun, as a sentence says it: 1 trial, 2 trials."""

__all__ = ["number_of"]


def number_of(count: int, one: str, many: str = "") -> str:
    """Return a count with the words behind it: `one` for 1, else `many`; without it `one` with an s."""
    return f"{count} {one if count == 1 else many or one + 's'}"
