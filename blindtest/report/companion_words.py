"""What was looked at beside a result, in words: in full where a reader should think twice, else in passing."""

from collections.abc import Sequence

from blindtest.stats import Companion

__all__ = ["asked_for", "companion_lines", "in_passing", "second_thoughts"]


def second_thoughts(companions: Sequence[Companion]) -> tuple[str, ...]:
    """Return a sentence for each look that should make a reader think twice."""
    return tuple(f"Beside it ({one.name}): {one.sentence}" for one in companions if one.notable)


def in_passing(companions: Sequence[Companion]) -> str:
    """Return one sentence that names the other looks; empty without any."""
    others = "; ".join(one.short for one in companions if not one.notable and not one.asked)
    return f"Looked at beside it, without cause to think twice: {others}." if others else ""


def asked_for(companions: Sequence[Companion]) -> tuple[str, ...]:
    """Return a sentence for each look that the plan asked for, where it gives no second thoughts."""
    return tuple(f"Beside it ({one.name}): {one.sentence}" for one in companions if one.asked and not one.notable)


def companion_lines(companions: Sequence[Companion]) -> list[str]:
    """Return both, a line each."""
    passing = in_passing(companions)
    return [*second_thoughts(companions), *asked_for(companions), *([passing] if passing else [])]
