"""How far a panel's listener came who never began a sitting: the last step that is behind them, and nothing of it."""

from collections.abc import Mapping
from typing import Any

from blindtest.design import rules_from_record
from blindtest.session.panelist import Panelist
from blindtest.session.screening import Screening, ScreeningAnswer

__all__ = ["REACHED", "STEPS", "reached", "screening_is_over"]

STEPS = ("consent", "questions", "output", "screening")
"""In the order in which a listener meets them; a study may have no questions, and no tests."""
REACHED = "reached"
"""Under which a published record keeps it; there what was asked at the steps is left out. {}: an older one did not."""


def reached(one: Panelist) -> str | None:
    """Return the last of `STEPS` that a listener has behind them, on whichever device; None where nobody knows."""
    if REACHED in one.kept:
        return one.kept[REACHED].get("step")
    devices = range(one.device + 1)
    if any(_tested(one, device) for device in devices):
        return "screening"
    if any(one.on("output", device) for device in devices):
        return "output"
    return "questions" if one.kept.get("questions") else "consent"


def _tested(one: Panelist, device: int) -> bool:
    kept, seed = one.on("screening", device), one.seed_of(device)
    return bool(kept) and seed is not None and screening_is_over(kept, seed)


def screening_is_over(kept: Mapping[str, Any], seed: bytes) -> bool:
    """Return whether tests of playback have nothing more to ask; `kept`: rules and answers, as they are stored."""
    answers = tuple(ScreeningAnswer.from_record(held) for held in kept["answers"])
    return Screening(rules=rules_from_record(kept["rules"]), seed=seed, answers=answers).place is None
