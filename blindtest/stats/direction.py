"""Whether a claim is tested on both sides, or in the claimed direction alone."""

from typing import Literal

__all__ = ["Direction", "check_direction"]

Direction = Literal["two-sided", "claimed"]
"""Which p the plan sealed: on both sides, or in the claimed direction only."""


def check_direction(direction: str) -> None:
    """Raise ValueError where it is neither."""
    if direction not in ("two-sided", "claimed"):
        raise ValueError(f"no direction {direction!r} (there are: two-sided, claimed)")
