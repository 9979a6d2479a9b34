"""Planned trials that nobody answered, in the words that stand behind a conclusion."""

from blindtest.nouns import number_of

__all__ = ["unanswered_words"]


def unanswered_words(unanswered: int, *, answered: int, alone: str) -> str:
    """Return what is added to a conclusion where answers are lacking; '' where none are.

    alone : the word of the answered trials alone; where none was answered there is none
    """
    if not unanswered:
        return ""
    if not answered:
        return f"; of {number_of(unanswered, 'planned trial')} none was answered"
    return (
        f"; {number_of(unanswered, 'unanswered trial counts', 'unanswered trials count')} against it, the answered "
        f"ones alone would say {alone}"
    )
