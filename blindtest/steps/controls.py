"""What control trials found: whether listener and chain could show anything. Apart from every claim, never in one.

Right answers to audible controls are held against guessing; those to inaudible ones, where a sound is heard against
itself, are nothing but luck, unless something besides the sound told them apart (methods: exact binomial, one-sided).
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from blindtest.design import ControlKind, Plan
from blindtest.methods import METHODS
from blindtest.stats import discrimination_test
from blindtest.steps.answers.sitting import trials_met

__all__ = ["ControlsFound", "controls_found", "controls_words"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ControlsFound:
    """Control trials of one kind in one block, over all sittings that count."""

    block: str
    kind: ControlKind
    method: str
    found: int
    """Answered rightly."""
    answered: int
    planned: int
    guess_rate: float
    p_value: float | None
    """Exact, one-sided: this many or more right by guessing alone; None where none was answered."""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return asdict(self)


def controls_found(sittings: Sequence[tuple[Plan, Sequence[Mapping[str, Any]]]]) -> tuple[ControlsFound, ...]:
    """Return what was found of each kind of control, block by block; `sittings`: each plan with its rows."""
    planned: dict[tuple[str, ControlKind, str], int] = {}
    right: dict[tuple[str, ControlKind, str], list[bool]] = {}
    for plan, rows in sittings:
        keys: dict[int, tuple[str, ControlKind, str]] = {}
        for number in range(trials_met(plan, rows)):
            if (kind := plan.control(number)) is not None:
                block = plan.place(number)[0]
                keys[number] = (block.id, kind, block.method)
                planned[keys[number]] = planned.get(keys[number], 0) + 1
        for row in rows:
            if row["phase"] == "control" and int(row["trial"]) in keys:
                right.setdefault(keys[int(row["trial"])], []).append(row["correct"] is True)
    return tuple(
        _found(block, kind, method, right.get((block, kind, method), []), count)
        for (block, kind, method), count in sorted(planned.items())
    )


def _found(block: str, kind: ControlKind, method: str, right: Sequence[bool], planned: int) -> ControlsFound:
    guess = METHODS[method].guess_rate
    assert guess is not None, "controls stand in blocks whose answers are right or wrong"
    return ControlsFound(
        block=block,
        kind=kind,
        method=method,
        found=sum(right),
        answered=len(right),
        planned=planned,
        guess_rate=guess,
        p_value=discrimination_test(sum(right), len(right), method=method).p_value if right else None,
    )


def controls_words(found: Sequence[ControlsFound], alpha: float) -> list[str]:
    """Return what the controls say, a sentence each, the counts first."""
    lines = []
    blocks = dict.fromkeys(one.block for one in found)
    for block in blocks:
        own = {one.kind: one for one in found if one.block == block}
        counts = " and ".join(
            f"{one.found} of {one.answered} {'audible controls' if one.kind == 'audible' else 'identical ones'}"
            for one in own.values()
        )
        where = f" (block {block})" if len(blocks) > 1 else ""
        lines.append(f"Controls{where}: found {counts}; they count in no claim.")
        audible, same = own.get("audible"), own.get("inaudible")
        if audible is not None and audible.p_value is not None and audible.p_value > alpha:
            lines.append(
                "The audible controls were not found more often than by guessing (p = "
                f"{audible.p_value:.3g}): listener or chain may have been unable to show anything, so a score near "
                "guessing says little."
            )
        if same is not None and same.p_value is not None and same.p_value <= alpha:
            lines.append(
                "Identical ones were found more often than by guessing (p = "
                f"{same.p_value:.3g}): look for something besides the sound that told."
            )
    return lines
