"""What is said of a choice that is none of those offered."""

from collections.abc import Sequence

from blindtest.words import worded

__all__ = ["must_be_one_of"]


def must_be_one_of(values: Sequence[object]) -> str:
    """Return that an answer is one of `values`, two at least, in words."""
    *others, last = [str(value) for value in values]
    return worded("the answer must be {others} or {last}", others=", ".join(others), last=last)
