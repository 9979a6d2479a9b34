"""How sure a listener is of an answer: the levels that are asked for beside it, from a guess to certain.

Asked after the answer is chosen and before it is confirmed, so that it is about this answer and nothing told about it.
"""

__all__ = ["CONFIDENCE_LEVELS", "CONFIDENCE_PROMPT"]

CONFIDENCE_PROMPT = "How sure are you of it?"
CONFIDENCE_LEVELS: tuple[tuple[int, str], ...] = ((1, "A guess"), (2, "Unsure"), (3, "Fairly sure"), (4, "Certain"))
"""Value, as it stands in the trial table, and words."""
