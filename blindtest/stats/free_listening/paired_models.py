"""Choices between two slots as paired comparisons: the slot that played first is the one heard first.

With several listeners two models stand side by side: all answers in one pot, and strengths that differ between
listeners (heterogeneity.py). The effect of being heard first is that of staying with the slot that played first.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from blindtest.errors import BlindtestError
from blindtest.stats.free_listening.tracks import Track
from blindtest.stats.heterogeneity import fit_heterogeneous_preferences
from blindtest.stats.heterogeneity_result import HeterogeneityResult
from blindtest.stats.strengths import PreferenceResult, fit_paired_preferences

__all__ = ["PairedModels", "paired_models"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PairedModels:
    """The models that could be fitted, and why others could not."""

    pooled: PreferenceResult | None
    panel: HeterogeneityResult | None
    remarks: tuple[str, ...]


def paired_models(tracks: Sequence[Track]) -> PairedModels:
    """Return the paired models of these tracks; none where a track has more than two slots or no start slot."""
    import pandas as pd

    if any(len(track.slots) != 2 or track.start is None for track in tracks):
        why = "no paired model: it needs two slots on every track, and which of them played first"
        return PairedModels(pooled=None, panel=None, remarks=(why,))
    table = pd.DataFrame([_comparison(track) for track in tracks])
    remarks = []
    pooled = panel = None
    try:
        pooled = fit_paired_preferences(table, ties=None)
    except BlindtestError as error:
        remarks.append(f"no paired model: {error.faults[0].problem}")
    if pooled is not None and table["listener"].nunique() > 1:
        try:
            panel = fit_heterogeneous_preferences(table, parts=("listener",), ties=None)
        except BlindtestError as error:
            remarks.append(f"no paired model of listeners that differ: {error.faults[0].problem}")
    return PairedModels(pooled=pooled, panel=panel, remarks=tuple(remarks))


def _comparison(track: Track) -> dict[str, str | None]:
    first = track.start_condition
    second = next(condition for condition in track.conditions if condition != first)
    outcome = None if track.chosen is None else ("first" if track.chosen == first else "second")
    return {"listener": track.listener, "first": first, "second": second, "outcome": outcome}
