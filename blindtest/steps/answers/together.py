"""What as many listeners with as many trials could have concluded together: the chances that stand beside a result."""

from collections.abc import Mapping, Sequence
from typing import Any, Literal

from blindtest.stats import PanelChances, panel_chances
from blindtest.steps.answers.sitting import SittingAnswers

__all__ = ["chances_together", "together_line"]


def chances_together(
    kind: Literal["heard", "preferred", "attribute"],
    claim: Mapping[str, Any],
    sittings: Sequence[SittingAnswers],
    *,
    method: str,
    alpha: float,
    planned: int,
) -> PanelChances | None:
    """Return the chances of listeners who are alike; None of a single one, and without a margin.

    planned : trials of all listeners; where some have more than others, as if they were dealt evenly
    """
    listeners = len({sitting.entry.listener for sitting in sittings if sitting.planned_for(claim)})
    if claim["margin"] is None or listeners < 2:
        return None
    return panel_chances(
        kind,
        method=method,
        listeners=listeners,
        trials=max(1, round(planned / listeners)),
        margin=claim["margin"],
        alpha=alpha,
        direction="claimed" if kind == "heard" else claim["direction"],
    )


def together_line(found: PanelChances) -> str:
    """Return what stands below the plan of all answers in one pot."""
    return f"The same where negligible must also withstand how far listeners differ: {found.sentence}"
