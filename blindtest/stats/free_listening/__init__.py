"""Does the device keep somebody listening? Whole tracks, unlabelled slots, a choice with a consequence, and dwell.

`choice_test` is the primary test, `dwell_test` and `skip_test` are secondary; `read_tracks` says what their table
holds. All of them rest on one thing: which slot held what was drawn.
"""

from blindtest.stats.free_listening.choice import ChoiceCount, ChoiceResult, choice_test
from blindtest.stats.free_listening.dwell import CANNOT_TELL, DwellResult, DwellShare, dwell_test
from blindtest.stats.free_listening.panel_share import PanelShare
from blindtest.stats.free_listening.planning import (
    FreeListeningPower,
    choice_power,
    dwell_power,
    panel_choice_chances,
)
from blindtest.stats.free_listening.skipping import SkipResult, skip_test
from blindtest.stats.free_listening.slot_bias import SlotBias
from blindtest.stats.free_listening.tracks import TRACK_COLUMNS, Track, read_tracks

__all__ = [
    "CANNOT_TELL",
    "TRACK_COLUMNS",
    "ChoiceCount",
    "ChoiceResult",
    "DwellResult",
    "DwellShare",
    "FreeListeningPower",
    "PanelShare",
    "SkipResult",
    "SlotBias",
    "Track",
    "choice_power",
    "choice_test",
    "dwell_power",
    "dwell_test",
    "panel_choice_chances",
    "read_tracks",
    "skip_test",
]
