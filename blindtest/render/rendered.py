"""What a rendering has made or found: stimuli, their match table, and what was fixed."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from blindtest.audio import MatchRow

from .filters import FilterCurve
from .playback import Limit

__all__ = ["Rendered", "Stimulus"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stimulus:
    """A clip in a condition, rendered."""

    clip: str
    condition: str
    path: Path
    sha256: str
    frames: int
    rate: int
    channels: int
    loudness: float
    """LUFS as heard, measured on the written samples."""
    true_peak: float
    """dBTP of the file."""
    gain_db: float
    shift: int = 0
    """Frames by which a recording was late, taken out; 0 unless aligning was asked for."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Rendered:
    """What a rendering has made or found."""

    stimuli: tuple[Stimulus, ...]
    """By clip and condition, in the order of their ids."""
    table: tuple[MatchRow, ...]
    limits: tuple[Limit, ...]
    """Where the playback inverse fell short because boost is limited."""
    filters: Mapping[str, FilterCurve]
    """By condition, at the rate of the first clip."""
    heard: str
    """What loudness as heard means here, in words."""
    fixed: Mapping[str, object]
    """What the first rendering fixed, as `stimuli/fixed.toml` holds it."""
    trusted_band_hz: tuple[float, float]
    rates: Mapping[str, int]
    """Clip to rate, Hz."""
    made: int
    reused: int
    second: "Rendered | None" = None
    """The same at another rate, for outputs that run at that one; where the study has it."""

    def at(self, rate_hz: float | None) -> "Rendered":
        """Return the set for an output that runs at `rate_hz`: the second where it has just that rate, else this."""
        if self.second is not None and set(self.second.rates.values()) == {rate_hz}:
            return self.second
        return self

    def stimulus(self, clip: str, condition: str) -> Stimulus:
        """Return one stimulus; KeyError if there is none."""
        for stimulus in self.stimuli:
            if (stimulus.clip, stimulus.condition) == (clip, condition):
                return stimulus
        raise KeyError((clip, condition))
