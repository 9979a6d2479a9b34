"""What stands beside a result, in lines: in full where a reader should think twice, else in passing."""

from collections.abc import Sequence

from blindtest.stats import Companion

__all__ = ["companion_lines"]


def companion_lines(companions: Sequence[Companion]) -> list[str]:
    """Return a line for each notable companion, and one that names the others."""
    lines = [f"Beside it ({one.name}): {one.sentence}" for one in companions if one.notable]
    others = [one.short for one in companions if not one.notable]
    if others:
        lines.append(f"Looked at beside it, without cause to think twice: {'; '.join(others)}.")
    return lines
