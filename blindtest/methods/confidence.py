"""How sure a listener is of an answer: the levels that are asked for beside it, from a guess to certain.

Asked after the answer is chosen and before it is confirmed, so that it is about this answer and nothing told about it.
"""

from blindtest.words import worded

__all__ = ["CONFIDENCE_LEVELS", "CONFIDENCE_PROMPT"]

CONFIDENCE_PROMPT = worded("How sure are you of it?")
CONFIDENCE_LEVELS: tuple[tuple[int, str], ...] = (
    (1, worded("A guess")),
    (2, worded("Unsure")),
    (3, worded("Fairly sure")),
    (4, worded("Certain")),
)
"""Value, as it stands in the trial table, and words."""
