"""Which verdicts a plan of labelled and blind ratings can reach, and how often; simulated before anybody listens."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from blindtest.report import PlanCurves
from blindtest.stats import SurvivalPower, survival_power
from blindtest.steps.columns import columns

__all__ = ["SurvivalPowerShown", "rating_power"]

SIMULATION_SEED = 20_260_304
"""Fixed, so that the same question gets the same answer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SurvivalPowerShown:
    """What `blindtest power --method rating` prints."""

    power: SurvivalPower
    curves: PlanCurves | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {"survival": self.power.to_dict()}

    def text(self) -> str:
        """Return it in words and columns."""
        rows = [
            (
                f"{row.blind:+.1f}", row.true_state, f"{row.survives:.2f}", f"{row.shrinks:.2f}", f"{row.vanishes:.2f}",
                f"{row.reverses:.2f}", f"{row.undecided:.2f}", f"{row.nothing_on_record:.2f}",
            )
            for row in self.power.chances
        ]  # fmt: skip
        headings = (
            "true blind effect", "is", "survives", "shrinks", "vanishes", "reverses", "undecided", "nothing on record",
        )  # fmt: skip
        return "\n".join([self.power.sentence, "", columns(headings, rows), "", *self.power.assumptions])


def rating_power(
    *,
    listeners: int = 1,
    sittings: int = 2,
    clips: int = 5,
    repeats: int = 2,
    labelled: float = 20.0,
    blind: Sequence[float] | None = None,
    margin: float | None = None,
    alpha: float = 0.05,
) -> SurvivalPowerShown:
    """Return which verdicts a plan of labelled and blind ratings can reach, and how often; simulated.

    Parameters
    ----------
    sittings : labelled ones, and as many blind ones, of each listener
    labelled, blind : true effects in points of the scale
    """
    found = survival_power(
        listeners=listeners,
        sittings=sittings,
        clips=clips,
        repeats=repeats,
        labelled=labelled,
        blind=blind,
        margin=8.0 if margin is None else margin,
        alpha=alpha,
        rng=np.random.default_rng(SIMULATION_SEED),
    )
    return SurvivalPowerShown(power=found)
