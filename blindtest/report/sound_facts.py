"""What was heard, as a report tells it: conditions, units, clips, rendering, curves, levels.

Levels are dB, loudness LUFS, frequencies Hz, durations s.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from blindtest.report.correction_facts import column

__all__ = [
    "ClipFacts",
    "ConditionFacts",
    "FilterCurve",
    "LimitFacts",
    "MatchLine",
    "RenderingFacts",
    "ResponseCurve",
    "UnitFacts",
]

Band = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class ConditionFacts:
    """One of the things compared: a name for readers, and the chain that made it audible, in words."""

    id: str
    name: str = ""
    """Shown instead of the id where given."""
    chain: tuple[str, ...] = ()
    """One sentence or phrase a stage; () is the clip as it is."""
    from_measurement: bool = True
    """Whether a measured response is imposed (False: recordings, or the clip as it is)."""
    anchor: Literal["", "low", "mid", "high"] = ""
    """A rendering made to be plainly poor or plainly good, to show that the scale was used."""
    decoy: bool = False
    """A rendering whose name was never shown."""
    label: str = ""
    """What listeners read where names were shown."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitFacts:
    """What was measured: the unit, its rig, its seatings."""

    id: str
    name: str = ""
    kind: str = ""
    serial_suffix: str = ""
    revision: str = ""
    rig: str = ""
    measured: str = ""
    level: str = ""
    reference_point: str = ""
    seatings: int | None = None
    trusted_band_hz: Band | None = None
    files: tuple[tuple[str, str], ...] = ()
    """(path in the study, SHA-256 in hex)."""
    remarks: tuple[str, ...] = ()
    """What the reading noticed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipFacts:
    """A piece of programme, and who chose it when."""

    id: str
    title: str = ""
    file: str = ""
    in_s: float | None = None
    out_s: float | None = None
    chosen_by: str = ""
    chosen: str = ""
    """Date, or ''; a reader wants to know whether it was before the unit was heard."""
    licence: str = ""
    sha256: str = ""
    """Of the file, or of its decoded audio."""
    rate_hz: int | None = None
    loudness_lufs: float | None = None
    """Heard loudness at which every condition of this clip was played."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitFacts:
    """A limit that acted while filters were made."""

    where: str
    """'the shared playback inverse', or a condition's id."""
    low_hz: float
    high_hz: float
    worst_db: float
    """Greatest difference between what was asked and what was given."""
    limit: str = ""
    """Which limit, in words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RenderingFacts:
    """How conditions were made audible and equally loud."""

    over: str = "inverse"
    """'inverse': rendered over the playback unit, whose response is divided out; 'worn'; '' for recordings."""
    route: str = ""
    """How loudspeakers were heard, in words; '' where there are none."""
    rooms: bool = False
    """Whether they were heard over a headphone, by binaural impulse responses."""
    playback: str = ""
    """Name of the unit listened through, '' where unknown."""
    field: str = ""
    """Which curve refers the heard signal to the field, in words."""
    max_boost_db: float | None = None
    trusted_band_hz: Band | None = None
    phase: str = "minimum phase"
    taps: tuple[tuple[int, int], ...] = ()
    """(rate in Hz, taps)."""
    match: str = "heard"
    """Measure by which levels were matched: 'heard' | 'file' | '1khz'."""
    heard: str = ""
    """What 'heard' means here, in words."""
    ceiling_dbtp: float | None = None
    rate_hz: int | None = None
    """Rate to which every clip was brought; None: each at its own."""
    player: str = "browser"
    played: tuple[str, ...] = ()
    """What played, sentence by sentence: devices, their rates, latencies, underruns; the last loopback."""
    recordings: tuple[str, ...] = ()
    """Which recordings are upside down or hardly like their clip, sentence by sentence."""
    notes: tuple[str, ...] = ()
    """What was recorded about playback: the browser's own rate differed ..."""
    own_equipment: bool = False
    """Whether listeners of a panel used what they have."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ResponseCurve:
    """A unit's averaged response: frequency (bins,) Hz ascending, level (bins,) dB, spread (bins,) dB or None."""

    name: str
    frequency: NDArray[np.float64]
    level_db: NDArray[np.float64]
    spread_db: NDArray[np.float64] | None = None
    """Standard deviation over seatings."""
    seatings: int | None = None

    def __post_init__(self) -> None:
        for name in ("frequency", "level_db", "spread_db"):
            if getattr(self, name) is not None:
                object.__setattr__(self, name, column(getattr(self, name)))
        _same_length(self.frequency, self.level_db, self.spread_db)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class FilterCurve:
    """The filter that was applied to make a condition: frequency (bins,) Hz, magnitude (bins,) dB."""

    condition: str
    frequency: NDArray[np.float64]
    magnitude_db: NDArray[np.float64]

    def __post_init__(self) -> None:
        object.__setattr__(self, "frequency", column(self.frequency))
        object.__setattr__(self, "magnitude_db", column(self.magnitude_db))
        _same_length(self.frequency, self.magnitude_db)


def _same_length(frequency: NDArray[np.float64], *columns: NDArray[np.float64] | None) -> None:
    for levels in columns:
        if levels is not None and len(levels) != len(frequency):
            raise ValueError(f"{len(frequency)} frequencies, but {len(levels)} levels")


@dataclass(frozen=True, slots=True, kw_only=True)
class MatchLine:
    """One row of the match table, with the fields of the rendering's own row.

    Heard and file levels are LUFS; A-weighted and r.m.s. levels are of what is heard, dB re an r.m.s. of 1; the true
    peak is that of the file, dBTP.
    """

    clip: str
    condition: str
    measure: str = "heard"
    """What was matched: 'heard', 'file' or '1khz'."""
    heard_before: float
    heard_after: float
    file_before: float
    file_after: float
    a_weighted_before: float
    a_weighted_after: float
    rms_before: float
    rms_after: float
    gain_db: float
    true_peak_after: float
