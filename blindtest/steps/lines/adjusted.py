"""Settings in words: the terminal's lines."""

from collections.abc import Sequence

from blindtest.report import SettingsFacts, cross_check, setting_beside, setting_sentence
from blindtest.steps.setting_columns import setting_columns

__all__ = ["adjusted_lines", "beside_lines"]


def adjusted_lines(one: SettingsFacts) -> list[str]:
    """Return what became of a claim that a match holds, with everything that must stand beside it."""
    found = one.result
    if found is None:
        return [setting_sentence(one)]
    lines = [f"Result: {found.word}. {setting_sentence(one)}", *setting_beside(one)]
    return [*lines, "", setting_columns(found)]


def beside_lines(beside: Sequence[SettingsFacts]) -> list[str]:
    """Return what listeners set where no claim rests on it."""
    lines = []
    for one in beside:
        first, *further = cross_check(one)
        lines += [f"Cross-check (block {', '.join(one.blocks)}): {first}", *further]
    return lines
