"""Which stage does it? Pairs in which one stage of a chain is switched, each answered by a choice.

A choice for the side with the stage on is worth +50, one against it -50, none 0: the mean is the preference for the
stage beyond 1/2 in percentage points, over whatever the others do. Of a panel the unit is the listener, whose choices
are not independent of each other: one mean each, and Student's t. Of one listener the unit is the choice, with the
variance that it has where nothing is preferred, the largest there is, so that the limits are on the safe side of the
exact binomial's. Words, margins and Holm's correction over the stages are those of ratings (`attribution`).

Source: ISO 5495:2005 for pairs; Student 1908; Holm 1979; claims, section 2 (stage).
"""

from collections.abc import Sequence
from math import sqrt
from typing import TYPE_CHECKING

import numpy as np

from blindtest.errors import BlindtestError, Fault
from blindtest.stats.attribution import AttributionResult, family_of
from blindtest.stats.binomial import checked_probability
from blindtest.stats.contrasts import Estimates

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["CHOSEN", "LEAST_PANEL", "attribution_of_pairs"]

CHOSEN = 50.0
"""What a choice for a stage is worth, and less one against it: percentage points of preference beyond 1/2."""
LEAST_PANEL = 3
"""Two listeners are no panel, and too many for a single one."""


def attribution_of_pairs(
    table: "DataFrame", *, stages: Sequence[str], combinations: int, margin: float = 15.0, alpha: float = 0.05
) -> AttributionResult:
    """Return how much each stage is preferred, in percentage points beyond 1/2.

    Parameters
    ----------
    table : listener, clip, stage (the one that differs), value (50 for a choice with it on, -50 without, 0 for none)
    margin : smallest preference beyond 1/2 that matters, percentage points, below 50; sealed

    Raises
    ------
    BlindtestError
        A stage that was in no pair, two listeners, or one with a single pair of a stage.
    ValueError
        A number out of its range.
    """
    if not 0 < margin < CHOSEN:
        raise ValueError(f"the margin must be above 0 and below {CHOSEN:g}, got {margin}")
    checked_probability("alpha", alpha)
    listeners = int(table["listener"].nunique())
    if 1 < listeners < LEAST_PANEL:
        raise BlindtestError(Fault(problem="two listeners are no panel", got=listeners, allowed="1, or 3 and more"))
    estimates = {name: _estimates(table[table["stage"] == name], name, listeners) for name in stages}
    return AttributionResult(
        stages=family_of(stages, estimates, margin, alpha),
        interactions=(),
        combinations=combinations,
        listeners=listeners,
        clips=int(table["clip"].nunique()),
        ratings=len(table),
        margin=float(margin),
        alpha=float(alpha),
        scope="for this listener and these clips" if listeners == 1 else "for listeners like these and these clips",
        remarks=(),
        method="pairs in which one stage is switched; "
        + ("choices as units, the largest variance" if listeners == 1 else "one mean per listener, Student's t"),
        assumptions=(
            "pairs were presented blind, in drawn order",
            "the preference for a stage is its mean over what the others do",
            "listeners answer independently of each other",
        ),
        source="ISO 5495:2005; Student 1908; Holm 1979",
    )


def _estimates(own: "DataFrame", stage: str, listeners: int) -> Estimates:
    if listeners == 1:
        values = own["value"].to_numpy(dtype=np.float64)
        if len(values) < 2:
            raise BlindtestError(Fault(problem=f"no two pairs of the stage {stage!r} were answered", key="stage"))
        return _of(float(values.mean()), CHOSEN / sqrt(len(values)), len(values) - 1.0)
    means = own.groupby("listener")["value"].agg(["mean", "count"])
    if len(means) < LEAST_PANEL:
        raise BlindtestError(
            Fault(
                problem=f"too few listeners answered a pair of the stage {stage!r}",
                key="stage",
                got=len(means),
                allowed=f"{LEAST_PANEL} or more",
            )
        )
    # Where all means are alike they were measured no finer than half a choice.
    spread = max(float(means["mean"].std(ddof=1)), CHOSEN / float(means["count"].mean()))
    return _of(float(means["mean"].mean()), spread / sqrt(len(means)), len(means) - 1.0)


def _of(mean: float, error: float, df: float) -> Estimates:
    return Estimates(mean=np.asarray(mean), std_error=np.asarray(error), df=np.asarray(df))
